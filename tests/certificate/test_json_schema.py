"""The JSON face against its published schema (fixtures/reference/certificate.schema.json)."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import sample

from rig.certificate.faces import build_report
from rig.certificate.shop import Shop
from rig.description.places import packaged_fixtures
from rig.records.store import Store
from rig.result import Judgement

SHOP = Shop(name="Tallow Street Motors (invented)", address=("4 Tallow Street",), country="GB")
CASES: dict[str, Callable[[], Judgement]] = {
    "good": sample.good,
    "bad": sample.bad,
    "unsound": sample.unsound,
    "empty": lambda: Judgement(outcome="incomplete", judged=(), reasons=(), findings=()),
}


@pytest.fixture(scope="module")
def schema() -> Any:
    made = json.loads((packaged_fixtures() / "reference" / "certificate.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(made)
    return jsonschema.Draft202012Validator(made)


def face(tmp: Path, judgement: Judgement, **more: Any) -> dict[str, Any]:
    run = sample.stored(tmp, judgement)
    made = build_report(run, issued_utc=sample.ISSUED, shop=SHOP, **more)
    data: dict[str, Any] = json.loads(next(data for kind, _, data in made.faces if kind == "data"))
    return data


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return face(tmp_path_factory.mktemp("home"), sample.good())


@pytest.mark.parametrize("case", CASES)
def test_every_face_fits_the_schema(case: str, schema: Any, tmp_path: Path) -> None:
    """Good, bad, unsound and empty runs give a JSON face that the published schema accepts."""
    assert [error.message for error in schema.iter_errors(face(tmp_path, CASES[case]()))] == []


def test_an_amended_face_fits_too(schema: Any, good: dict[str, Any], tmp_path: Path) -> None:
    """With reason and changes it is accepted; without a reason it is not."""
    data = face(tmp_path, sample.good(), issue=2, reason="why", previous=good)
    assert [error.message for error in schema.iter_errors(data)] == []
    data["amendment"]["reason"] = ""
    assert not schema.is_valid(data)


CHANGES: dict[str, Callable[[dict[str, Any]], Any]] = {
    "no check": lambda d: d.pop("check"),
    "unknown key": lambda d: d.update(extra=1),
    "simulated as text": lambda d: d.update(simulated="yes"),
    "unknown outcome": lambda d: d.update(outcome="fine"),
    "unknown verdict": lambda d: d["judged"][0].update(verdict="good"),
    "verdict without limit": lambda d: d["judged"][0].update(limit=None),
    "verdict without result": lambda d: d["judged"][0].update(result=None),
    "estimate as text": lambda d: d["judged"][0]["result"].update(estimate="9.01"),
    "unknown origin": lambda d: d["judged"][0]["limit"].update(origin="somebody"),
    "short hash": lambda d: d["hashes"].update({"run.json": "00"}),
    "negative share": lambda d: d["judged"][0]["result"]["budget"][0].update(u=-1.0),
    "other schema": lambda d: d.update(schema="anglewright certificate 2"),
}


@pytest.mark.parametrize("name", CHANGES)
def test_what_is_wrong_is_refused(name: str, schema: Any, good: dict[str, Any]) -> None:
    """Each of these faults is refused by the schema."""
    data = copy.deepcopy(good)
    CHANGES[name](data)
    assert not schema.is_valid(data)


def test_a_real_home_gives_the_same_face(schema: Any, tmp_path: Path) -> None:
    """What lies in a run's folder is what was checked: read back it fits."""
    run = sample.stored(tmp_path, sample.good())
    path = Store(tmp_path).add_file(run.id, "certificate.json", build_report(run, shop=SHOP).faces[1][2])
    schema.validate(json.loads(path.read_text(encoding="utf-8")))
