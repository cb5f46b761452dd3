"""Tokens for other shop software: made by an account, with a role at most its own and an end at most a year away.

    <home>/access/tokens.json    {"schema", "tokens": [{"id", "name", "account", "role", "sha256", "until_utc"}]}

The secret is shown once; only its SHA-256 is kept (it is 256 random bits, so no slow hash is needed).
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from rig.errors import UsageError
from rig.jobs.access.accounts import ROLES, covers, write_private
from rig.records.files import read_json
from rig.records.schema import check_texts, dump, load

SCHEMA = "anglewright tokens 1"
LONGEST_DAYS = 366


@dataclass(frozen=True, slots=True, kw_only=True)
class Token:
    """One token. name: what it is for. until_utc: its end, ISO 8601."""

    id: str
    name: str
    account: str
    role: str
    sha256: str
    until_utc: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TokensFile:
    """What tokens.json holds."""

    tokens: tuple[Token, ...] = ()
    schema: str = SCHEMA


class Tokens:
    """The tokens of a home."""

    def __init__(self, home: Path) -> None:
        self.path = home / "access" / "tokens.json"

    def all(self) -> tuple[Token, ...]:
        """Every token that was not withdrawn, ended ones included."""
        if not self.path.exists():
            return ()
        return load(TokensFile, read_json(self.path), str(self.path), SCHEMA).tokens

    def make(self, name: str, *, account: str, own_role: str, role: str, days: int, now: datetime) -> tuple[Token, str]:
        """A new token and its secret. Raises UsageError for a role above the account's own or an end too far away."""
        check_texts({"name": name})
        if role not in ROLES or not covers(own_role, role):
            raise UsageError(f"{account} may not make a token with role {role!r}.", next_action=f"Take {own_role}.")
        if not name.strip() or not 1 <= days <= LONGEST_DAYS:
            raise UsageError(
                f"token {name!r} for {days} days can't be made.",
                next_action=f"Say what it is for, and take 1 to {LONGEST_DAYS} days.",
            )
        secret = secrets.token_urlsafe(32)
        made = Token(
            id=secrets.token_hex(4),
            name=name.strip(),
            account=account,
            role=role,
            sha256=_digest(secret),
            until_utc=(now + timedelta(days=days)).isoformat(timespec="seconds"),
        )
        write_private(self.path, dump(TokensFile(tokens=(*self.all(), made))))
        return made, secret

    def find(self, secret: str, now: datetime) -> Token | None:
        """The token of a secret while it is in force, else None."""
        wanted = _digest(secret)
        for token in self.all():
            if hmac.compare_digest(token.sha256, wanted) and datetime.fromisoformat(token.until_utc) > now:
                return token
        return None

    def withdraw(self, token_id: str) -> Token:
        """Take a token out at once. Raises UsageError for an unknown one."""
        found = next((token for token in self.all() if token.id == token_id), None)
        if found is None:
            raise UsageError(f"no token {token_id!r}.", next_action="Take an id of the list.")
        write_private(self.path, dump(TokensFile(tokens=tuple(one for one in self.all() if one.id != token_id))))
        return found


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
