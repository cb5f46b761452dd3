"""What the panel promised, with figures: python tests/shows/panel.py [--quick] [--shots FOLDER]

A real server, Debian's Chromium driven by Playwright, the simulated bench. Each check prints its figures and says ok or
SHORT; the exit status is non-zero when one falls short. --shots keeps a picture of every page at 390, 1366 and 2560
pixels in both themes. Times are ratios to another page of the same server, safety in seconds.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from panel_parts import arming, browser, load, pages, work
from panel_parts.served import Served
from runner import Check, exit_status, run_checks

QUICK = ("the whole job by keyboard and scanner", "nothing arms", "pages", "hostile serials", "ten thousand runs")


def checks(served: Served, quick: bool, shots: Path | None) -> list[tuple[str, Check]]:
    """(name, check) in the order in which they are made; later ones stand on the runs of earlier ones."""
    every = [
        ("the whole job by keyboard and scanner", partial(work.whole_job, served)),
        ("stop from the page", partial(work.stops, served, 1 if quick else 50)),
        ("reload in mid-run", partial(work.reloads, served, 2 if quick else 20)),
        ("nothing arms", partial(arming.nothing_arms, served, 200 if quick else 2000)),
        ("pages", partial(pages.every_page, served, shots, quick=quick)),
        ("hostile serials", partial(pages.hostile_serials, served)),
        ("entry that survives", partial(pages.entry_survives, served)),
        ("ten thousand runs", partial(load.many_runs, served, 1000 if quick else 10_000)),
        ("load of viewers", partial(load.viewers, served, 5.0 if quick else 30.0)),
        ("fuzzing", partial(load.fuzz, served, 25)),
    ]
    return [one for one in every if not quick or one[0] in QUICK]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--shots", type=Path, default=None)
    parser.add_argument("--only", default="", help="checks whose name holds this")
    options = parser.parse_args()
    if browser.chromium() is None:
        print("NOT RUN: no Chromium here (on Debian: apt-get install chromium)")
        return 0
    folder = Path(tempfile.mkdtemp(prefix="anglewright-panel-"))
    served = Served(folder)
    try:
        short = run_checks(checks(served, options.quick, options.shots), options.only)
    finally:
        served.close()
        shutil.rmtree(folder, ignore_errors=True)
    return exit_status(short)


if __name__ == "__main__":
    raise SystemExit(main())
