"""The fifty field reports: each fault is injected, and what comes of it is right."""

import pytest
from field_reports import ROWS


@pytest.mark.parametrize(("number", "check"), [(row[0], row[4]) for row in sorted(ROWS, key=lambda row: row[0])])
def test_field_report(number, check):
    """The right value or a named error, never a wrong value, never a hang."""
    outcome = check()
    print(f"{number}: {outcome}")
    assert outcome


def test_all_fifty_are_there():
    """Each report has its row."""
    assert sorted(row[0] for row in ROWS) == list(range(1, 51))
