"""`anglewright compare SERIAL|RUN ...`: units of one part number side by side on screen, and which one to fit.

Words in, text or one JSON document out; rig/review/comparing.py and advice.py do the work.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence

import click

Told = Callable[[Callable[..., None]], Callable[..., None]]
ASPECTS = ["rotor", "excitation", "sequence", "holder", "condition", "temperature", "limits"]


def register(cli: click.Group, told: Told) -> None:
    """Add the command to the command line."""
    cli.command("compare")(told(compare))


@click.argument("units", nargs=-1, required=True, metavar="SERIAL|RUN...")
@click.option("--part", default="", help="Part number, when a serial is known under several.")
@click.option(
    "--despite", multiple=True, type=click.Choice(ASPECTS), help="Compare although this differs; it is printed."
)
@click.option("--all", "every", is_flag=True, help="Every line, not only those with a limit or a difference.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def compare(units: Sequence[str], part: str, despite: Sequence[str], every: bool, as_json: bool) -> None:
    """Put two to four units of one part number side by side: the failed one first, then the donors.

    A serial stands for its newest judged full test. Differences are to the first unit, with U over re-clamping.
    """
    from dataclasses import asdict

    from rig.cli.pages import compare as compare_page
    from rig.records.store import Store
    from rig.review import comparing
    from rig.review.advice import advice

    found = comparing.compare(comparing.chosen(Store(), units, part), despite=despite)
    said = advice(found)
    if as_json:
        document = comparing.to_dict(found) | {"advice": asdict(said)}
        click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False))
    else:
        compare_page.show(found, said, every=every)
