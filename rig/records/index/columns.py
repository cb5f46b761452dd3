"""Columns of the index's tables by their kind, for tables.py and the migrations."""

from __future__ import annotations

from sqlalchemy import Column, Float, String


def keys(*names: str) -> list[Column[str]]:
    """Texts that make up the primary key."""
    return [Column(name, String, primary_key=True) for name in names]


def texts(*names: str) -> list[Column[str]]:
    """Texts, empty where nothing is known."""
    return [Column(name, String, nullable=False, server_default="") for name in names]


def numbers(*names: str) -> list[Column[float]]:
    """Numbers, null where there is none."""
    return [Column(name, Float) for name in names]
