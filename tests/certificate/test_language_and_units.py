"""Letterhead, language, units and paper by the shop's file: German with its comma, degrees, Fahrenheit, Letter."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import tomllib
from pathlib import Path
from typing import Any

import pikepdf
import pytest
import sample

from rig.certificate.content import statements as say
from rig.certificate.content.report import build_content
from rig.certificate.faces import build_report
from rig.certificate.page.pdf import template_data
from rig.certificate.shop import Shop, load_shop, shop_of
from rig.certificate.words.language import TEXTS, language
from rig.certificate.words.units import Units, in_units
from rig.certificate.words.wording import display, short_name
from rig.errors import DescriptionError, UsageError
from rig.measurands import MEASURANDS
from rig.uncertainty.conformity import verdict_of

DE = language("de")
TEMPLATES = Path(say.__file__).parent / "templates"
needs_pdftotext = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="pdftotext is not installed (Debian: poppler-utils)"
)


def text_of(pdf: bytes, tmp_path: Path) -> str:
    file = tmp_path / "r.pdf"
    file.write_bytes(pdf)
    done = subprocess.run(["pdftotext", str(file), "-"], capture_output=True, check=True, text=True)
    return re.sub(r"\s+", " ", done.stdout)


# ---- language ---------------------------------------------------------------------------------------------------


def fixed_words() -> set[str]:
    """Every English word group that the program itself says: measurands, statements, templates."""
    words = {short_name(id_, alone=alone) for id_ in MEASURANDS for alone in (True, False)}
    words |= set(say.FITTED_AS.values()) | set(say.FINDING_WORDS.values()) | set(say.ROLE_WORDS.values())
    words |= {headline for headline, _ in say.HEADLINES.values()} | set(say.EXCLUDED)
    words |= {say.ITEM_ONLY, say.IN_FULL, say.NON_ACCREDITED, say.STATED_BY_CUSTOMER}
    words |= {say.LIMITS_OF_CUSTOMER, say.RELEARN}
    for template in TEMPLATES.glob("*.typ"):
        found = re.findall(r't(?:-with)?\("((?:[^"\\]|\\.)*)"', template.read_text(encoding="utf-8"))
        words |= {text.replace('\\"', '"') for text in found}
    return words


def test_every_fixed_word_has_its_german() -> None:
    """No fixed text of page, statements and measurands is left without a row in the table."""
    assert sorted(text for text in fixed_words() if text not in DE.table) == []


def test_the_table_keeps_its_places() -> None:
    """Each German text has exactly the places of its English one; no row stands twice."""
    for english, german in DE.table.items():
        places = re.findall(r"\{(\w+)\}", english)
        assert sorted(places) == sorted(re.findall(r"\{(\w+)\}", german)), english
        assert german.strip(), english
    read = tomllib.loads((TEXTS / "de.toml").read_text(encoding="utf-8"))
    sections = [s for name, s in read.items() if isinstance(s, dict) and name not in ("reasons", "findings")]
    assert sum(map(len, sections)) == len(DE.table)


@pytest.mark.parametrize(
    ("english", "german"),
    [
        ("22 pass, 15 no limit, 1 not tested", "22 bestanden, 15 ohne Grenze, 1 nicht geprüft"),
        ("3 conditional pass, 1 not capable", "3 bedingt bestanden, 1 Messung zu unsicher"),
        ("22 to 22.4 °C", "22 bis 22,4 °C"),
        ("as found 9.0882 Ω, at 22.1 °C", "vorgefunden 9,0882 Ω, bei 22,1 °C"),
        ("4 (1° mechanical = 4° electrical)", "4 (1° mechanisch = 4° elektrisch)"),
        ("0.70 ± 0.40′", "0,70 ± 0,40′"),
        ("anglewright 0.1.0", "anglewright 0.1.0"),
        ("no word of ours", "no word of ours"),
        (
            "Traceability not established (sampler, divider and shunt: overdue; multimeter: not recorded).",
            "Rückführung nicht belegt (Abtaster, Teiler und Shunt: überfällig; Multimeter: nicht belegt).",
        ),
    ],
)
def test_composed_sentences(english: str, german: str) -> None:
    """Sentences with places, lists of counts and bare figures are said in German, with a decimal comma."""
    assert DE.say(english) == german
    assert language("en").say(english) == english


@needs_pdftotext
def test_a_german_report_is_german(tmp_path: Path) -> None:
    """Headline, groups, verdicts, statements and figures are German; serial, part number and codes stay as they are."""
    shop = Shop(name="Tallow Street Motors (invented)", country="DE", language="de")
    run = sample.stored(tmp_path, sample.good(), sample.a_header(serial="93.417", details={"complaint": "ruckelt"}))
    made = build_report(run, issued_utc=sample.ISSUED, shop=shop)
    text = text_of(made.faces[0][2], tmp_path)
    for words in (
        "Messbericht",
        "Innerhalb der Grenzen",
        "Alle 22 geprüften Zeilen mit Grenze liegen innerhalb, mit einem Sicherheitsband von 1 U",
        "38,4 ± 6,8′",
        "Spulenwiderstand, Vierleiter",
        "nicht geprüft",
        "SIMULIERT: kein Teil wurde gemessen",
        "Seite 1 von",
        "93.417",
        "anglewright 0.1.0",
        "Beanstandung",
        "Ausgestellt von einer nicht akkreditierten Werkstatt",
        "Größte Winkelabweichung",
    ):
        assert words in text, words
    assert "38.4" not in text
    assert made.document["sentence"].startswith("All 22 tested lines")


# ---- units ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("id_", "units", "wanted"),
    [
        ("error_max_elec_arcmin", Units(angle="deg"), ("0.64", "0.12", "°", "≤ 1.25")),
        ("thermistor_degc", Units(temperature="degF"), ("71.98", "0.40", "°F", "")),
        ("thermistor_minus_coil_degc", Units(temperature="degF"), ("0.32", "0.94", "°F", "\u22129 … 9")),
        ("orthogonality_elec_deg", Units(angle="deg"), ("0.083", "0.044", "°", "\u22120.6 … 0.6")),
        ("r20_exc", Units("degF", "deg"), ("9.013", "0.024", "Ω", "8.1 … 9.9")),
    ],
)
def test_a_line_in_other_units(id_: str, units: Units, wanted: tuple[str, str, str, str]) -> None:
    """Estimate, U, limits and budget are told in the wanted unit; the verdict is the same and print agrees with it."""
    line = sample.a_line(id_)
    told = in_units(line, units)
    shown = display(told)
    assert (shown.estimate, shown.U, shown.unit, shown.limits) == wanted
    assert told.verdict is line.verdict
    r, limit = told.result, told.limit
    assert r is not None and r.estimate is not None and line.result is not None
    if limit is not None:
        assert verdict_of(r.estimate, r.U, limit.lower, limit.upper, 1.0) is line.verdict
    whole = sum(row.contribution**2 for row in r.budget) ** 0.5
    assert whole == pytest.approx(r.u)


def test_page_and_plots_follow_the_units(tmp_path: Path) -> None:
    """Air, coil and angles are told in Fahrenheit and degrees, plots included; the kept figures stay as they are."""
    shop = Shop(name="T", country="GB", temperature="degF", angle="deg")
    run = sample.stored(tmp_path, sample.good())
    said = build_content(run, sample.good(), issued_utc=sample.ISSUED, shop=shop)
    conditions = dict(said.conditions)
    assert conditions["Air at the part"] == "71.6 to 72.32 °F, U not stated"
    assert conditions["Coil temperature"].startswith("71.78 °F")
    assert "at 71.78 °F" in said.groups[0].rows[0].conditions
    plots: dict[str, Any] = dict(template_data(said, shop)["plots"])
    assert "limit ± 1.25° electrical" in plots["error"]["svg"]
    assert "amplitude / ° mechanical" in plots["orders"]["svg"]
    document = build_report(run, issued_utc=sample.ISSUED, shop=shop).document
    row = next(line for line in document["judged"] if line["measurand"] == "error_max_elec_arcmin")
    assert (row["result"]["estimate"], row["result"]["unit"]) == (38.4, "arcmin")


# ---- the shop's file --------------------------------------------------------------------------------------------


@needs_pdftotext
def test_letterhead_paper_and_logo(tmp_path: Path) -> None:
    """Name, address, phone, who authorises and the logo stand on the page; Letter is Letter, on four pages."""
    picture = '<rect width="40" height="20" fill="#1d5468"/>'
    (tmp_path / "logo.svg").write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" width="40" height="20">{picture}</svg>'
    )
    (tmp_path / "shop.toml").write_text(
        'schema = "anglewright shop 1"\nname = "Tallow Street Motors"\naddress = ["4 Tallow Street"]\nphone = "+44 0"\n'
        'country = "GB"\nlogo = "logo.svg"\nauthorised_by = "bench lead"\npaper = "us-letter"\n'
    )
    shop = load_shop(tmp_path)
    assert shop is not None
    run = sample.stored(tmp_path, sample.good(), sample.a_header(simulated=False, current=True))
    pdf = build_report(run, issued_utc=sample.ISSUED, shop=shop).faces[0][2]
    text = text_of(pdf, tmp_path)
    for words in ("Tallow Street Motors", "4 Tallow Street", "+44 0", "bench lead", "non-accredited workshop"):
        assert words in text
    with pikepdf.open(io.BytesIO(pdf)) as held:
        assert {tuple(round(float(edge)) for edge in page.mediabox) for page in held.pages} == {(0, 0, 612, 792)}
        assert len(held.pages) == 4


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('languge = "de"', "languge"),
        ('language = "fr"', "language"),
        ('country = "gb"', "country"),
        ('angle = "rad"', "angle"),
    ],
)
def test_a_wrong_shop_file_is_told_by_line(line: str, words: str, tmp_path: Path) -> None:
    """An unknown key or value is refused with file, line and key."""
    (tmp_path / "shop.toml").write_text(f'schema = "anglewright shop 1"\nname = "T"\n{line}\n')
    with pytest.raises(DescriptionError, match=rf"shop\.toml:3: {words}"):
        load_shop(tmp_path)


def test_without_a_file_the_bench_says_whose_report_it_is(tmp_path: Path) -> None:
    """The bench's own line gives name, address and country; a missing logo is told by its path."""
    assert load_shop(tmp_path) is None
    shop = shop_of({"shop": "Harrow Lane Motor Rebuild (invented); 4 Harrow Lane; Millbrook End; GB"})
    assert (shop.name, shop.address, shop.city, shop.country) == (
        "Harrow Lane Motor Rebuild (invented)",
        ("4 Harrow Lane", "Millbrook End"),
        "Millbrook End",
        "GB",
    )
    assert shop_of({}).name == "Shop not named"
    with pytest.raises(UsageError, match=r"logo .*gone\.svg"):
        Shop(name="T", logo="gone.svg", folder=tmp_path).logo_svg()


def test_what_the_customer_told_is_marked(tmp_path: Path) -> None:
    """Customer, complaint and fault codes are marked as the customer's; the customer's limits are said to be so."""
    header = sample.a_header(details={"complaint": "jerks", "fault_codes": "P0A3F", "received": "2026-11-20"})
    said = build_content(sample.stored(tmp_path, sample.good(), header), sample.good(), issued_utc=sample.ISSUED)
    assert said.by_customer == ("Customer", "Contact", "Complaint", "Fault codes")
    assert say.STATED_BY_CUSTOMER in said.statements
    assert say.LIMITS_OF_CUSTOMER in said.statements
    header = sample.a_header(customer="")
    said = build_content(sample.stored(tmp_path, sample.unsound(), header), sample.unsound(), issued_utc=sample.ISSUED)
    assert said.by_customer == ()
    assert say.STATED_BY_CUSTOMER not in said.statements
    assert say.LIMITS_OF_CUSTOMER not in said.statements
