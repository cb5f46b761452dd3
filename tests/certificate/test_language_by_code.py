"""Reasons and findings in German by their code: every row has its words and places; English stays English."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
import sample

from rig.certificate.content.report import build_content
from rig.certificate.page.pdf import template_data
from rig.certificate.shop import Shop
from rig.certificate.words.language import language, translate
from rig.certificate.words.phrase import join_texts, phrase
from rig.findings.findings import PATTERNS
from rig.review.witness.given_reasons import GIVEN, MEASURE_AGAIN
from rig.soundness.soundness import BY_CODE

DE = language("de")


def test_every_rule_and_pattern_has_its_german_words() -> None:
    """Text and next action of each code, with the same places, and no row of a code that is gone."""
    rows = {code: {"text": rule.text, "next": rule.next} for code, rule in BY_CODE.items()}
    rows |= {code: {"text": text, "next": MEASURE_AGAIN} for code, text in GIVEN.items()}
    hints = {one.code: {"text": one.text, "next_test": one.next_test} for one in PATTERNS}
    for english, german in ((rows, DE.reasons), (hints, DE.findings)):
        assert set(german) == set(english)
        for code, fields in english.items():
            assert set(german[code]) == set(fields), code
            for name, text in fields.items():
                assert re.findall(r"{\w+}", german[code][name]) == re.findall(r"{\w+}", text), (code, name)


@pytest.mark.parametrize("code", ["channel-silent", "seat-off-centre"])
def test_a_reason_is_said_by_its_code(code: str, tmp_path: Path) -> None:
    """Text and next action in German, the subject too; words of a record that are not the row's stay as they are."""
    rule = BY_CODE[code]
    reason = replace(
        sample.unsound().reasons[0], code=code, text=rule.text.format(name="sine"), next=rule.next, evidence="31\u2032"
    )
    judgement = replace(sample.unsound(), reasons=(reason, replace(reason, text="another case", next=rule.next)))
    run = sample.stored(tmp_path, judgement, sample.a_header(simulated=False))
    data = template_data(build_content(run, judgement, issued_utc=sample.ISSUED), Shop(name="T", language="de"))
    first, second = data["reasons"]
    assert first["text"] == DE.reasons[code]["text"].replace("{name}", "Sinus")
    assert first["next"] == second["next"] == DE.reasons[code]["next"]
    assert second["text"] == "another case" and first["evidence"] == "31\u2032"


def test_a_phrase_is_said_by_key_and_places() -> None:
    """Never by taking a finished sentence apart: what stands in a place may hold the words of the key."""
    text = phrase("Traceability not established ({why}).", why=phrase("{role}: overdue", role="multimeter"))
    assert text == "Traceability not established (multimeter: overdue)."
    assert DE.say(text) == "Rückführung nicht belegt (Multimeter: überfällig)."
    both = join_texts("; ", [text, phrase("{n} pass", n="2.5")])
    assert DE.say(both) == "Rückführung nicht belegt (Multimeter: überfällig).; 2,5 bestanden"
    assert translate({"a": both}, language("en"))["a"] == both
    odd = phrase("{customer}, as told", customer="All results {n}")
    assert DE.say(odd).startswith("Alle") is False or "{n}" in DE.say(odd)
