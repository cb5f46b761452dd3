"""Reports that can be checked: issued, amended, withdrawn, sealed, signed; one changed digit is found and named."""

from __future__ import annotations

import json
import random
import re
import shutil
import ssl
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import sample

from rig.certificate.faces import build_report, describe_changes
from rig.certificate.issue import Issued, issue, sign_faces, withdraw
from rig.certificate.seal.canonical import changes, differing, digest, with_check
from rig.certificate.seal.register import FILE, Register
from rig.certificate.seal.signatures import Key, is_signature_of, key_of, new_key
from rig.certificate.seal.verify import Verification, verify
from rig.certificate.seal.verify_run import verify_run
from rig.certificate.shop import load_shop
from rig.errors import RecordError, UsageError
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.result import Judgement

SHOP = """schema = "anglewright shop 1"
name = "Tallow Street Motors (invented)"
address = ["4 Tallow Street", "Lower Mill"]
city = "Lower Mill"
country = "GB"
"""
SEAL = '[seal]\nkey = "keys/shop.key.pem"\ncertificate = "keys/shop.crt.pem"\n'
REAL: dict[str, Any] = {"simulated": False, "current": True}


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> Key:
    return new_key(tmp_path_factory.mktemp("keys"), "Tallow Street Motors, test key")


def a_home(path: Path, key: Key | None = None) -> Store:
    path.mkdir(parents=True, exist_ok=True)
    (path / "shop.toml").write_text(SHOP + (SEAL if key else ""), encoding="utf-8")
    if key:
        (path / "keys").mkdir()
        for file in (key.key, key.certificate):
            (path / "keys" / file.name).write_bytes(file.read_bytes())
    return Store(path)


def issued(store: Store, judgement: Judgement | None = None, **header: Any) -> tuple[StoredRun, Issued]:
    run = sample.stored(store.home, judgement or sample.good(), sample.a_header(**(REAL | header)))
    return run, issue(store, run)


@pytest.fixture(scope="module")
def pristine(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home with one real run and its report, without a key."""
    store = a_home(tmp_path_factory.mktemp("pristine") / "home")
    issued(store)
    return store.home


@pytest.fixture
def kept(pristine: Path, tmp_path: Path) -> tuple[Store, StoredRun, str]:
    """A copy of it: store, run, the report's number."""
    store = Store(shutil.copytree(pristine, tmp_path / "home"))
    return store, store.find("latest"), Register(store.home).entries[0].number


def looked(store: Store, path: str | Path) -> Verification:
    return verify(Path(path), store.home)


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory, key: Key) -> tuple[Store, StoredRun, Issued]:
    store = a_home(tmp_path_factory.mktemp("sealed") / "home", key)
    return store, *issued(store)


# ---- the hash ---------------------------------------------------------------------------------------------------


def test_the_hash_does_not_depend_on_order_or_space() -> None:
    """The same content in another order, or read back from JSON, has the same hash; another figure has another."""
    document = with_check({"a": 1.5, "b": {"x": [1, 2], "y": "ü"}, "judged": [{"measurand": "tr_sin", "v": 0.1}]})
    again = json.loads(json.dumps(dict(reversed(document.items())), indent=3))
    assert with_check(again)["check"]["hash"] == document["check"]["hash"]
    assert differing(again) == []
    again["judged"][0]["v"] = 0.1000000000000001
    assert differing(again) == ["judged.tr_sin"]
    assert list(changes(document, again)) == [("judged.tr_sin.v", 0.1, 0.1000000000000001)]


def test_an_amended_report_does_not_name_last_bits() -> None:
    """What a later report says differently leaves out figures within 1e-9 U; a verdict or a larger move is named."""

    def face(estimate: float) -> dict[str, Any]:
        return {"judged": [{"measurand": "tr_sin", "result": {"estimate": estimate, "u": 0.001, "k": 2.0}}]}

    assert describe_changes(face(0.3), face(0.3 + 1e-12)) == []
    assert len(describe_changes(face(0.3), face(0.3 + 1e-11))) == 1


def test_a_forged_check_is_no_check() -> None:
    """Parts that fit the content but not the hash over them, a missing part or an added line are all found."""
    document = with_check({"a": 1, "judged": [{"measurand": "tr_sin", "v": 1}]})
    forged = {**document, "a": 2}
    forged["check"] = {**document["check"], "parts": with_check(forged)["check"]["parts"]}
    assert differing(forged) == ["check"]
    assert differing({**document, "b": 1}) == ["b"]
    assert differing({k: v for k, v in document.items() if k != "a"}) == ["a"]
    assert differing({**document, "judged": []}) == ["judged (order)", "judged.tr_sin"]


# ---- unchanged, altered, unknown --------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["certificate", "data", "xml", "table", "curves"])
def test_a_face_as_issued_is_unchanged(kind: str, sealed: tuple[Store, StoredRun, Issued]) -> None:
    """Every face verifies, with number, register and, where there is one, whose signature."""
    store, _, made = sealed
    found = looked(store, made.files[kind])
    assert (found.state, found.where, found.number, found.register) == ("unchanged", (), made.number, "in force")
    assert found.exit_status == 0
    assert not found.simulated
    wanted = "signed by CN=Tallow Street Motors\\, test key" if kind in ("certificate", "xml") else "unsigned"
    assert found.signature == wanted


@pytest.mark.parametrize(
    ("kind", "was", "now", "place"),
    [
        ("data", '"estimate": 9.0134', '"estimate": 9.0135', "judged.r20_exc.result.estimate: 9.0134 is now 9.0135"),
        ("data", '"Serial": "93-00417"', '"Serial": "93-00418"', "item.Serial"),
        ("data", '"simulated": false', '"simulated": true', "simulated"),
        ("xml", "<si:value>9.013<", "<si:value>9.014<", "value of anglewright_r20_exc: '9.013' is now '9.014'"),
        ("xml", "<dcc:conformity>pass<", "<dcc:conformity>fail<", "conformity of anglewright"),
        ("table", ",9.0134,", ",9.0135,", "line 2"),
    ],
)
def test_a_changed_digit_is_named(
    kind: str, was: str, now: str, place: str, sealed: tuple[Store, StoredRun, Issued], tmp_path: Path
) -> None:
    """A digit changed in JSON, XML or CSV is found and named, with what it was and what it is."""
    store, _, made = sealed
    text = Path(made.files[kind]).read_text(encoding="utf-8")
    assert was in text
    file = tmp_path / Path(made.files[kind]).name
    file.write_text(text.replace(was, now, 1), encoding="utf-8")
    found = looked(store, file)
    assert found.state == "altered"
    assert found.exit_status == 1
    assert any(place in told for told in found.where), found.where


def test_any_changed_byte_of_a_pdf_is_found(sealed: tuple[Store, StoredRun, Issued], tmp_path: Path) -> None:
    """A byte changed anywhere in the PDF is found; in what a page draws, the page is named."""
    store, _, made = sealed
    data = bytearray(Path(made.files["certificate"]).read_bytes())
    rng, named = random.Random(4), set()
    for place in [rng.randrange(20, len(data)) for _ in range(12)]:
        changed = data.copy()
        changed[place] ^= 1
        file = tmp_path / "c.pdf"
        file.write_bytes(changed)
        found = looked(store, file)
        assert found.state == "altered", place
        assert found.where
        named |= set(found.where)
    text = bytes(data)
    contents = re.search(rb"/Contents (\d+) 0 R", text)
    assert contents is not None
    start = text.index(contents[1] + b" 0 obj")
    changed = data.copy()
    changed[text.index(b"stream", start) + 40] ^= 1
    (tmp_path / "c.pdf").write_bytes(changed)
    assert any(re.fullmatch(r"page \d", told) for told in looked(store, tmp_path / "c.pdf").where)


def test_elsewhere_the_own_check_and_the_signature_speak(
    sealed: tuple[Store, StoredRun, Issued], key: Key, tmp_path: Path
) -> None:
    """Away from the register: unsigned faces are unknown, altered ones still altered; a signature speaks by its key."""
    _, _, made = sealed
    stranger = Store(tmp_path / "elsewhere")
    stranger.home.mkdir()
    assert looked(stranger, made.files["data"]).state == "unknown"
    assert looked(stranger, made.files["data"]).exit_status == 3
    is_signature_of = "signed by CN=Tallow Street Motors\\, test key, whose key this shop does not know"
    for kind in ("certificate", "xml"):
        found = looked(stranger, made.files[kind])
        assert (found.state, found.signature) == ("unknown", is_signature_of)
    file = tmp_path / "c.json"
    file.write_text(Path(made.files["data"]).read_text().replace('"estimate": 9.0134', '"estimate": 9.0135'))
    found = looked(stranger, file)
    assert (found.state, found.where) == ("altered", ("judged.r20_exc",))
    file = tmp_path / "c.xml"
    file.write_text(Path(made.files["xml"]).read_text().replace("<si:value>9.013<", "<si:value>9.014<"))
    found = looked(stranger, file)
    assert found.state == "altered"
    assert "broken" in found.signature
    friend = a_home(tmp_path / "friend", key)
    assert looked(friend, made.files["certificate"]).state == "unchanged"
    assert looked(friend, made.files["xml"]).state == "unchanged"


def test_a_forger_without_the_key_is_found(sealed: tuple[Store, StoredRun, Issued], tmp_path: Path) -> None:
    """A JSON whose check was made anew for changed figures does not fit the register."""
    store, _, made = sealed
    document = json.loads(Path(made.files["data"]).read_text())
    document["judged"][0]["result"]["estimate"] = 9.5
    file = tmp_path / "c.json"
    file.write_text(json.dumps(with_check(document)))
    found = looked(store, file)
    assert found.state == "altered"
    assert any("9.0134 is now 9.5" in told for told in found.where)


@pytest.mark.parametrize("data", [b"hello", b"%PDF-1.7 nothing", b"<?xml version='1.0'?><a/>", b"{}", b"<?xml <", b""])
def test_what_is_no_report_is_told(data: bytes, tmp_path: Path) -> None:
    """Another file is refused with what to give instead; a missing one with its path."""
    file = tmp_path / "f"
    file.write_bytes(data)
    with pytest.raises(RecordError, match=str(file)):
        verify(file, tmp_path)
    with pytest.raises(RecordError, match="can't be read"):
        verify(tmp_path / "gone.pdf", tmp_path)


def forged_json(text: str) -> str:
    return text.replace('"outcome": ', '"outcome": "within limits", "outcome": ', 1)


def comment_in_xml(text: str) -> str:
    return text.replace("<si:value>9.013<", "<si:value>9<!-- 9 -->.013<", 1)


def document_type(text: str) -> str:
    return text.replace("?>", '?><!DOCTYPE x [<!ENTITY e "9.013">]>', 1)


def wrapped(text: str) -> str:
    """Forged results as the document, the genuine one inside an object of a second signature."""
    head, body = text.split("?>", 1)
    signature = body[body.index("<ds:Signature") : body.index("</ds:Signature>") + len("</ds:Signature>")]
    forged = body.replace("<si:value>9.013<", "<si:value>8.013<").replace(signature, "")
    outer = signature.replace("</ds:Signature>", f"<ds:Object>{body}</ds:Object></ds:Signature>")
    end = forged.rindex("</dcc:digitalCalibrationCertificate>")
    return f"{head}?>{forged[:end]}{outer}{forged[end:]}"


@pytest.mark.parametrize("place", ["home", "friend"])
@pytest.mark.parametrize(
    ("kind", "forge", "words"),
    [
        ("data", forged_json, "the key 'outcome' stands twice"),
        ("xml", comment_in_xml, "a comment, entity or instruction"),
        ("xml", document_type, "a document type"),
        ("xml", wrapped, "signature"),
    ],
)
def test_what_two_readers_could_read_differently_is_altered(
    kind: str,
    forge: Any,
    words: str,
    place: str,
    sealed: tuple[Store, StoredRun, Issued],
    key: Key,
    tmp_path: Path,
) -> None:
    """A second key, a comment inside a value, a document type, a signature wrapped round: altered and named, in the
    shop and on a machine that has only the shop's certificate."""
    store, _, made = sealed
    home = store if place == "home" else a_home(tmp_path / "friend", key)
    text = Path(made.files[kind]).read_text(encoding="utf-8")
    forged = forge(text)
    assert forged != text
    file = tmp_path / Path(made.files[kind]).name
    file.write_text(forged, encoding="utf-8")
    found = looked(home, file)
    assert found.state == "altered"
    assert any(words in told for told in found.where), found.where


@pytest.mark.parametrize("kind", ["certificate", "data", "xml", "table"])
def test_only_the_same_bytes_are_unchanged(kind: str, sealed: tuple[Store, StoredRun, Issued], tmp_path: Path) -> None:
    """A space or a line feed more changes no figure, and the file is still not the one that was issued."""
    store, _, made = sealed
    file = tmp_path / Path(made.files[kind]).name
    file.write_bytes(Path(made.files[kind]).read_bytes() + b"\n")
    found = looked(store, file)
    assert (found.state, bool(found.where)) == ("altered", True)


def test_an_endless_file_is_refused(tmp_path: Path) -> None:
    """A device that never ends, or a file beyond the limit, is refused before it is read."""
    with pytest.raises(RecordError, match="is no regular file"):
        verify(Path("/dev/zero"), tmp_path)
    with (tmp_path / "large.pdf").open("wb") as handle:
        handle.truncate(1 << 40)
    with pytest.raises(RecordError, match="is larger than"):
        verify(tmp_path / "large.pdf", tmp_path)
    (tmp_path / "deep.json").write_bytes(b"[" * 200_000)
    with pytest.raises(RecordError, match="is no report"):
        verify(tmp_path / "deep.json", tmp_path)


# ---- the run behind it ------------------------------------------------------------------------------------------


def test_altered_sources_of_a_run_are_named(kept: tuple[Store, StoredRun, str]) -> None:
    """Journal, record, face and database row are each named when they are no longer what they were."""
    store, run, number = kept
    assert verify_run(store, store.find(run.id)) == []

    def changed(name: str, was: str, now: str) -> list[str]:
        path = run.path / name
        text = path.read_text(encoding="utf-8")
        assert was in text
        path.write_text(text.replace(was, now, 1), encoding="utf-8")
        told = verify_run(store, store.find(run.id))
        path.write_text(text, encoding="utf-8")
        return told

    (journal,) = changed("journal.jsonl", "22.4", "22.5")
    assert journal.startswith("journal.jsonl: altered (journal.jsonl:3: ")
    told = changed("run.json", "9.0134", "9.0135")
    assert f"run.json: altered since report {number}" in told
    assert "certificate.json: altered" in changed("certificate.json", "9.0134", "9.0135")[0]
    (run.path / "certificate.csv").unlink()
    assert verify_run(store, store.find(run.id)) == ["certificate.csv: missing"]


# ---- amended, withdrawn -----------------------------------------------------------------------------------------


def test_written_again_it_is_the_same(kept: tuple[Store, StoredRun, str]) -> None:
    """A report that was issued comes out as it was, without a new number; nothing new lies in the folder."""
    store, run, number = kept
    before = sorted(path.name for path in run.path.iterdir())
    again = issue(store, store.find(run.id))
    assert (again.again, again.number) == (True, number)
    faces = set(Register(store.home).entries[0].faces)
    assert {Path(path).name for path in again.files.values()} == {*faces, "proof.json"}
    assert sorted(path.name for path in run.path.iterdir()) == before
    assert len(Register(store.home).entries) == 1


def test_an_amended_report_says_why_what_and_in_place_of_which(kept: tuple[Store, StoredRun, str]) -> None:
    """Number, reason, each changed word and the replaced number stand in every face; the old one is replaced."""
    store, run, first = kept
    why = "the customer's name was misspelt"
    second = issue(store, store.find(run.id), reason=why, corrections={"customer": "Order desk two"})
    assert second.number == f"{first}-2"
    document = json.loads(Path(second.files["data"]).read_text())
    assert document["replaces"] == first
    assert document["amendment"]["reason"] == why
    assert document["amendment"]["changed"] == [
        "Customer: Order desk (invented), as told → Order desk two, as told",
    ]
    xml = Path(second.files["xml"]).read_text()
    for words in ("<dcc:typeOfChange>amended<", f"<dcc:replacedUniqueIdentifier>{first}<", why):
        assert words in xml
    found = looked(store, run.path / "certificate.pdf")
    assert found.state == "unchanged"
    assert found.register == f"replaced by {second.number}: {why}"
    third = issue(store, store.find(run.id), reason="the job's number was missing", corrections={"job": "TS-1181"})
    document = json.loads(Path(third.files["data"]).read_text())
    assert document["job"]["Customer"].startswith("Order desk two")
    assert document["amendment"]["changed"] == ["Job: TS-1180 → TS-1181"]


def test_a_report_that_would_now_say_something_else_needs_a_reason(kept: tuple[Store, StoredRun, str]) -> None:
    """After another judgement the report is not written over: the error names what would change and what to do."""
    store, run, _ = kept
    store.add_judgement(run.id, sample.bad())
    with pytest.raises(UsageError, match=r"would now say something else .*--reason"):
        issue(store, store.find(run.id))
    made = issue(store, store.find(run.id), reason="judged again with the right limits")
    changed = json.loads(Path(made.files["data"]).read_text())["amendment"]["changed"]
    assert any("outcome: within limits → outside limits" in told for told in changed)


@pytest.mark.parametrize(
    ("reason", "corrections", "words"),
    [
        ("", {"customer": "X"}, "needs a reason"),
        ("why", {"started_utc": "X"}, "can't be corrected"),
    ],
)
def test_corrections_are_bounded(
    reason: str, corrections: dict[str, str], words: str, kept: tuple[Store, StoredRun, str]
) -> None:
    """Only words of the header can be corrected, and never without a reason; a first report has nothing to amend."""
    store, run, _ = kept
    with pytest.raises(UsageError, match=words):
        issue(store, run, reason=reason, corrections=corrections)
    other = sample.stored(store.home, sample.good(), sample.a_header(**REAL))
    with pytest.raises(UsageError, match="nothing was issued yet"):
        issue(store, other, reason="why")


def test_a_withdrawn_report_stays_listed(kept: tuple[Store, StoredRun, str]) -> None:
    """It keeps its files and its line; verify tells that it is withdrawn and why; it can't be withdrawn twice."""
    store, run, number = kept
    with pytest.raises(UsageError, match="for a reason"):
        withdraw(store, number, " ")
    withdraw(store, run.id, "the wrong part was clamped")
    found = looked(store, run.path / "certificate.pdf")
    assert found.state == "unchanged"
    assert re.fullmatch(r"withdrawn on \d{4}-\d\d-\d\d: the wrong part was clamped", found.register)
    with pytest.raises(UsageError, match="Nothing is left to do"):
        withdraw(store, number, "again")
    with pytest.raises(UsageError, match="no report"):
        withdraw(store, "AW-1", "why")


# ---- the register -----------------------------------------------------------------------------------------------


def test_the_chain_shows_a_changed_a_removed_and_a_cut_line(kept: tuple[Store, StoredRun, str]) -> None:
    """A line changed, taken out or cut short is told with its place; later lines are still read and added."""
    store, _, _ = kept
    first = Register(store.home).entries[0]
    for n in (2, 3):
        Register(store.home).add(replace(first, number=f"AW-20261125-101500-000{n}"))
    path = store.home / FILE
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    assert Register(store.home).faults == ()
    path.write_text("".join([lines[0], lines[1].replace("93-00417", "93-00418"), lines[2]]), encoding="utf-8")
    assert Register(store.home).faults[0] == f"line 2 ({Register(store.home).entries[1].number}) was changed"
    assert "its first 3 lines are not those of its tree head" in Register(store.home).faults[1]
    path.write_text("".join([lines[0], lines[2]]), encoding="utf-8")
    assert "is missing, moved or changed" in Register(store.home).faults[0]
    path.write_text("".join([*lines[:2], lines[2][:40]]), encoding="utf-8")
    register = Register(store.home)
    assert register.faults[0] == "line 3 is damaged"
    assert len(register.entries) == 2
    Register(store.home).add(replace(first, number="AW-20261125-101500-0004"))
    assert Register(store.home).find("AW-20261125-101500-0004") is not None


@pytest.mark.parametrize("character", ["\u2028", "\u0085", "\x1c", "\n", "\x00", "\u202e"])
def test_a_character_that_cuts_a_line_is_refused_by_name(character: str, kept: tuple[Store, StoredRun, str]) -> None:
    """A reason or a word of the header with a control or separator character never reaches the register."""
    store, run, number = kept
    before = (store.home / FILE).read_bytes()
    code = f"U+{ord(character):04X}"
    with pytest.raises(UsageError, match=re.escape(code)):
        withdraw(store, number, f"wrong{character}part")
    with pytest.raises(UsageError, match=re.escape(code)):
        issue(store, store.find(run.id), reason="misread", corrections={"serial": f"93{character}1"})
    with pytest.raises(UsageError, match=re.escape(code)):
        store.begin(sample.a_header(serial=f"93{character}1"))
    assert (store.home / FILE).read_bytes() == before
    assert Register(store.home).state(number) == "in force"


def test_a_line_of_an_older_register_ends_at_its_line_feed(kept: tuple[Store, StoredRun, str]) -> None:
    """A separator character that a line holds already cuts nothing; a byte that is not UTF-8 is one damaged line."""
    store, _, number = kept
    path = store.home / FILE
    entry = Register(store.home).entries[0]
    line = {key: value for key, value in json.loads(path.read_bytes()).items() if key != "chain"}
    line |= {"n": 2, "previous": entry.chain, "number": f"{number}-2", "replaces": number, "reason": "a\u2028b\u0085c"}
    line["chain"] = digest(line)
    with path.open("ab") as handle:
        handle.write(json.dumps(line, ensure_ascii=False).encode() + b"\n")
    assert Register(store.home).faults == ()
    assert Register(store.home).state(number) == f"replaced by {number}-2: a\u2028b\u0085c"
    with path.open("ab") as handle:
        handle.write(b'{"number": "\xff"}\n')
    assert Register(store.home).faults == ("line 3 is damaged",)
    assert len(Register(store.home).entries) == 2


# ---- simulated runs and keys ------------------------------------------------------------------------------------


def test_a_simulated_run_can_never_be_sealed(key: Key, tmp_path: Path) -> None:
    """Even with a key its report is unsigned, without code and unsealed; asked for outright, sealing is refused."""
    store = a_home(tmp_path / "home", key)
    run = sample.stored(store.home, sample.good())
    made = issue(store, run)
    entry = Register(store.home).entries[0]
    assert (entry.sealed, entry.signed, entry.simulated) == (False, False, True)
    for kind in ("certificate", "data", "xml"):
        found = looked(store, made.files[kind])
        assert (found.state, found.signature, found.simulated) == ("unchanged", "unsigned", True)
    shop = load_shop(store.home)
    assert shop is not None
    with pytest.raises(UsageError, match="is simulated: its report can't be sealed"):
        sign_faces(build_report(run, issued_utc=sample.ISSUED, shop=shop), key_of(shop))


def test_a_real_run_without_a_key_is_sealed_but_unsigned(kept: tuple[Store, StoredRun, str]) -> None:
    """Number and hash stand on the page as a code; there is no signature, and verify says so."""
    store, run, _ = kept
    entry = Register(store.home).entries[0]
    assert (entry.sealed, entry.signed) == (True, False)
    assert looked(store, run.path / "certificate.pdf").signature == "unsigned"


def test_keys_are_never_overwritten_and_missing_ones_are_named(key: Key, tmp_path: Path) -> None:
    """A second key is refused; a shop file that names a key which is not there is told by path; the key is private."""
    with pytest.raises(UsageError, match="holds a key already"):
        new_key(key.key.parent, "again")
    assert key.key.stat().st_mode & 0o077 == 0
    store = a_home(tmp_path / "home", key)
    (store.home / "keys" / "shop.key.pem").unlink()
    shop = load_shop(store.home)
    assert shop is not None
    with pytest.raises(UsageError, match=r"shop\.key\.pem is not there"):
        key_of(shop)
    assert key_of(shop.model_copy(update={"seal": None})) is None


def test_without_the_extra_a_signature_is_refused_clearly(key: Key, tmp_path: Path, monkeypatch: Any) -> None:
    """Where the signing libraries are missing the error names them and the extra to install."""
    store = a_home(tmp_path / "home", key)
    shop = load_shop(store.home)
    assert shop is not None
    monkeypatch.setattr("rig.certificate.seal.signatures.find_spec", lambda _: None)
    with pytest.raises(UsageError, match=r"anglewright\[seal\]"):
        key_of(shop)


def test_a_run_of_a_changed_serial_has_its_own_line(kept: tuple[Store, StoredRun, str]) -> None:
    """Header words as corrected stand in the register too."""
    store, run, _ = kept
    issue(store, store.find(run.id), reason="misread", corrections={"serial": "93-00471"})
    entry = Register(store.home).entries[-1]
    assert (entry.serial, entry.event, entry.reason) == ("93-00471", "amended", "misread")
    assert replace(entry, n=0).corrections == {"serial": "93-00471"}


@pytest.mark.parametrize("byte", range(10, 16))
def test_a_certificate_with_a_changed_byte_signs_nothing(byte: int, key: Key) -> None:
    """Its version among them: junk of any kind is no signature, and never a traceback."""
    der = bytearray(ssl.PEM_cert_to_DER_cert(key.certificate.read_text(encoding="ascii")))
    der[byte] ^= 0x40
    assert not is_signature_of(b"words", b"no signature", ssl.DER_cert_to_PEM_cert(bytes(der)).encode())
