"""Clients from outside work against the simulated instruments."""

import pytest
from outside_clients import CLIENTS, Absent


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("client", sorted(CLIENTS))
def test_a_client_from_outside(client):
    """It reads what the world holds and sets what it wants to set."""
    try:
        print(f"{client}: {CLIENTS[client]()}")
    except Absent as absent:
        pytest.skip(str(absent))
