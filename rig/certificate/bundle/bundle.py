"""A bundle: reports with their readings and what vouches for them, in one file that anybody can check by itself.

    bundle.zip   runs/<id>/ (faces, proof, record, journal, raw file, judgements, remarks, photos)   register/<...>.json
                 shop.crt.pem   README.txt   manifest.json (SHA-256 of every file)   manifest.sig (over the manifest)
    verify.pyz   verifier.py and merkle.py, standard library alone

The recipient may judge the readings again under his own rule: journal and raw file are whole. It judges nothing.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Mapping, Sequence
from importlib.metadata import version
from pathlib import Path

from rig.certificate.bundle import verifier
from rig.certificate.seal import merkle
from rig.certificate.seal.signatures import Key, sign_bytes
from rig.certificate.shop import Shop
from rig.errors import UsageError
from rig.records.exchange.leaving import file_aside
from rig.records.exchange.manifest import copy_hashed
from rig.records.files import read_file, to_json, utc_now, write_new
from rig.records.run.stored import StoredRun

README = """A bundle of measurement reports with their readings.

To check it:   python verify.pyz {name}       (Python 3.9 or later; nothing else is needed)
verify.pyz was written beside this bundle. Take it from the shop, not from whoever handed you the bundle, where that is
somebody else; it is two short files of plain Python that can be read.
{page}
runs/<id>/certificate*.pdf   the report, as issued (JSON, XML and CSV beside it)
runs/<id>/proof*.json        the report's line in the shop's register, with the proof that it stands there
runs/<id>/journal.jsonl      every reading in the order it was taken, one line each; raw.h5: the waveforms
runs/<id>/run.json           the closed record: conditions, limits as agreed, results with their uncertainty
To judge the readings again by another rule:   anglewright job carry, or any program that reads JSON lines and HDF5
"""
NOT_IN = (".part", ".lock")


def write_bundle(
    path: Path, runs: Sequence[StoredRun], extracts: Mapping[str, bytes], shop: Shop, key: Key | None
) -> tuple[Path, Path]:
    """Write a bundle of closed runs to a new file, and verify.pyz beside it; both paths.

    extracts: file name -> extract of a register, of these runs' lines. Raises UsageError for a run without a report or
    one that is not closed, RecordError when a file is there already or the disk refuses.
    """
    for run in runs:
        if run.record is None or not any(run.path.glob("certificate*.pdf")):
            raise UsageError(f"run {run.id} has no report.", next_action=f"anglewright report issue {run.id}")
    hashes: dict[str, str] = {}
    with file_aside(path) as aside, zipfile.ZipFile(aside, "w", zipfile.ZIP_DEFLATED) as archive:

        def put(name: str, data: bytes) -> None:
            archive.writestr(name, data)
            hashes[name] = hashlib.sha256(data).hexdigest()

        for run in runs:
            for file in sorted(run.path.iterdir()):
                if file.is_file() and not file.name.startswith(".") and not file.name.endswith(NOT_IN):
                    name = f"runs/{run.id}/{file.name}"
                    with file.open("rb") as source, archive.open(name, "w", force_zip64=True) as target:
                        hashes[name] = copy_hashed(source, target)
        for name, data in extracts.items():
            put(f"{verifier.EXTRACTS}{name}", data)
        if key is not None:
            put(verifier.CERTIFICATE, read_file(key.certificate))
        put("README.txt", README.format(name=path.name, page=verifier.PAGE).encode())
        stated = to_json(
            {
                "schema": verifier.SCHEMA,
                "shop": shop.name,
                "runs": [run.id for run in runs],
                "software": f"anglewright {version('anglewright')}",
                "made_utc": utc_now(),
                "files": hashes,
            }
        )
        archive.writestr(verifier.MANIFEST, stated)
        if key is not None:
            archive.writestr(verifier.SIGNATURE, sign_bytes(stated, key))
    beside = path.parent / "verify.pyz"
    program = verifier_program()
    if not beside.exists() or read_file(beside) != program:
        beside = write_new(beside if not beside.exists() else path.with_suffix(".verify.pyz"), program)
    return path, beside


def verifier_program() -> bytes:
    """verify.pyz: the two files in one that Python runs by itself; the same bytes every time."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, module in (("__main__.py", verifier), ("merkle.py", merkle)):
            archive.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), read_file(Path(str(module.__file__))))
    return b"#!/usr/bin/env python3\n" + out.getvalue()
