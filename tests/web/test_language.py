"""Every word of the pages has its German; a language is one file."""

import ast
import re
from pathlib import Path

import pytest

from rig.certificate.words.language import language
from rig.web.live import feed
from rig.web.pages import lots, run, work
from rig.web.pages.frame import PAGES
from sequences.registry import SEQUENCES

TEMPLATES = sorted((Path(feed.__file__).parents[1] / "templates").glob("*.html"))
CALL = re.compile(r"""\bt\(\s*("(?:[^"\\]|\\.)*"|'(?:[^'\\]|\\.)*')""")


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: path.stem)
def test_every_word_of_a_page_is_in_the_german_table(template: Path) -> None:
    """The literals of `t(...)`."""
    table = language("de").table
    missing = [text for found in CALL.findall(template.read_text()) if (text := ast.literal_eval(found)) not in table]
    assert not missing


def test_the_bench_line_and_the_pages_are_german_too() -> None:
    """What the live feed says of the bench, state by state, and the pages' own names."""
    table = language("de").table
    lines = [feed.IDLE, feed.GONE]
    lines += [feed.BenchLine(state, now, "", False) for state, now in feed.NOW.items()]
    said = [*feed.GUARD.values(), *feed.STOP.values(), "Safe to open the guard.", "Keep the guard closed."]
    said += [text for line in lines for text in (line.state, line.now, line.may)] + [label for _, label in PAGES]
    assert [text for text in said if text and text not in table] == []


def test_the_run_page_s_own_words_are_german_too() -> None:
    """Titles of every step, what a gate has let pass, how a run ended; keys of a sitting, why a pair is asked."""
    table = language("de").table
    titles = {step.title for sequence in SEQUENCES.values() for step in sequence.steps}
    assert (
        sorted(
            text
            for text in (*titles, *run.GATES.values(), *run.OUTCOMES, *work.WHYS, *lots.KEY_WORDS)
            if text not in table
        )
        == []
    )


def test_what_a_gate_lets_pass_names_steps_that_have_one() -> None:
    """The two looks at the index stop a run by themselves; every other row is a step with a gate."""
    gated = {step.name for step in SEQUENCES["full_test"].steps if step.gate is not None}
    assert gated == set(run.GATES) - {"index", "index_again"}


def test_a_region_is_named_by_what_it_holds() -> None:
    """No two tables of a page with the same name, none that is called "table"."""
    for template in TEMPLATES:
        labels = re.findall(r'role="region" aria-label="\{\{ t\("([^"]+)"\) \}\}"', template.read_text())
        assert "table" not in labels and len(labels) == len(set(labels)), template.name
