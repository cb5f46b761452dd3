"""One option for all tests: `--bench FILE` runs the dialogues of a real bench's instruments and records them."""

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--bench", default=None, metavar="FILE", help="bench file: record dialogues from real instruments")
