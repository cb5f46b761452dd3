"""Link addresses to links: tcp://, serial://, visa:// (visa+ivi://, visa+sim://), spy+<any of these>.

A VISA raw socket becomes a tcp link. Libraries are imported only for the kind of link that is asked for.
"""

from __future__ import annotations

import re

from drivers.link.base import Link
from rig.errors import UsageError

_SOCKET = re.compile(r"visa://TCPIP\d*::(?P<host>[^:]+)::(?P<port>\d+)::SOCKET", re.IGNORECASE)


def make_link(url: str, name: str = "", terminator: bytes = b"\n") -> Link:
    """A closed link for an address; terminator ends the lines that come in. UsageError for an unknown kind."""
    if url.startswith("spy+"):
        from drivers.link.spy import SpyLink

        return SpyLink(make_link(url.removeprefix("spy+"), name, terminator))
    if raw := _SOCKET.fullmatch(url):
        url = f"tcp://{raw['host']}:{raw['port']}"
    kind = url.partition("://")[0]
    if kind == "tcp":
        from drivers.link.tcp import TcpLink

        return TcpLink(url, name, terminator)
    if kind == "serial":
        from drivers.link.serial_port import SerialLink

        return SerialLink(url, name, terminator)
    if kind.partition("+")[0] == "visa":
        from drivers.link.visa import VisaLink

        return VisaLink(url, name, terminator)
    raise UsageError(
        f"link {url!r} of {name or 'an instrument'} is of no known kind.",
        next_action="Write tcp://host:port, serial:///path or visa://RESOURCE.",
    )


def open_link(url: str, name: str = "", terminator: bytes = b"\n") -> Link:
    """An open link for an address."""
    link = make_link(url, name, terminator)
    link.open()
    return link
