"""Remarks and photos of a run, step by step: each a small file of its own in the run's folder, never changed.

    <run>/remark.json, remark-2.json ...     {schema, made_utc, author, step, text, photo, sha256}
    <run>/photo.jpg, photo-2.png ...         the picture as it came; its hash stands in the remark

It judges nothing and looks into no picture beyond its first bytes (so that a text is not kept as a photo).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path

from rig.errors import RecordError, UsageError
from rig.records.files import read_json, sha256_of, to_json, write_beside

SCHEMA = "anglewright remark 1"
PICTURES = {b"\xff\xd8\xff": ".jpg", b"\x89PNG\r\n\x1a\n": ".png", b"RIFF": ".webp"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """What a person noted at a step ("" = of the whole run). photo: a file's name in the run folder, or ""."""

    made_utc: str
    author: str
    step: str
    text: str
    photo: str = ""
    sha256: str = ""
    file: str = ""


def add_remark(
    folder: Path, *, text: str, author: str, made_utc: str, step: str = "", photo: Path | None = None
) -> Remark:
    """Put a remark, with a photo if one is given, into a run's folder.

    Raises UsageError for an empty remark or a photo that is no JPEG, PNG or WebP, RecordError when the disk refuses.
    """
    if not text.strip() and photo is None:
        raise UsageError("a remark without a word and without a photo.", next_action="Write what was seen.")
    name = digest = ""
    if photo is not None:
        kept = write_beside(folder / f"photo{_kind(photo)}", photo.read_bytes())
        name, digest = kept.name, sha256_of(kept)
    made = Remark(made_utc=made_utc, author=author, step=step, text=text.strip(), photo=name, sha256=digest)
    data = {"schema": SCHEMA, **asdict(made)}
    del data["file"]
    file = write_beside(folder / "remark.json", to_json(data))
    return Remark(**{**asdict(made), "file": file.name})


def read_remarks(folder: Path) -> Sequence[Remark]:
    """All remarks of a run, in the order they were made. Raises RecordError for a damaged file."""
    known = {field.name for field in fields(Remark)}
    found = []
    for file in sorted(folder.glob("remark*.json"), key=lambda f: (len(f.name), f.name)):
        data = read_json(file)
        if data.get("schema") != SCHEMA:
            raise RecordError(f"{file}: is no remark of schema {SCHEMA!r}.", next_action="Restore it from a copy.")
        try:
            found.append(Remark(**{k: str(v) for k, v in data.items() if k in known} | {"file": file.name}))
        except TypeError as fault:
            raise RecordError(f"{file}: incomplete ({fault}).", next_action="Restore it from a copy.") from fault
    return found


def altered_photos(folder: Path) -> list[str]:
    """Names of the photos that are missing or no longer what they were when they were put down."""
    named = [remark for remark in read_remarks(folder) if remark.photo]
    return [r.photo for r in named if not (folder / r.photo).exists() or sha256_of(folder / r.photo) != r.sha256]


def _kind(photo: Path) -> str:
    try:
        with photo.open("rb") as handle:
            head = handle.read(16)
    except OSError as fault:
        raise UsageError(f"{photo}: can't be read ({fault.strerror}).", next_action="Give the photo's path.") from fault
    for sign, suffix in PICTURES.items():
        if head.startswith(sign):
            return suffix
    raise UsageError(f"{photo}: is no JPEG, PNG or WebP picture.", next_action="Save the photo as JPEG.")
