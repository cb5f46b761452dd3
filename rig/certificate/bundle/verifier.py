"""Checks a bundle of reports without the shop, its program or a network: python verify.pyz BUNDLE [--certificate FILE]

Standard library alone; it travels as verify.pyz beside the bundle, together with merkle.py. Exit status: 0 everything
that could be checked holds, 1 something does not hold, 2 no bundle. A signature is checked by the package
`cryptography` or the openssl command, whichever is there; without both it says that only hashes were checked.
"""

from __future__ import annotations

import base64
import hashlib
import importlib
import json
import shutil
import subprocess
import sys
import tempfile
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

MANIFEST, SIGNATURE, CERTIFICATE, EXTRACTS = "manifest.json", "manifest.sig", "shop.crt.pem", "register/"
SCHEMA = "anglewright bundle 1"
MOST_BYTES = 4 << 30
PIECE = 1 << 20
PAGE = """
What this proves, when everything holds:
  - every file of the bundle has the bytes that the list (manifest.json) names;
  - every report in it has the bytes that the shop's register named on the day of issue, and the register's line stands
    in the tree of the register's head: it can't have been put in, changed or moved afterwards without another head;
  - the readings (journal.jsonl, raw.h5) have the bytes that the run's record names, and the record those that the
    register names, where a report was issued of it;
  - the list and the head were signed with the key of the certificate shown, where a signature was checked.
What it does not prove:
  - that the certificate is the shop's: compare its fingerprint with one that you got from the shop itself;
  - that the figures are right, that the part is the one that was named, or that it is now as it was then;
  - that a report was not replaced or withdrawn after this bundle was made: ask the shop;
  - when it was signed, unless a time stamp is named below.
"""


class Broken(Exception):
    """Something that does not hold, in words."""


def main(words: Sequence[str] | None = None) -> int:
    """The command."""
    given = list(sys.argv[1:] if words is None else words)
    own = ""
    if "--certificate" in given:
        place = given.index("--certificate")
        own = given[place + 1] if place + 1 < len(given) else ""
        del given[place : place + 2]
    if len(given) != 1:
        print("usage: python verify.pyz BUNDLE [--certificate FILE]   FILE: the shop's certificate, from the shop")
        return 2
    try:
        return check(Path(given[0]), Path(own) if own else None)
    except (OSError, zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError, RuntimeError) as fault:
        print(f"{given[0]}: is no bundle ({fault}).")
        return 2


def check(path: Path, certificate: Path | None = None) -> int:
    """Check a bundle and print what holds and what does not; the exit status."""
    wrong: list[str] = []
    with zipfile.ZipFile(path) as archive:
        if sum(info.file_size for info in archive.infolist()) > MOST_BYTES:
            raise zipfile.BadZipFile("it is larger than any bundle")
        try:
            stated = archive.read(MANIFEST)
            manifest = _json(stated)
        except (KeyError, ValueError, RecursionError) as fault:
            raise zipfile.BadZipFile(f"its {MANIFEST} is missing or damaged: {fault}") from fault
        if manifest.get("schema") != SCHEMA or not isinstance(manifest.get("files"), dict):
            raise zipfile.BadZipFile(f"its schema is {manifest.get('schema')!r}")
        hashes = _files(archive, manifest["files"], wrong)
        print(f"{len(hashes)} files, {len(manifest['files'])} listed: {'as listed' if not wrong else 'NOT as listed'}")
        pem = archive.read(CERTIFICATE) if CERTIFICATE in hashes else b""
        _signature(archive, stated, pem, certificate, wrong)
        _reports(archive, hashes, pem, wrong)
        _runs(archive, hashes, wrong)
    for one in wrong:
        print(f"DOES NOT HOLD  {one}")
    print("Everything that could be checked holds." if not wrong else f"{len(wrong)} things do not hold.")
    print(PAGE)
    return 1 if wrong else 0


# ---- the parts ------------------------------------------------------------------------------------------------------


def _files(archive: zipfile.ZipFile, listed: dict[str, Any], wrong: list[str]) -> dict[str, str]:
    """Name -> SHA-256 of every file inside but the list and its signature; what differs from the list goes to wrong."""
    found: dict[str, str] = {}
    for info in archive.infolist():
        if info.filename in (MANIFEST, SIGNATURE):
            continue
        if info.filename in found:
            wrong.append(f"{info.filename}: stands twice in the bundle")
        digest = hashlib.sha256()
        try:
            with archive.open(info) as source:
                while piece := source.read(PIECE):
                    digest.update(piece)
        except (zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError, RuntimeError):
            wrong.append(f"{info.filename}: is damaged")
            continue
        found[info.filename] = digest.hexdigest()
    for name in sorted({*found, *listed}):
        if name not in listed:
            wrong.append(f"{name}: is not in the list")
        elif name not in found:
            wrong.append(f"{name}: is missing")
        elif found[name] != listed[name]:
            wrong.append(f"{name}: its bytes are not those of the list")
    return found


def _signature(archive: zipfile.ZipFile, stated: bytes, pem: bytes, certificate: Path | None, wrong: list[str]) -> None:
    if certificate is not None:
        known = certificate.read_bytes()
        if pem and fingerprint(known) != fingerprint(pem):
            wrong.append(f"{CERTIFICATE}: is not the certificate that was given ({certificate})")
        pem = pem or known
    signature = archive.read(SIGNATURE) if SIGNATURE in archive.namelist() else b""
    if not signature:
        print("signature: none; only hashes were checked: whoever made this bundle could have made all of it")
        if pem:
            wrong.append(f"{SIGNATURE}: is missing, though a certificate is there")
        return
    if not pem:
        wrong.append(f"{CERTIFICATE}: is missing, though the list is signed")
        return
    print(f"certificate: SHA-256 {fingerprint(pem)}")
    holds, how = signed(stated, signature, pem)
    if holds is None:
        print(f"signature: {how}; only hashes were checked")
    else:
        print(f"signature over the list: {'holds' if holds else 'DOES NOT HOLD'} (by {how})")
        if not holds:
            wrong.append(f"{SIGNATURE}: is not of this certificate's key over this list")


def _reports(archive: zipfile.ZipFile, hashes: dict[str, str], pem: bytes, wrong: list[str]) -> None:
    """Every extract of a register: its lines in the tree, its head signed, the faces that they name by their bytes."""
    for name in sorted(one for one in hashes if one.startswith(EXTRACTS) and one.endswith(".json")):
        try:
            extract = _json(archive.read(name))
            head, lines = extract["head"], extract["lines"]
            wanted = bytes.fromhex(head["root"])
            for line in lines:
                steps = [bytes.fromhex(step) for step in line["path"]]
                text = line["line"].encode()
                if not merkle.is_included(merkle.leaf_hash(text), line["index"], head["size"], steps, wanted):
                    raise Broken(f"line {line['index'] + 1} is not in the tree of its head")
                _faces(_json(text), hashes, wrong)
            for before in extract["before"]:
                steps = [bytes.fromhex(step) for step in before["path"]]
                if not merkle.is_consistent(before["size"], head["size"], bytes.fromhex(before["root"]), wanted, steps):
                    raise Broken(f"the register does not continue its first {before['size']} lines")
            own = str(extract.get("certificate") or "").encode()
            print(f"register of {extract['shop']}: {len(lines)} of {head['size']} lines, each in the tree of its head")
            _head(head, own, own == pem, wrong, name)
        except Broken as fault:
            wrong.append(f"{name}: {fault}")
        except (KeyError, TypeError, ValueError, AttributeError, RecursionError) as fault:
            wrong.append(f"{name}: can't be read ({fault!r})")


def _head(head: dict[str, Any], pem: bytes, known: bool, wrong: list[str], name: str) -> None:
    if not head.get("signature"):
        print("  its head is not signed")
        return
    text = {key: head[key] for key in ("schema", "log", "size", "root")}
    said = json.dumps(text, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    holds, how = signed(said, base64.b64decode(head["signature"]), pem)
    if holds is None:
        print(f"  the head's signature: {how}")
        return
    whose = "the same certificate" if known else f"certificate {fingerprint(pem)}"
    print(f"  the head's signature {'holds' if holds else 'DOES NOT HOLD'}, by {whose}")
    if not holds:
        wrong.append(f"{name}: its head is not signed by its certificate")


def _faces(line: dict[str, Any], hashes: dict[str, str], wrong: list[str]) -> None:
    """The faces that a line names, and the run's record, by their bytes."""
    if line.get("event") == "withdrawn":
        print(f"  report {line['number']} was WITHDRAWN on {line['at_utc'][:10]}: {line['reason']}")
        return
    replaces = f", in place of {line['replaces']}: {line['reason']}" if line.get("replaces") else ""
    mark = ", SIMULATED" if line.get("simulated") else ""
    print(f"  report {line['number']} of {line['part']} {line['serial']}: {line['outcome']}{mark}{replaces}")
    folder = f"runs/{line['run']}"
    for file, wanted in line["faces"].items():
        name = f"{folder}/{file}"
        if name not in hashes:
            wrong.append(f"{name}: the register names it and it is not in the bundle")
        elif hashes[name] != wanted:
            wrong.append(f"{name}: its bytes are not those of the register")
    record = hashes.get(f"{folder}/run.json")
    if line.get("record") and record != line["record"]:
        wrong.append(f"{folder}/run.json: its bytes are not those of the register")


def _runs(archive: zipfile.ZipFile, hashes: dict[str, str], wrong: list[str]) -> None:
    """The readings by the hashes in the runs' records."""
    for name in sorted(one for one in hashes if one.startswith("runs/") and one.endswith("/run.json")):
        folder = name.rpartition("/")[0]
        try:
            held = _json(archive.read(name))["hashes"]
            for file, wanted in held.items():
                if hashes.get(f"{folder}/{file}") != wanted:
                    wrong.append(f"{folder}/{file}: its bytes are not those of the run's record")
            print(f"run {folder[5:]}: {len(held)} files of readings, checked against its record")
        except (KeyError, TypeError, ValueError, AttributeError, RecursionError) as fault:
            wrong.append(f"{name}: can't be read ({fault!r})")


# ---- signatures -----------------------------------------------------------------------------------------------------


def signed(data: bytes, signature: bytes, pem: bytes) -> tuple[bool | None, str]:
    """(whether it holds, by what it was checked); None where nothing here can check it."""
    try:
        x509 = importlib.import_module("cryptography.x509")
    except ImportError:
        return _by_openssl(data, signature, pem)
    hashes = importlib.import_module("cryptography.hazmat.primitives.hashes")
    asymmetric = importlib.import_module("cryptography.hazmat.primitives.asymmetric.padding")
    curves = importlib.import_module("cryptography.hazmat.primitives.asymmetric.ec")
    invalid = importlib.import_module("cryptography.exceptions").InvalidSignature
    try:
        key = x509.load_pem_x509_certificate(pem).public_key()
        if isinstance(key, curves.EllipticCurvePublicKey):
            key.verify(signature, data, curves.ECDSA(hashes.SHA256()))
        else:
            key.verify(signature, data, asymmetric.PKCS1v15(), hashes.SHA256())
    except (invalid, x509.InvalidVersion, ValueError, TypeError):
        return False, "the package cryptography"
    return True, "the package cryptography"


def _by_openssl(data: bytes, signature: bytes, pem: bytes) -> tuple[bool | None, str]:
    command = shutil.which("openssl")
    if command is None:
        return None, "neither the package cryptography nor openssl is here"
    with tempfile.TemporaryDirectory() as folder:
        names = {name: Path(folder) / name for name in ("crt", "pub", "sig", "data")}
        for name, content in (("crt", pem), ("sig", signature), ("data", data)):
            names[name].write_bytes(content)
        made = subprocess.run(
            [command, "x509", "-in", str(names["crt"]), "-pubkey", "-noout"], capture_output=True, check=False
        )
        if made.returncode:
            return False, "openssl"
        names["pub"].write_bytes(made.stdout)
        words = ["dgst", "-sha256", "-verify", str(names["pub"]), "-signature", str(names["sig"]), str(names["data"])]
        done = subprocess.run([command, *words], capture_output=True, check=False)
        return done.returncode == 0, "openssl"


def fingerprint(pem: bytes) -> str:
    """SHA-256 of a certificate in its binary form, hex; of junk the hash of the junk."""
    body = b"".join(line for line in pem.splitlines() if not line.startswith(b"-----"))
    try:
        return hashlib.sha256(base64.b64decode(body, validate=True)).hexdigest()
    except ValueError:
        return hashlib.sha256(pem).hexdigest()


def _json(data: bytes) -> dict[str, Any]:
    def single(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
        made = dict(pairs)
        if len(made) < len(pairs):
            raise ValueError("a key stands twice")
        return made

    made = json.loads(data.decode(), object_pairs_hook=single)
    if not isinstance(made, dict):
        raise ValueError("no object")
    return made


merkle: Any = importlib.import_module("merkle" if not __package__ else "rig.certificate.seal.merkle")

if __name__ == "__main__":
    raise SystemExit(main())
