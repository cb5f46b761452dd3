"""Who is signed in at the panel: sessions of browsers, kept by the hash of their cookie so that a restart ends none.

    <home>/access/sessions.json    a session: name, role, csrf secret, begun, last proof of the password

A session ends after 12 h. What needs the role approve asks for the password again once the last proof is older than 15
minutes. On this machine without accounts a session begins with the one-time secret that the terminal shows.
"""

from __future__ import annotations

import hashlib
import secrets
import threading
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from rig.errors import RecordError
from rig.jobs.access.accounts import Accounts, write_private
from rig.records.files import read_json
from rig.records.schema import dump, load

SCHEMA = "anglewright sessions 1"
LASTS = timedelta(hours=12)
PROOF_LASTS = timedelta(minutes=15)
COOKIE = "anglewright_session"


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One signed-in browser. key: sha256 of its cookie. account: False for this machine's own without accounts."""

    key: str
    name: str
    role: str
    csrf: str
    begun_utc: str
    proof_utc: str
    account: bool

    def proof_is_fresh(self, now: datetime) -> bool:
        """Whether an approval may go on without the password."""
        return not self.account or now - datetime.fromisoformat(self.proof_utc) < PROOF_LASTS


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionsFile:
    """What sessions.json holds."""

    sessions: tuple[Session, ...] = ()
    schema: str = SCHEMA


class Sessions:
    """The sessions of a home."""

    def __init__(self, home: Path, accounts: Accounts) -> None:
        self.path = home / "access" / "sessions.json"
        self._accounts = accounts
        self._guard = threading.Lock()
        self._held = self._read()

    def begin(self, name: str, role: str, *, account: bool) -> tuple[Session, str]:
        """A new session and its cookie."""
        cookie, now = secrets.token_urlsafe(32), _now().isoformat()
        made = Session(
            key=_key(cookie),
            name=name,
            role=role,
            csrf=secrets.token_urlsafe(24),
            begun_utc=now,
            proof_utc=now,
            account=account,
        )
        self._keep(made)
        return made, cookie

    def find(self, cookie: str) -> Session | None:
        """The session of a cookie while it lasts; with accounts only while its account is open, in its present role."""
        session = self._held.get(_key(cookie)) if cookie else None
        if session is None or _now() - datetime.fromisoformat(session.begun_utc) > LASTS:
            return None
        accounts = self._accounts.open_ones()
        if not session.account:
            return None if accounts else session
        account = accounts.get(session.name)
        return None if account is None else replace(session, role=account.role)

    def rename(self, session: Session, name: str) -> Session:
        """Give a session of this machine the name of who sits there."""
        return self._keep(replace(session, name=name))

    def prove(self, session: Session) -> Session:
        """The password was given again."""
        return self._keep(replace(session, proof_utc=_now().isoformat()))

    def end(self, session: Session) -> None:
        """Sign out."""
        with self._guard:
            self._held.pop(session.key, None)
            self._write()

    def _keep(self, session: Session) -> Session:
        with self._guard:
            self._held[session.key] = session
            self._write()
        return session

    def _write(self) -> None:
        limit = (_now() - LASTS).isoformat()
        self._held = {key: one for key, one in self._held.items() if one.begun_utc > limit}
        write_private(self.path, dump(SessionsFile(sessions=tuple(self._held.values()))))

    def _read(self) -> dict[str, Session]:
        """What was kept; a damaged file only means that people sign in again."""
        try:
            data = load(SessionsFile, read_json(self.path), str(self.path), SCHEMA) if self.path.exists() else None
        except RecordError:
            data = None
        return {one.key: one for one in data.sessions} if data is not None else {}


def _key(cookie: str) -> str:
    return hashlib.sha256(cookie.encode()).hexdigest()


def _now() -> datetime:
    return datetime.now(UTC)
