"""What the tests of the records room share: a header, a waveform, a judgement."""

from __future__ import annotations

import numpy as np

from rig.answer import Curves
from rig.quantity import Limit, Reading
from rig.records.run.record import RunHeader
from rig.result import Judged, Judgement, Reason, Result
from rig.signal.waveform import Waveform
from rig.uncertainty.budget import BudgetLine
from rig.uncertainty.conformity import Verdict


def a_header(**changes: object) -> RunHeader:
    known: dict[str, object] = {
        "sequence": "full_test",
        "started_utc": "2026-11-25T10:15:00Z",
        "serial": "T-1",
        "part": {"number": "PX-1", "revision": "A"},
        "bench": {"name": "b1"},
        "simulated": True,
    }
    return RunHeader(**(known | changes))  # type: ignore[arg-type]


def a_reading(n: int = 0) -> Reading:
    return Reading(
        step="coils",
        quantity="coil_resistance",
        value=9.0 + n,
        unit="ohm",
        instrument="meter",
        bench_time_s=float(n),
        time_utc="2026-11-25T10:15:00Z",
        conditions={"coil": "exc", "repeat": n},
    )


def a_waveform(seed: int = 0, samples: int = 400) -> Waveform:
    codes = np.random.default_rng(seed).integers(-2000, 2000, (4, samples), dtype=np.int16)
    return Waveform(
        codes=codes,
        scale_v=np.full(4, 10 / 32768),
        offset_v=np.array([0.0, 0.1, 0.0, -0.1]),
        sample_rate_hz=241_545.9,
        channels=("exc_v", "exc_i", "sin", "cos"),
        rail_low=-32768,
        rail_high=32767,
    )


def a_judgement(outcome: str = "within limits", estimate: float = 9.01) -> Judgement:
    budget = (BudgetLine(influence="meter", u=0.01, unit="ohm", sensitivity=1.0),)
    result = Result(
        measurand="r20_exc",
        estimate=estimate,
        unit="ohm",
        u=0.01,
        k=2.0,
        dof=float("inf"),
        budget=budget,
        conditions={"temperature_degc": 22.1},
    )
    limit = Limit(measurand="r20_exc", lower=8.1, upper=9.9, origin="customer")
    lines = (
        Judged(measurand="r20_exc", result=result, limit=limit, verdict=Verdict.PASS),
        Judged(measurand="tr_sin", result=None, limit=None, verdict=Verdict.NOT_TESTED, note="no rotor"),
    )
    reason = Reason(code="skew", text="late", evidence="2 us", next="loop back", spoils=("phase_sin_deg",))
    curves = Curves(angle_mech_deg=(0.0, 90.0), error_mean_elec_arcmin=(1.0, -1.0))
    return Judgement(outcome=outcome, judged=lines, reasons=(reason,), findings=(), curves=curves, notes=("n",))
