"""What a run says beside its judged lines: the curves of its turn; the answer of a seat, a watch, a witness, the pins.

Plain frozen data. In a stored judgement all of it stands under `curves`, as it did from the first schema on:
`dump_answer` and `load_answer` keep that shape, so that old records stay readable.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any

Points = tuple[float | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Curves:
    """One turn for plots; () where it was not seen. Angles mechanical deg, errors electrical arcmin (None: no point in
    that pass), orders a mechanical turn in mechanical arcmin, envelopes and quadratures as ratios to the excitation,
    l_exc_h the excitation coil's inductance in henry. error_band: U of the largest error."""

    angle_mech_deg: Points = ()
    error_ccw_elec_arcmin: Points = ()
    error_cw_elec_arcmin: Points = ()
    error_mean_elec_arcmin: Points = ()
    error_model_elec_arcmin: Points = ()
    error_band_elec_arcmin: float | None = None
    orders: tuple[int, ...] = ()
    orders_mech_arcmin: Points = ()
    envelope_angle_mech_deg: Points = ()
    envelope_sine: Points = ()
    envelope_cosine: Points = ()
    quadrature_sine: Points = ()
    quadrature_cosine: Points = ()
    l_exc_h: Points = ()

    @property
    def empty(self) -> bool:
        """Whether no turn was seen."""
        return not self.to_dict()

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data, without what was not seen."""
        named = {one.name: getattr(self, one.name) for one in fields(self)}
        return {key: list(v) if isinstance(v, tuple) else v for key, v in named.items() if v not in ((), [], None)}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Curves:
        """Back from `to_dict`; other keys are left out."""
        known = {one.name for one in fields(cls)}
        values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in data.items() if k in known}
        return cls(**values)


@dataclass(frozen=True, slots=True, kw_only=True)
class SettledLine:
    """A suspected line and what a witness says of it (the words of rig/soundness/witness.py), with the figures."""

    line: str
    reason: str
    answer: str
    told: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WitnessAnswer:
    """kind: of witness; of: the suspected run."""

    kind: str
    of: str
    answers: tuple[SettledLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DropOutSeen:
    """A contact that was lost. worst: the farthest value in `unit`, None over range."""

    begin_utc: str
    end_utc: str
    duration_s: float
    worst: float | None
    unit: str
    open_at_end: bool
    coil: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchAnswer:
    """A watched coil, or all of them in turn. interval_s: between readings of a coil, on average; min, max, reference
    in `unit`, None unseen. dwell_s: of one look at a coil; blind_s: the longest time between two looks at one coil, in
    which a drop-out may pass unseen.
    """

    coil: str
    mode: str
    unit: str
    readings: int
    seconds: float
    interval_s: float | None
    min: float | None
    max: float | None
    reference: float | None
    drop_outs: tuple[DropOutSeen, ...]
    dwell_s: float | None = None
    blind_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatFigures:
    """How far off centre a stator stands, mm and share of the mean gap; directions mechanical deg from the index."""

    visible: bool
    seen: bool
    offset_mm: float
    U_mm: float
    least_mm: float
    nudge_toward_mech_deg: tuple[float, ...]
    U_toward_mech_deg: float
    offset_of_gap: float
    U_of_gap: float
    gap_mm: float
    u_gap_mm: float
    unexplained: float
    unexplained_if_centred: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFigure:
    """A line that a seat is compared by."""

    estimate: float
    U: float | None
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatAnswer:
    """A look at a seat. moved_mm: (x, y) that the stator was moved in all; inductance_ripple: relative, by order."""

    seat: SeatFigures | None
    moved_mm: tuple[float, float] = (0.0, 0.0)
    lines: Mapping[str, LineFigure] = field(default_factory=dict)
    inductance_ripple: float | None = None
    inductance_ripple_orders: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AxialFigures:
    """One place along the shaft: mm on the operator's scale, mean ratio of both outputs, excitation inductance (H)."""

    axial_mm: float
    ratio: float
    l_exc: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AxialAnswer:
    """axial: None where the run shows no turn or no current."""

    axial: AxialFigures | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PinsAnswer:
    """pins: the report of the search as rig/pins writes it under `pins` in --json."""

    pins: Mapping[str, Any]


Answer = WitnessAnswer | WatchAnswer | SeatAnswer | AxialAnswer | PinsAnswer
NAMED: Mapping[str, type[WitnessAnswer] | type[WatchAnswer]] = {"witness": WitnessAnswer, "watch": WatchAnswer}
WHOLE: Mapping[str, type[SeatAnswer] | type[AxialAnswer] | type[PinsAnswer]] = {
    "seat": SeatAnswer,
    "axial": AxialAnswer,
    "pins": PinsAnswer,
}


def dump_answer(answer: Answer | None) -> dict[str, Any]:
    """An answer as it stands under `curves` of a stored judgement: a witness and a watch under their names."""
    if answer is None:
        return {}
    name = next((key for key, kind in NAMED.items() if isinstance(answer, kind)), "")
    return {name: asdict(answer)} if name else asdict(answer)


def answer_type(curves: Mapping[str, Any]) -> tuple[type[Answer], Any] | None:
    """(the type of the answer, its data) that stand under `curves` of a stored judgement; None for a judged part."""
    for name, named in NAMED.items():
        if name in curves:
            return named, curves[name]
    for name, whole in WHOLE.items():
        if name in curves:
            return whole, curves
    return None
