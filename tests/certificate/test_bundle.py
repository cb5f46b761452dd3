"""A bundle that anybody can check: whole, altered in each part, with the package, with openssl, with neither."""

from __future__ import annotations

import json
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from test_register_tree import several
from test_seals import issued

from rig.certificate.bundle import verifier
from rig.certificate.issue import issue, withdraw
from rig.certificate.seal.register import Register
from rig.certificate.seal.signatures import Key, new_key
from rig.errors import UsageError
from rig.jobs.kept.carrying import bundle_of
from rig.records.store import Store


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Key]:
    """A bundle of two runs, one amended, one withdrawn, from a register of five lines; the verifier; the key."""
    folder = tmp_path_factory.mktemp("bundle")
    key = new_key(folder / "keys", "Tallow Street Motors, test key")
    store = several(folder / "home", key)
    runs = [store.find(run) for run in store.ids()[:2]]
    issue(store, runs[0], reason="customer's name", corrections={"customer": "Mill"})
    withdraw(store, Register(store.home).entries[1].number, "wrong unit")
    path, program = bundle_of(store, runs, folder / "bundle.zip")
    return path, program, key


def run(program: Path, *words: object, path: str | None = None) -> tuple[int, str]:
    env = {"PATH": path if path is not None else "/usr/bin:/bin"}
    done = subprocess.run(
        [sys.executable, "-I", str(program), *map(str, words)], capture_output=True, text=True, check=False, env=env
    )
    return done.returncode, done.stdout + done.stderr


def test_it_checks_itself(made: tuple[Path, Path, Key]) -> None:
    """Everything holds: list, signature, register, readings; amended and withdrawn reports are named as such."""
    path, program, key = made
    status, said = run(program, path, "--certificate", key.certificate)
    assert status == 0, said
    assert "signature over the list: holds (by the package cryptography)" in said
    assert "was WITHDRAWN on" in said and "in place of AW-" in said
    assert "What it does not prove" in said and "each in the tree of its head" in said


@pytest.mark.parametrize("openssl", [True, False])
def test_without_the_package_openssl_or_hashes_alone(
    made: tuple[Path, Path, Key], openssl: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """By openssl the signature is checked too; without both it says that only hashes were checked."""
    path, _, _ = made
    monkeypatch.setitem(sys.modules, "cryptography.x509", None)
    if not openssl:
        monkeypatch.setattr(verifier.shutil, "which", lambda _: None)
    assert verifier.main([str(path)]) == 0
    said = capsys.readouterr().out
    assert ("holds (by openssl)" in said) is openssl
    assert ("only hashes were checked" in said) is not openssl


def test_every_altered_part_is_found(
    made: tuple[Path, Path, Key], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A byte of each file, a file left out or added; list and hashes made to fit: the signature tells; signature and
    certificate made anew: the given certificate tells; a line of the register made to fit: the tree tells."""
    path, _, key = made
    with zipfile.ZipFile(path) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}

    def status(changed: dict[str, bytes | None], *words: str) -> int:
        file = tmp_path / "changed.zip"
        with zipfile.ZipFile(file, "w") as new:
            for name, data in (files | changed).items():
                if data is not None:
                    new.writestr(name, data)
        return verifier.main([str(file), *words])

    assert status({}) == 0
    for name, data in files.items():
        middle = len(data) // 2
        assert status({name: data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :]}) in (1, 2), name
        if name != verifier.SIGNATURE:
            assert status({name: None}) in (1, 2), name
    assert status({"more.txt": b"x"}) == 1
    import hashlib

    pdf = next(name for name in files if name.endswith("certificate.pdf"))
    forged = files[pdf] + b" "
    manifest = json.loads(files["manifest.json"])
    manifest["files"][pdf] = hashlib.sha256(forged).hexdigest()
    assert status({pdf: forged, "manifest.json": json.dumps(manifest).encode()}) == 1
    other = new_key(tmp_path / "keys", "somebody else")
    from rig.certificate.seal.signatures import sign_bytes

    crt = other.certificate.read_bytes()
    manifest = json.loads(files["manifest.json"])
    manifest["files"][verifier.CERTIFICATE] = hashlib.sha256(crt).hexdigest()
    stated = json.dumps(manifest).encode()
    anew = {"manifest.json": stated, verifier.CERTIFICATE: crt, verifier.SIGNATURE: sign_bytes(stated, other)}
    assert status(anew, "--certificate", str(key.certificate)) == 1
    name = next(one for one in files if one.startswith("register/"))
    extract = json.loads(files[name])
    extract["lines"][0]["line"] = extract["lines"][0]["line"].replace("within limits", "outside limits")
    changed = json.dumps(extract).encode()
    manifest = json.loads(files["manifest.json"])
    manifest["files"][name] = hashlib.sha256(changed).hexdigest()
    assert status({name: changed, "manifest.json": json.dumps(manifest).encode(), verifier.SIGNATURE: None}) == 1
    assert "is not in the tree of its head" in capsys.readouterr().out


def test_no_bundle(tmp_path: Path) -> None:
    """Junk, an empty archive, a missing file: status 2 and one line, never a traceback."""
    (tmp_path / "junk").write_bytes(b"x" * 200)
    with zipfile.ZipFile(tmp_path / "empty.zip", "w") as archive:
        archive.writestr("manifest.json", "[" * 5000)
    for name in ("junk", "empty.zip", "gone.zip"):
        assert verifier.main([str(tmp_path / name)]) == 2
    assert verifier.main([]) == 2


def test_a_run_without_a_report_is_refused(tmp_path: Path) -> None:
    """It names the command that issues one."""
    import sample

    store = Store(tmp_path / "home")
    stored = sample.stored(store.home, sample.good())
    with pytest.raises(UsageError, match="has no report"):
        bundle_of(store, [stored], tmp_path / "b.zip")
    _, made = issued(Store(tmp_path / "two"))
    assert made.number
