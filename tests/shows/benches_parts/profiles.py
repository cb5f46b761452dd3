"""Instruments told in a file: wrong ones refused by key, and ones that nobody here wrote driven by profile alone."""

from __future__ import annotations

import copy
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2] / "drivers"))
LEAST = 200
RESOURCES = ("ASRL1::INSTR", "USB::0x1111::0x2222::0x1234::INSTR", "GPIB::8::INSTR", "TCPIP::localhost::INSTR")


def wrong_ones() -> Iterator[tuple[bool, str]]:
    """At least 200 wrong profiles, each a good one with one thing changed: refused on load with the key named."""
    from wrong_profiles import WRONG, load, write

    from rig.errors import DescriptionError

    folder, missed = Path(tempfile.mkdtemp(prefix="anglewright-profiles-")), []
    for number, (data, key) in enumerate(WRONG):
        try:
            load(write(folder, data, f"wrong-{number}"))
        except DescriptionError as fault:
            if key not in str(fault):
                missed.append(f"{key}: {fault}")
        else:
            missed.append(f"{key}: was taken")
    yield not missed and len(WRONG) >= LEAST, f"{len(WRONG)} wrong profiles, {len(missed)} taken or without their key"
    for line in missed[:5]:
        yield False, line


def of_others() -> Iterator[tuple[bool, str]]:
    """pyvisa-sim's packaged generator by profile alone, at the VISA layer: prepared, on, read back, off. No wire."""
    from wrong_profiles import GOOD, write

    from drivers.shelf import open_driver

    data = copy.deepcopy(GOOD["lsg"])
    data["wire"] = {"acknowledgement": "OK"}
    for resource in RESOURCES:
        ends = {"ends": "\r\n"} if resource.startswith("ASRL") else {}
        path = write(Path(tempfile.mkdtemp()), data | {"wire": data["wire"] | ends})
        one: Any = open_driver(f"profile:{path}", f"visa+sim://{resource}", "generator")
        one.open()
        try:
            one.prepare_sine(frequency_hz=7000.0, level_v_rms=2.0)
            one.output(True)
            on = one.output_is_on()
            one.safe_state()
            yield on and not one.output_is_on(), f"{resource}: {one.identity().model} {one.identity().serial}"
        finally:
            one.close()


def checks(quick: bool) -> list[tuple[str, Callable[[], Iterator[tuple[bool, str]]]]]:
    del quick  # both take seconds
    return [("wrong profiles", wrong_ones), ("profiles of others", of_others)]
