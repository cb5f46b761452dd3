"""The tree hash over an append-only list of lines, and its proofs: a line is in it, a longer one begins with a shorter.

    root(leaves)   inclusion_path(leaves, index)   consistency_path(leaves, size)     leaves: `leaf_hash` of each line
    is_included(leaf, index, size, path, root)     is_consistent(size, longer, root, longer_root, path)

Standard library alone: the same file travels in the verifier of a bundle (rig/certificate/bundle). Pure. Source: RFC
6962 (2013) 2.1 for tree hash and paths, RFC 9162 (2021) 2.1.3.2 and 2.1.4.2 for checking them; SHA-256.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence


def leaf_hash(line: bytes) -> bytes:
    """The hash of one line, without its line feed."""
    return hashlib.sha256(b"\0" + line).digest()


def root(leaves: Sequence[bytes]) -> bytes:
    """The tree hash over leaf hashes; of no leaf the hash of nothing."""
    if not leaves:
        return hashlib.sha256(b"").digest()
    if len(leaves) == 1:
        return leaves[0]
    split = _split(len(leaves))
    return _node(root(leaves[:split]), root(leaves[split:]))


def inclusion_path(leaves: Sequence[bytes], index: int) -> list[bytes]:
    """Hashes that lead from leaf `index` (from 0) to the root. Raises IndexError outside the list."""
    if not 0 <= index < len(leaves):
        raise IndexError(f"leaf {index} of {len(leaves)}")
    if len(leaves) == 1:
        return []
    split = _split(len(leaves))
    if index < split:
        return [*inclusion_path(leaves[:split], index), root(leaves[split:])]
    return [*inclusion_path(leaves[split:], index - split), root(leaves[:split])]


def consistency_path(leaves: Sequence[bytes], size: int) -> list[bytes]:
    """Hashes that show that the list of the first `size` leaves is the beginning of this one. Raises IndexError."""
    if not 0 < size <= len(leaves):
        raise IndexError(f"{size} of {len(leaves)} leaves")
    return _subproof(leaves, size, whole=True)


def is_included(leaf: bytes, index: int, size: int, path: Sequence[bytes], wanted: bytes) -> bool:
    """Whether the path leads from a leaf hash at `index` to the root of a tree of `size` leaves."""
    if not 0 <= index < size:
        return False
    place, last, reached = index, size - 1, leaf
    for step in path:
        if last == 0:
            return False
        if place & 1 or place == last:
            reached = _node(step, reached)
            while not place & 1 and place:
                place, last = place >> 1, last >> 1
        else:
            reached = _node(reached, step)
        place, last = place >> 1, last >> 1
    return last == 0 and reached == wanted


def is_consistent(size: int, longer: int, first: bytes, second: bytes, path: Sequence[bytes]) -> bool:
    """Whether a tree of `longer` leaves with root `second` begins with the tree of `size` leaves with root `first`."""
    if not 0 < size <= longer:
        return False
    if size == longer:
        return first == second and not path
    steps = list(path)
    if size & (size - 1) == 0:
        steps.insert(0, first)
    if not steps:
        return False
    place, last = size - 1, longer - 1
    while place & 1:
        place, last = place >> 1, last >> 1
    old = new = steps[0]
    for step in steps[1:]:
        if last == 0:
            return False
        if place & 1 or place == last:
            old, new = _node(step, old), _node(step, new)
            while not place & 1 and place:
                place, last = place >> 1, last >> 1
        else:
            new = _node(new, step)
        place, last = place >> 1, last >> 1
    return last == 0 and old == first and new == second


def _subproof(leaves: Sequence[bytes], size: int, *, whole: bool) -> list[bytes]:
    if size == len(leaves):
        return [] if whole else [root(leaves)]
    split = _split(len(leaves))
    if size <= split:
        return [*_subproof(leaves[:split], size, whole=whole), root(leaves[split:])]
    return [*_subproof(leaves[split:], size - split, whole=False), root(leaves[:split])]


def _split(count: int) -> int:
    """The largest power of two below the count."""
    return 1 << (count - 1).bit_length() - 1


def _node(left: bytes, right: bytes) -> bytes:
    return hashlib.sha256(b"\1" + left + right).digest()
