"""A job carried from home to home with what vouches for its reports: the register's lines, signed by the shop's key.

    carry_out(store, job, file)      take_in(store, file)

What travels: the register's lines of the job's runs, each with the proof that it is in the tree of a signed head; the
proof that this head continues every one that left the house before; the shop's certificate; a signature over the
manifest. Lines of other homes' registers travel on as they came.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rig.certificate.bundle.bundle import write_bundle
from rig.certificate.pending import settle
from rig.certificate.seal import heads
from rig.certificate.seal.extract import Extract, load_extract, make_extract
from rig.certificate.seal.foreign import check_carried
from rig.certificate.seal.register import Register
from rig.certificate.seal.signatures import Key, is_signature_of, key_of, sign_bytes
from rig.certificate.shop import Shop, load_shop, shop_for
from rig.errors import RecordError
from rig.records.exchange.arriving import Imported, import_job
from rig.records.exchange.leaving import Exported, export_job, runs_of_job
from rig.records.exchange.manifest import SIGNATURE
from rig.records.files import read_file, read_json, to_json, utc_now
from rig.records.run.stored import StoredRun
from rig.records.schema import dump
from rig.records.store import Store

CERTIFICATE = "shop.crt.pem"


def carry_out(store: Store, job: str, file: Path) -> Exported:
    """Write a job into a new file. Raises UsageError for a job of which nothing is kept, RecordError (disk)."""
    settle(store.home)
    shop = _shop(store, job)
    key = key_of(shop)
    runs = {run.id for run in runs_of_job(store, job)}
    registers = dict(extracts_of(store, runs, shop, key, of=f"job {job}"))
    if key is not None:
        registers[CERTIFICATE] = read_file(key.certificate)
    sign = None if key is None else lambda data: sign_bytes(data, key)
    return export_job(store, job, file, registers=registers, sign=sign)


def _shop(store: Store, job: str) -> Shop:
    """Whose register it is: by the shop file, else by the bench of the job's newest run."""
    runs = runs_of_job(store, job)
    return shop_for(store.home, runs[-1].header.bench) if runs else load_shop(store.home) or Shop()


def take_in(store: Store, file: Path) -> Imported:
    """Take a job from a file into a home. Raises RecordError for whatever was altered: nothing is taken in then."""
    return import_job(store, file, check=lambda staged, manifest, signature: _check(store, staged, manifest, signature))


def bundle_of(store: Store, runs: Sequence[StoredRun], file: Path) -> tuple[Path, Path]:
    """Write runs with their reports into a bundle (rig/certificate/bundle); the bundle and its verifier."""
    settle(store.home)
    shop = shop_for(store.home, runs[0].header.bench)
    key = key_of(shop)
    extracts = extracts_of(store, {run.id for run in runs}, shop, key, of=f"bundle {file.name}")
    return write_bundle(file, runs, extracts, shop, key)


def extracts_of(store: Store, runs: set[str], shop: Shop, key: Key | None, *, of: str) -> Mapping[str, bytes]:
    """File name -> extract of every register that holds a report of these runs; the own one's head is put down as given
    away."""
    register = Register(store.home)
    made: dict[str, bytes] = {}
    if any(entry.run in runs for entry in register.entries):
        at_utc = utc_now()
        earlier = [head for head in heads.read_heads(store.home)[0] if head.carried_to]
        head = heads.add(store.home, register.leaves, at_utc=at_utc, key=key, carried_to=of)
        own = make_extract(
            register.lines,
            register.leaves,
            lambda entry: entry.run in runs,
            head=head,
            shop=shop.name,
            certificate=shop.seal_certificate() or b"",
            earlier=earlier,
            of=of,
        )
        made[file_name(own)] = to_json(dump(own))
    for one in register.foreign:
        for extract in one.extracts:
            if any(entry.run in runs for entry in extract.entries):
                made[file_name(extract)] = to_json(dump(extract))
    return made


def file_name(extract: Extract) -> str:
    """Of an extract: its log, its head's root, and what it is for; another extract has another name."""
    from rig.certificate.seal.canonical import digest

    return f"{extract.head.log[:16]}-{extract.head.root[:16]}-{digest(dump(extract))[:8]}.json"


def _check(store: Store, staged: Path, manifest: bytes, signature: bytes) -> None:
    register = Register(store.home)
    extracts: list[tuple[Path, Extract]] = []
    for file in sorted(staged.glob("register/*.json")):
        data: dict[str, Any] = read_json(file)
        extract = load_extract(data, str(file))
        if file.name != file_name(extract):
            raise RecordError(f"{file}: does not bear the name of what it holds.")
        check_carried(extract, register.foreign, register.lines, str(file))
        extracts.append((file, extract))
    signer = staged / "register" / CERTIFICATE
    if signature and not (signer.exists() and is_signature_of(manifest, signature, read_file(signer))):
        raise RecordError(f"{staged / SIGNATURE}: is not of the certificate that came with the job.")
