"""What every entry bears that is numbered and chained among its own kind (chain.py)."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbered:
    """at_utc: when it was entered. n: its number, from 1. previous: SHA-256 of the file before it, "" for the first."""

    at_utc: str = ""
    n: int = 0
    previous: str = ""
