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
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from panel_parts import arming, browser, faults, load, pages, signing, work
from panel_parts.served import Served
from runner import Check, exit_status, run_checks

from rig.jobs.access.accounts import Accounts

QUICK = ("the whole job by keyboard and scanner", "nothing arms", "pages", "hostile serials", "ten thousand runs")


def accounts_first(served: Served, check: Check) -> Any:
    """A check of a home with accounts; those come last, for then nobody signs in without a password any more."""
    if not Accounts(served.home).open_ones():
        signing.with_accounts(served)
    return check()


def checks(served: Served, quick: bool, shots: Path | None, share: float = 1.0) -> list[tuple[str, Check]]:
    """(name, check) in the order in which they are made; later ones stand on the runs of earlier ones."""

    def many(count: int) -> int:
        return max(1, round(share * count))

    every = [
        ("the whole job by keyboard and scanner", partial(work.whole_job, served)),
        ("stop from the page", partial(work.stops, served, many(50))),
        ("reload in mid-run", partial(work.reloads, served, many(20))),
        ("server killed", partial(faults.restarts, served, many(10))),
        ("controller killed", partial(faults.controllers_killed, served, many(20))),
        ("page asleep, two operators", partial(faults.page_asleep, served)),
        ("nothing arms", partial(arming.nothing_arms, served, 200 if quick else many(2000))),
        ("pages", partial(pages.every_page, served, shots, quick=quick)),
        ("hostile serials", partial(pages.hostile_serials, served, quick)),
        ("camera refused", partial(faults.camera_refused, served)),
        ("entry that survives", partial(pages.entry_survives, served)),
        ("ten thousand runs", partial(load.many_runs, served, 1000 if quick else many(10_000))),
        ("load of viewers", partial(load.viewers, served, 5.0 if quick else 15.0)),
        ("sweep with a crowd", partial(load.sweep_times, served)),
        (
            "accounts: wrong passwords",
            partial(accounts_first, served, partial(signing.wrong_passwords, served, many(1000))),
        ),
        ("accounts: session ends in mid-entry", partial(accounts_first, served, partial(signing.session_ends, served))),
        ("accounts: fuzzing", partial(accounts_first, served, partial(signing.fuzz, served, max(4, many(25))))),
    ]
    return [one for one in every if not quick or one[0] in QUICK]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--shots", type=Path, default=None)
    parser.add_argument("--only", default="", help="checks whose name holds this")
    parser.add_argument("--share", type=float, default=1.0, help="of the stops, reloads, messages ...; 1: all of them")
    options = parser.parse_args()
    if browser.chromium() is None:
        print("NOT RUN: no Chromium here (on Debian: apt-get install chromium)")
        return 0
    folder = Path(tempfile.mkdtemp(prefix="anglewright-panel-"))
    served = Served(folder)
    try:
        short = run_checks(checks(served, options.quick, options.shots, options.share), options.only)
    finally:
        served.close()
        shutil.rmtree(folder, ignore_errors=True)
    return exit_status(short)


if __name__ == "__main__":
    raise SystemExit(main())
