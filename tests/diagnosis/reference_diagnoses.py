"""What is said of reference worlds: reasons with what they spoil, findings with their probability, and the figures that
stand as evidence for both.

python tests/diagnosis/reference_diagnoses.py --write   writes them anew: after a change that is meant, and only then.
That the right cause is named first is shown in test_findings_runs.py and test_soundness_runs.py; kept here are the
figures behind it. Words may change: only the numbers in an evidence count.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "evaluation"))

from observed_from_world import full_test

from rig.result import Judgement
from rig.review.judge import judge

FILE = Path(__file__).with_suffix(".json")
NUMBER = re.compile(r"(?<![A-Za-z_-])[+-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?")


def _faults(**faults: Any) -> dict[str, Any]:
    return {"part": {"faults": faults}}


WORLDS: Mapping[str, dict[str, Any]] = {
    "a good part": {"seed": 3},
    "open sine coil": _faults(open="sin"),
    "shorted turns": _faults(shorted_coil="sin", shorted_turns=4, shorted_tooth=2),
    "corroded pins": _faults(contact_cos_ohm=1.5, contact_exc_ohm=1.6),
    "leaks": _faults(leak_exc_sin_ohm=1e5, leak_sin_core_ohm=1e6),
    "moisture": _faults(moisture=0.5),
    "thermistor off its curve": _faults(thermistor_offset_degc=12.0),
    "outputs exchanged and one reversed": _faults(swap_sin_cos=True, reverse_sin=True),
    "chipped lobe and run-out": _faults(weak_lobe=2, weak_lobe_fraction=1.0, runout_mm=0.08),
    "magnetised": _faults(magnetised_v_per_krpm=2.0),
    "off centre": _faults(static_offset_mm=0.3, static_offset_deg=40.0),
    "slipping rotor": _faults(rotor_slip_deg_per_turn=1.5),
    "no rotor": _faults(rotor="missing"),
    "lost steps": {"axis": {"lost_at_deg": 90.0, "lost_deg": 7.2}},
    "a wrong number of steps": {"axis": {"scale": 1.01}},
    "channels off in gain and time": {"sampler": {"gain_error": [0, 0, 0.06, 0], "skew_ns": [0, 0, 900, 0]}},
    "cut peaks": {"sampler": {"clip_v": 2.7}},
    "crosstalk and a tone": {"sampler": {"crosstalk": 0.002, "tone_v": 0.02, "tone_hz": 10050.0}},
    "a distorted source": {"generator": {"thd": 0.06}},
    "a part still warm": {"climate": {"part_degc": 32.0, "part_settle_min": 20.0}},
    "apart along the shaft": {"holder": {"axial_mm": 6.0}},
}


def numbers(*texts: str) -> list[float]:
    """The numbers in some texts."""
    return [float(found) for text in texts for found in NUMBER.findall(text)]


def said(judgement: Judgement) -> dict[str, Any]:
    """Outcome, reasons and findings as figures."""
    return {
        "outcome": judgement.outcome,
        "reasons": [
            {"code": r.code, "spoils": sorted(r.spoils), "numbers": numbers(r.evidence)} for r in judgement.reasons
        ],
        "findings": [
            {"code": f.code, "probability": round(f.probability, 3), "numbers": numbers(f.evidence, f.against)}
            for f in judgement.findings
        ],
    }


def said_of(world: str) -> dict[str, Any]:
    """What is said of a reference world."""
    return said(judge(full_test(WORLDS[world])))


def main() -> int:
    """Write what is said, or say how to."""
    if "--write" not in sys.argv:
        print(__doc__)
        return 2
    every = {world: said_of(world) for world in WORLDS}
    FILE.write_text(json.dumps(every, indent=1, sort_keys=True) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
