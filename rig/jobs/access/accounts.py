"""Who may use the panel beyond this machine: accounts with a role, a password (argon2id) and an end.

    <home>/access/accounts.json    {"schema", "accounts": [{"name", "role", "hash", "made_utc", "ended_utc"}]}

Roles: view < operate < approve. An account that ended stays listed, so that the audit log keeps its meaning. A wrong
password costs a pause that grows with each attempt, per account and address, up to 60 s; nobody is locked out for ever,
and an unknown name takes as long as a known one. It knows no page and no session.
"""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from rig.errors import UsageError
from rig.records.files import read_json, unwritable
from rig.records.schema import check_texts, dump, load
from rig.system import take_lock

ROLES = ("view", "operate", "approve")
SCHEMA = "anglewright accounts 1"
LEAST_CHARACTERS = 10
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 60.0
FREE_ATTEMPTS = 3


def covers(role: str, wanted: str) -> bool:
    """Whether a role may do what needs `wanted`; "" is nobody."""
    return role in ROLES and ROLES.index(role) >= ROLES.index(wanted)


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """One person's account. hash: argon2id of the password. ended_utc: "" while it is open."""

    name: str
    role: str
    hash: str
    made_utc: str
    ended_utc: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AccountsFile:
    """What accounts.json holds."""

    accounts: tuple[Account, ...] = ()
    schema: str = SCHEMA


class Accounts:
    """The accounts of a home. now_s: a monotonic clock in seconds, for the pauses."""

    def __init__(self, home: Path, now_s: Callable[[], float] = time.monotonic) -> None:
        self.path = home / "access" / "accounts.json"
        self._now_s = now_s
        self._failures: dict[tuple[str, str], tuple[int, float]] = {}
        self._guard = threading.Lock()

    @cached_property
    def _hasher(self) -> Any:
        from argon2 import PasswordHasher

        return PasswordHasher()

    @cached_property
    def _decoy(self) -> str:
        """A hash that no password fits, so that an unknown name costs the same time."""
        made: str = self._hasher.hash(os.urandom(16).hex())
        return made

    def all(self) -> tuple[Account, ...]:
        """Every account, ended ones included. Raises RecordError for a damaged file."""
        if not self.path.exists():
            return ()
        return load(AccountsFile, read_json(self.path), str(self.path), SCHEMA).accounts

    def open_ones(self) -> dict[str, Account]:
        """Name -> account, without those that ended."""
        return {account.name: account for account in self.all() if not account.ended_utc}

    def add(self, name: str, role: str, password: str, at_utc: str) -> Account:
        """Make an account. Raises UsageError for a name that is open already, an unknown role or a short password."""
        name = name.strip()
        check_texts({"name": name})
        if not name or role not in ROLES:
            raise UsageError(
                f"account {name!r} with role {role!r} can't be made.",
                next_action=f"Give a name, and one of {', '.join(ROLES)}.",
            )
        with self._turn():
            if name in self.open_ones():
                raise UsageError(f"account {name} is there already.", next_action="End it first, or take another name.")
            made = Account(name=name, role=role, hash=self._hash(password), made_utc=at_utc)
            self._write((*self.all(), made))
        return made

    def end(self, name: str, at_utc: str) -> None:
        """Close an account: it can no longer sign in. Raises UsageError for one that is not open."""
        self._change(name, ended_utc=at_utc)

    def set_password(self, name: str, password: str) -> None:
        """Give an open account a new password."""
        self._change(name, hash=self._hash(password))

    def pause_s(self, name: str, address: str) -> float:
        """Seconds until the next attempt of this name from this address is looked at; 0 at once."""
        with self._guard:
            count, last_s = self._failures.get((name, address), (0, 0.0))
        if count < FREE_ATTEMPTS:
            return 0.0
        wait_s = min(FIRST_PAUSE_S * 2.0 ** min(count - FREE_ATTEMPTS, 16), LONGEST_PAUSE_S)
        return max(0.0, last_s + wait_s - self._now_s())

    def check(self, name: str, password: str, address: str) -> Account | None:
        """The account, where name and password fit and no pause runs; else None, and the pause grows."""
        from argon2.exceptions import InvalidHashError, VerificationError

        if self.pause_s(name, address) > 0.0:
            return None
        account = self.open_ones().get(name)
        try:
            self._hasher.verify(account.hash if account is not None else self._decoy, password)
        except (VerificationError, InvalidHashError):
            account = None
        with self._guard:
            if account is not None:
                self._failures.pop((name, address), None)
            else:
                count, _ = self._failures.get((name, address), (0, 0.0))
                self._failures[(name, address)] = (count + 1, self._now_s())
        return account

    def _hash(self, password: str) -> str:
        if len(password) < LEAST_CHARACTERS:
            raise UsageError(
                f"a password of {len(password)} characters is too short.",
                next_action=f"Take {LEAST_CHARACTERS} characters or more.",
            )
        made: str = self._hasher.hash(password)
        return made

    def _change(self, name: str, **words: str) -> None:
        with self._turn():
            if name not in self.open_ones():
                known = ", ".join(self.open_ones()) or "none yet"
                raise UsageError(f"no open account {name!r}.", next_action=f"Take one of: {known}.")
            self._write(
                tuple(replace(one, **words) if one.name == name and not one.ended_utc else one for one in self.all())
            )

    @contextmanager
    def _turn(self) -> Iterator[None]:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with self.path.with_suffix(".lock").open("w") as lock:
            take_lock(lock)
            yield

    def _write(self, accounts: tuple[Account, ...]) -> None:
        write_private(self.path, dump(AccountsFile(accounts=accounts)))


def write_private(path: Path, data: dict[str, Any]) -> None:
    """Put a small file of secrets in the place of the one before, whole or not at all; readable by its owner only."""
    aside = path.with_suffix(".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump(data, file, ensure_ascii=False, indent=1)
            file.flush()
            os.fsync(file.fileno())
        os.replace(aside, path)
    except OSError as fault:
        raise unwritable(path, fault) from fault
