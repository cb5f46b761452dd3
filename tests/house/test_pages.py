"""README and DEVELOPERS stay true: commands named, words explained, blocks in place."""

import re
from pathlib import Path

from rig.cli.main import WORDS
from rig.result import OUTCOMES
from rig.uncertainty.conformity import Verdict

TOP = Path(__file__).parents[2]
README = (TOP / "README.md").read_text(encoding="utf-8")


def test_readme_names_every_word_and_the_page_of_commands() -> None:
    """Each word of the command line stands in README, which leads to the page of all commands."""
    for word in WORDS:
        assert re.search(rf"anglewright {word.name}(?![\w-])", README), word.name
    assert "](rig/cli/REFERENCE.md)" in README


def test_every_verdict_and_outcome_is_explained() -> None:
    """Each verdict word and each outcome stands in README's table of words."""
    words = README[README.index("## Words") :]
    for word in [verdict.value for verdict in Verdict] + list(OUTCOMES):
        assert word in words, word


def test_the_first_two_blocks_are_the_main_job_and_the_tests() -> None:
    """README's first fenced block runs the main job, its second the tests; .ci/run takes the second."""
    blocks = re.findall(r"^```\w*\n(.*?)^```", README, re.MULTILINE | re.DOTALL)
    assert "anglewright demo" in blocks[0]
    assert "tests/check.py" in blocks[1]
    assert "README.md" in (TOP / ".ci" / "run").read_text()


def test_no_page_links_to_a_missing_file() -> None:
    """Every relative link of the pages leads somewhere."""
    folders = ("*.md", "hardware/*.md", "fixtures/*.md", "rig/**/*.md", "drivers/**/*.md")
    for page in [page for folder in folders for page in TOP.glob(folder)]:
        for target in re.findall(r"\]\(([^)#]+?)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            if "://" not in target:
                assert (page.parent / target).exists(), f"{page.name} -> {target}"


def test_no_host_of_a_package_index_is_named() -> None:
    """Exact versions stand in constraints.txt; no line names a host."""
    for name in ("constraints.txt", "pyproject.toml"):
        assert "://" not in (TOP / name).read_text(), name
