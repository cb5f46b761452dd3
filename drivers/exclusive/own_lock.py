"""An instrument's own lock against a second computer, where its protocol has one.

VXI-11 and HiSLIP have it; a raw socket, a serial port and USB have none, and a second computer on such an instrument is
kept away by nobody. The lock belongs to one link: an instrument that two links of the bench lead to is not locked.
Source: TCP/IP Instrument Protocol Specification VXI-11 rev. 1.0, B.6.9 (device_lock); IVI-6.1 HiSLIP 2.0, 3.1.
"""

from __future__ import annotations

from collections.abc import Iterable

from drivers.exclusive.interfaces import interfaces
from drivers.roles import Instrument


def claim_state(instrument: Instrument, link: str, all_links: Iterable[str]) -> str:
    """ "held" when the open instrument's own lock is held from here, "none" where there is none to hold.

    LinkDown when another controller holds it.
    """
    mine = set(interfaces([link]))
    sharing = sum(not mine.isdisjoint(interfaces([one])) for one in all_links)
    claim = getattr(instrument, "claim", None)
    return str(claim()) if claim is not None and sharing == 1 else "none"
