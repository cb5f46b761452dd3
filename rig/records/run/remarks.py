"""Remarks and photos of a run, step by step: each a small file of its own in the run's folder, never changed.

    <run>/remark.json, remark-2.json ...     {schema, made_utc, author, step, text, photo, sha256}
    <run>/photo.jpg, photo-2.png ...         the picture unchanged; its hash stands in the remark

It judges nothing and looks into no picture beyond its first bytes (so that a text is not stored as a photo).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rig.errors import RecordError, UsageError
from rig.records.files import read_file, read_json, sha256_of, to_json, write_beside
from rig.records.schema import check_texts, dump, load

SCHEMA = "anglewright remark 1"
PHOTO_BYTES = 64 << 20
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
    schema: str = SCHEMA


def add_remark(folder: Path, remark: Remark, photo: Path | None = None) -> Remark:
    """Put a remark, with a photo if one is given, into a run's folder.

    Raises UsageError for an empty remark, a control character or a photo that is no JPEG, PNG or WebP, RecordError
    when the disk refuses.
    """
    if not remark.text.strip() and photo is None:
        raise UsageError("a remark without a word and without a photo.", next_action="Write what was seen.")
    remark = replace(remark, text=remark.text.strip())
    check_texts(dump(remark))
    if photo is not None:
        copy = write_beside(folder / f"photo{_kind(photo)}", read_file(photo, PHOTO_BYTES))
        remark = replace(remark, photo=copy.name, sha256=sha256_of(copy))
    data = dump(remark)
    del data["file"]
    return replace(remark, file=write_beside(folder / "remark.json", to_json(data)).name)


def read_remarks(folder: Path) -> Sequence[Remark]:
    """All remarks of a run, in the order they were made. Raises RecordError for a damaged file."""
    files = sorted(folder.glob("remark*.json"), key=lambda f: (len(f.name), f.name))
    return [load(Remark, {**read_json(file), "file": file.name}, str(file), SCHEMA) for file in files]


def _kind(photo: Path) -> str:
    try:
        head = read_file(photo, PHOTO_BYTES)[:16]
    except RecordError as fault:
        raise UsageError(fault.message, next_action="Give the photo's path.") from fault
    for sign, suffix in PICTURES.items():
        if head.startswith(sign):
            return suffix
    raise UsageError(f"{photo}: is no JPEG, PNG or WebP picture.", next_action="Save the photo as JPEG.")
