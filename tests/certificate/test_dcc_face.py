"""The XML face: valid against the published schema, sound by the rules, and with the page's own figures."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import sample
import xmlschema
from lxml import etree

from rig.certificate.content.report import build_content
from rig.certificate.dcc.document import dcc
from rig.certificate.dcc.rules import RULES, faults
from rig.certificate.dcc.vocabulary import UNITS, is_unit
from rig.certificate.dcc.writer import NS, decimal
from rig.certificate.shop import Shop
from rig.certificate.words.wording import LADDERS, PLAIN, display
from rig.errors import RecordError, UsageError
from rig.result import Judgement

SHARED = os.environ.get("ANGLEWRIGHT_SHARED")
SCHEMA = Path(SHARED or "/nowhere") / "schemas" / "dcc" / "v3.3.0" / "dcc.xsd"
needs_schema = pytest.mark.skipif(
    not SCHEMA.exists(), reason="NO DCC SCHEMA: set ANGLEWRIGHT_SHARED to the folder with schemas/dcc"
)
SHOP = Shop(
    name="Tallow Street Motors (invented)", address=("4 Tallow Street", "Lower Mill"), city="Mill", country="GB"
)
CASES: dict[str, Callable[[], Judgement]] = {"good": sample.good, "bad": sample.bad, "unsound": sample.unsound}


def xml_of(tmp: Path, judgement: Judgement, shop: Shop = SHOP, **header: Any) -> bytes:
    run = sample.stored(tmp, judgement, sample.a_header(**header))
    said = build_content(run, judgement, issued_utc=sample.ISSUED, shop=shop)
    return dcc(said, run, judgement, shop=shop, issued_utc=sample.ISSUED, check="ab" * 32)


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return xml_of(tmp_path_factory.mktemp("home"), sample.good())


@cache
def validators() -> tuple[etree.XMLSchema, xmlschema.XMLSchema]:
    return etree.XMLSchema(etree.parse(str(SCHEMA))), xmlschema.XMLSchema(str(SCHEMA))


@needs_schema
@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("also", [(), ("de",)])
def test_it_is_valid_by_two_validators(case: str, also: tuple[Any, ...], tmp_path: Path) -> None:
    """A good, a bad and an unsound run, in one language and in two, are valid DCC 3.3.0 by lxml and by xmlschema."""
    xml = xml_of(tmp_path, CASES[case](), SHOP.model_copy(update={"also": also}))
    by_lxml, by_xmlschema = validators()
    by_lxml.assertValid(etree.fromstring(xml))
    assert [str(error.reason) for error in by_xmlschema.iter_errors(xml.decode())] == []
    assert faults(xml) == []


@needs_schema
@pytest.mark.parametrize("outcome", ["incomplete", "not this kind"])
def test_a_run_without_lines_is_valid_too(outcome: str, tmp_path: Path) -> None:
    """A run with nothing judged still gives a valid document that says so."""
    xml = xml_of(tmp_path, Judgement(outcome=outcome, judged=(), reasons=(), findings=()), instruments={}, customer="")
    validators()[0].assertValid(etree.fromstring(xml))
    assert faults(xml) == []
    assert b"Nothing was judged in this run." in xml


def test_its_figures_are_those_of_the_page(good: bytes) -> None:
    """Value, U, k and unit of a quantity are the characters of the printed line; angles are in degrees."""
    root = etree.fromstring(good)
    for id_ in ("r20_exc", "tr_sin", "null_total_sin_v", "l_exc", "tr_imbalance", "thermistor_degc"):
        shown = display(sample.a_line(id_))
        quantity = root.find(f".//dcc:quantity[@refType='anglewright_{id_}']", NS)
        assert quantity is not None
        assert quantity.findtext("si:real/si:value", namespaces=NS) == shown.estimate.replace("\u2212", "-")
        assert quantity.findtext(".//si:valueExpandedMU", namespaces=NS) == shown.U
        assert quantity.findtext(".//si:coverageFactor", namespaces=NS) == shown.k
        assert quantity.findtext("si:real/si:unit", namespaces=NS) == UNITS[shown.unit]
    quantity = root.find(".//dcc:quantity[@refType='anglewright_error_max_elec_arcmin']", NS)
    assert quantity is not None
    assert float(quantity.findtext("si:real/si:value", namespaces=NS) or 0) == pytest.approx(38.4 / 60.0, abs=0.005)
    assert quantity.findtext("si:real/si:unit", namespaces=NS) == r"\degree"


def test_conformity_is_said_only_where_it_was_decided(good: bytes, tmp_path: Path) -> None:
    """Pass and fail carry the DCC's words; no limit and not tested carry a text and no word; bounds are no number."""
    root = etree.fromstring(good)

    def told(id_: str) -> tuple[str | None, str]:
        quantity = root.find(f".//dcc:quantity[@refType='anglewright_{id_}']", NS)
        assert quantity is not None
        return quantity.findtext(".//dcc:conformity", namespaces=NS), "".join(quantity.itertext())

    assert told("r20_sin")[0] == "pass"
    assert told("thermistor_ohm")[0] is None
    assert "no limit" in told("thermistor_ohm")[1]
    assert told("leak_thermistor")[0] is None
    assert "not tested" in told("leak_thermistor")[1]
    assert told("leak_exc_core")[0] == "pass"
    assert "> 1.21 GΩ" in told("leak_exc_core")[1]
    root = etree.fromstring(xml_of(tmp_path, sample.bad()))
    assert told("tr_sin")[0] == "fail"


def test_it_says_what_it_must(good: bytes, tmp_path: Path) -> None:
    """Simulated, not accredited, not traceable, hash, dates and number stand in it; a real bench is traceable."""
    root = etree.fromstring(good)
    text = "".join(root.itertext())
    for words in ("SIMULATED", "non-accredited", "not established", "ab" * 32, "93-00417", "2026-11-25", "Lower Mill"):
        assert words in text
    assert [e.text for e in root.iterfind(".//dcc:traceable", NS)] == ["false"]
    real = etree.fromstring(xml_of(tmp_path, sample.good(), simulated=False, current=True))
    assert [e.text for e in real.iterfind(".//dcc:traceable", NS)] == ["true"]
    assert "SIMULATED" not in "".join(real.itertext())


def test_both_languages_stand_side_by_side(tmp_path: Path) -> None:
    """With a second language every text of ours is there twice, and names only once."""
    root = etree.fromstring(xml_of(tmp_path, sample.good(), SHOP.model_copy(update={"also": ("de",)})))
    quantity = root.find(".//dcc:quantity[@refType='anglewright_r20_sin']/dcc:name", NS)
    assert quantity is not None
    assert [(c.get("lang"), c.text) for c in quantity] == [
        ("en", "Coil resistance, sine, at 20 °C"),
        ("de", "Spulenwiderstand, Sinus, bei 20 °C"),
    ]
    names = root.findall(".//dcc:calibrationLaboratory/dcc:contact/dcc:name/dcc:content", NS)
    assert [(c.get("lang"), c.text) for c in names] == [(None, SHOP.name)]


def test_without_a_country_there_is_no_document(tmp_path: Path) -> None:
    """The DCC can't be without a country: the error says where to put it."""
    with pytest.raises(UsageError, match=r"country.*shop\.toml"):
        xml_of(tmp_path, sample.good(), Shop(name="Nowhere"))


def test_what_is_no_figure_is_never_encoded() -> None:
    """Infinity and NaN are refused, though the schema lets NaN through."""
    for value in (float("nan"), float("inf")):
        with pytest.raises(UsageError, match="is no figure"):
            decimal(value)
    assert decimal(1e-5) == "1e-05"


def test_every_shown_unit_is_a_dsi_unit() -> None:
    """Each unit that a line can be printed in has its D-SI name."""
    shown = {unit for ladder in LADDERS.values() for _, unit in ladder} | set(PLAIN.values()) | {"%"}
    for unit in shown - {"′", "°F"}:
        assert is_unit(UNITS[unit]), unit
    for token in ("furlong", r"\furlong", r"\milli", r"\milli\milli\volt", r"\volt ", "volt", ""):
        assert not is_unit(token)
    assert is_unit(r"\metre\tothe{2}")
    assert is_unit(r"\volt\per\ampere")


# ---- the rules, each broken once ----------------------------------------------------------------------------------

BROKEN: list[tuple[str, str, str]] = [
    ("methods", "<dcc:usedMethods>", ""),
    ("influence conditions", "<dcc:influenceConditions>", ""),
    ("software named", "<dcc:usedSoftware>", ""),
    ("units", r"<si:unit>\ohm</si:unit>", "<si:unit>furlong</si:unit>"),
    ("units", r"<si:unit>\ohm</si:unit>", r"<si:unit>\milli \ohm</si:unit>"),
    ("list spaces", r"<si:unitXMLList>\degree</si:unitXMLList>", r"<si:unitXMLList> \degree</si:unitXMLList>"),
    ("list lengths", r"<si:unitXMLList>\degree<", r"<si:unitXMLList>\degree \degree<"),
    ("units said once", r"<si:unitXMLList>\degree<", r"<si:unitXMLList>\degree \degree<"),
    ("list lengths", "<si:valueXMLList>0 ", "<si:valueXMLList>"),
    ("numbers", "<si:coverageFactor>2.00<", "<si:coverageFactor>2e0<"),
    ("numbers", "<si:coverageFactor>2.00<", "<si:coverageFactor>0.95<"),
    ("numbers", "<si:coverageProbability>0.9545<", "<si:coverageProbability>9.5e-1<"),
    ("numbers", "<si:value>9.013<", "<si:value>NaN<"),
    ("numbers", "<si:value>9.013<", "<si:value>inf<"),
    ("numbers", "<si:value>9.013<", "<si:value>9,013<"),
    ("languages", '<dcc:content lang="en">Serial', '<dcc:content lang="fr">Serial'),
    ("languages", "<dcc:usedLangCodeISO639_1>en<", "<dcc:usedLangCodeISO639_1>qq<"),
    ("languages", "<dcc:mandatoryLangCodeISO639_1>en<", "<dcc:mandatoryLangCodeISO639_1>de<"),
    ("country", "<dcc:countryCodeISO3166_1>GB<", "<dcc:countryCodeISO3166_1>ZZ<"),
    ("dates", "<dcc:endPerformanceDate>2026-11-25<", "<dcc:endPerformanceDate>2026-11-24<"),
    ("dates", "<dcc:issueDate>2026-11-25<", "<dcc:issueDate>25.11.2026<"),
    ("release", "<dcc:release>v0.1.0<", "<dcc:release>0.1.0<"),
    ("references", "<dcc:measurementResult>", '<dcc:measurementResult refId="gone">'),
    ("conformity", "<dcc:conformity>pass<", "<dcc:conformity>ok<"),
    ("declaration", "<dcc:declaration>", "<dcc:description>"),
    (
        "relative uncertainty",
        "</si:real>",
        "</si:real><dcc:relativeUncertainty><dcc:relativeUncertaintySingle><si:value>0.5</si:value>"
        "<si:unit>\\one</si:unit></dcc:relativeUncertaintySingle></dcc:relativeUncertainty>",
    ),
    (
        "amended",
        "</dcc:coreData>",
        "<dcc:reportAmendedSubstituted><dcc:typeOfChange>amended</dcc:typeOfChange><dcc:replacedUniqueIdentifier>"
        "NUMBER</dcc:replacedUniqueIdentifier></dcc:reportAmendedSubstituted></dcc:coreData>",
    ),
    ("non-SI units", "</dcc:statement>", "<dcc:nonSIUnit>|furlong</dcc:nonSIUnit></dcc:statement>"),
]


@pytest.mark.parametrize(("rule", "was", "put"), BROKEN)
def test_a_broken_rule_is_named(rule: str, was: str, put: str, good: bytes) -> None:
    """Each rule finds what it is for, in a document that was sound before, and says on which line."""
    text = good.decode()
    number = text.partition("<dcc:uniqueIdentifier>")[2].partition("<")[0]
    assert was in text
    if put == "":
        end = was.replace("<", "</")
        changed = "".join(part.partition(end)[2] if n else part for n, part in enumerate(text.split(was)))
    elif put == "<dcc:description>":
        changed = text.replace(was, put).replace("</dcc:declaration>", "</dcc:description>")
    else:
        changed = text.replace(was, put.replace("NUMBER", number))
    found = faults(changed.encode())
    assert rule in {fault.rule for fault in found}
    assert all(fault.where.startswith("line ") and fault.text for fault in found)


def test_every_rule_is_broken_once_here() -> None:
    """No rule stands without a case that breaks it."""
    assert {name for _, name, _ in RULES} == {rule for rule, _, _ in BROKEN}


@pytest.mark.parametrize("text", [b"no xml", b"<a/>"])
def test_what_is_no_certificate_is_refused(text: bytes) -> None:
    """A file that is no XML, or another XML, is told as such."""
    with pytest.raises(RecordError, match="certificate"):
        faults(text)


@needs_schema
def test_the_samples_break_what_is_known_of_them() -> None:
    """The minimal sample lacks methods, conditions and software; both write a release that the rules refuse."""
    folder = SCHEMA.parents[1] / "samples"
    minimal = {fault.rule for fault in faults((folder / "minimal_ours.xml").read_bytes())}
    assert minimal == {"methods", "influence conditions", "software named", "release"}
    assert {fault.rule for fault in faults((folder / "rich_ours.xml").read_bytes())} == {"release"}
