"""Who asks the panel for something: name, role, from where."""

from __future__ import annotations

from dataclasses import dataclass

from rig.jobs.access.accounts import covers
from rig.web.access.sessions import Session


@dataclass(frozen=True, slots=True, kw_only=True)
class Who:
    """Who asks. session: of a browser, None for a token or for nobody. role "": nobody."""

    name: str = ""
    role: str = ""
    address: str = ""
    session: Session | None = None

    def may(self, role: str) -> bool:
        """Whether this person's role covers another."""
        return covers(self.role, role)
