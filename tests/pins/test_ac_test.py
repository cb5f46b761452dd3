"""The low-level AC test: excitation, orthogonality, relative signs and reciprocity from three driven coils."""

from __future__ import annotations

import numpy as np
import pytest

from rig.errors import UsageError
from rig.pins.ac_test import Driven, evaluate_ac, with_ac
from rig.pins.pin_map import AcReport, Ends
from rig.pins.readings import PairReading, PairTable
from rig.pins.search import identify

E, A, B = ("1", "2"), ("3", "4"), ("5", "6")


def driven_coils(
    seed: int,
    *,
    pairs: int = 4,
    n: int = 40,
    span: float = 1.0,
    signs: tuple[int, int] = (1, 1),
    swap: bool = False,
    coupling: float = 30.0,
    orthogonality_deg: float = 0.0,
    one_way: float = 1.0,
    resistive: Ends | None = None,
    positions: bool = True,
) -> list[Driven]:
    """Three coils of an invented part: E couples with A and B as sine and cosine, A and B by a second order only."""
    rng = np.random.default_rng(seed)
    mech = 2 * np.pi * span * np.sort(np.arange(n) * 0.6180339887498949 % 1.0)
    el = pairs * mech + rng.uniform(0, 2 * np.pi)
    loss = np.exp(1j * (np.pi / 2 - rng.uniform(0.0, 0.2)))
    sine, cosine = np.sin(el), np.cos(el + np.radians(orthogonality_deg))
    if swap:
        sine, cosine = cosine, sine
    z = {E: 10 + 100j, A: 16 + 86j, B: 16 + 86.2j}
    if resistive is not None:
        z[resistive] = 80 + 1j
    mutual = {
        (E, A): signs[0] * coupling * sine * loss + 0.1,
        (E, B): signs[1] * coupling * 1.005 * cosine * loss - 0.05j,
        (A, B): 0.18 * coupling * np.sin(2 * el) * loss,
    }
    made = []
    order = [E, A, B]
    rng.shuffle(order)
    for coil in [tuple(c) for c in order]:
        current = (0.01 + 0.001 * rng.uniform(size=n)) * np.exp(1j * rng.uniform(0, 6, n))
        noise = lambda: 2e-5 * (rng.normal(size=n) + 1j * rng.normal(size=n))  # noqa: E731
        watched = {}
        for pair, m in mutual.items():
            if coil in pair:
                other = pair[1] if pair[0] == coil else pair[0]
                back = one_way if pair[1] == coil else 1.0
                watched[other] = m * back * current + noise()
        made.append(
            Driven(
                coil=coil,
                exc_v=z[coil] * (1 + 0.01 * np.cos(2 * el)) * current,
                exc_i=current,
                watched=watched,
                positions_mech_rad=mech if positions else None,
            )
        )
    return made


def angle_of(report: AcReport, seed: int, **made: object) -> np.ndarray:
    """The angle that the report's labels give, from the same part."""
    test = next(t for t in driven_coils(seed, **made) if t.coil == report.excitation)  # type: ignore[arg-type]
    assert report.sine is not None and report.cosine is not None
    u, v = ((test.watched[c] / test.exc_v).real for c in (report.sine, report.cosine))
    return np.unwrap(np.arctan2(u, v))


def test_the_excitation_the_outputs_and_a_rising_angle_come_out_right_for_hundreds_of_parts() -> None:
    """300 seeded parts of one to eight pole pairs, every wiring: excitation, pole pairs, 90 deg apart, slope +1."""
    right = 0
    for seed in range(300):
        made = {"pairs": 1 + seed % 8, "signs": ((1, 1), (1, -1), (-1, 1), (-1, -1))[seed % 4], "swap": seed % 3 == 0}
        report = evaluate_ac(driven_coils(seed, **made))  # type: ignore[arg-type]
        right += (
            report.excitation == E
            and report.pole_pairs == made["pairs"]
            and abs(report.orthogonality_elec_deg or 99) < 0.5
            and report.labelings == 4
            and angle_of(report, seed, **made)[-1] > angle_of(report, seed, **made)[0]
        )
    assert right >= 0.95 * 300


def test_a_reversed_wire_or_exchanged_outputs_change_the_labels_and_not_the_excitation() -> None:
    """One sign or an exchange turns the direction as named; both signs don't."""
    for signs, swap, direction in (((1, 1), False, 1), ((-1, 1), False, -1), ((-1, -1), False, 1), ((1, 1), True, -1)):
        report = evaluate_ac(driven_coils(1, signs=signs, swap=swap))
        assert report.excitation == E
        assert report.direction_as_named in (direction, -direction)
        first = evaluate_ac(driven_coils(1))
        assert first.direction_as_named is not None and report.direction_as_named is not None
        assert report.direction_as_named * first.direction_as_named == direction


def test_outputs_that_are_not_a_quarter_cycle_apart_are_no_outputs() -> None:
    """8 deg off is told; 40 deg off stays undecided."""
    assert abs(evaluate_ac(driven_coils(2, orthogonality_deg=8.0)).orthogonality_elec_deg or 0) == pytest.approx(
        8, abs=0.5
    )
    off = evaluate_ac(driven_coils(2, orthogonality_deg=40.0))
    assert off.excitation == E and off.sine is None and "quarter cycle" in off.text


def test_what_no_passive_part_does_is_blamed_on_the_rig() -> None:
    """5 % between both ways: physics-violated, nothing proven."""
    report = evaluate_ac(driven_coils(3, one_way=1.05))
    assert [r.code for r in report.reasons] == ["physics-violated"] and report.excitation is None
    assert (evaluate_ac(driven_coils(3)).reciprocity or 0) < 0.01


def test_without_a_rotor_that_turns_nothing_is_said() -> None:
    """Only leakage couples."""
    report = evaluate_ac(driven_coils(4, coupling=0.05))
    assert [r.code for r in report.reasons] == ["axis-not-turning"] and report.excitation is None


def test_a_circuit_without_inductance_is_no_coil() -> None:
    """A cold PTC of 80 ohm that passed for a coil."""
    report = evaluate_ac(driven_coils(5, resistive=B))
    assert report.excitation is None and "PTC" in report.reasons[0].text


def test_less_than_a_cycle_or_unknown_positions_leave_it_open() -> None:
    """Half an electrical cycle proves no output; turned by hand, the direction stays open: eight labelings."""
    half = evaluate_ac(driven_coils(6, pairs=1, span=0.5))
    assert half.sine is None and half.labelings is None
    by_hand = evaluate_ac(driven_coils(6, positions=False))
    assert (by_hand.excitation, by_hand.labelings, by_hand.direction_as_named) == (E, 8, None)


def test_the_wrong_number_of_coils_or_positions_is_refused() -> None:
    """Two coils; seven positions; a coil that was not watched."""
    made = driven_coils(7)
    with pytest.raises(UsageError, match="three coils"):
        evaluate_ac(made[:2])
    with pytest.raises(UsageError, match="eight"):
        evaluate_ac(driven_coils(7, n=7))


def table_of(*ohms: float) -> PairTable:
    """Three coils, everything between them and to the core open."""
    rows = [(a, b, ohm) for (a, b), ohm in zip((E, A, B), ohms, strict=True)]
    rows += [(a, b, float("inf")) for a, b in (("1", "3"), ("1", "5"), ("3", "5"))]
    rows += [(pin, "core", float("inf")) for pin in ("1", "3", "5")]
    return PairTable(tuple(PairReading(pin_a=a, pin_b=b, ohm=ohm) for a, b, ohm in rows))


def test_three_coils_alike_are_decided_by_the_ac_test() -> None:
    """Resistances leave it open; the AC test names the excitation and leaves four labelings."""
    before = identify(table_of(15.0, 15.1, 15.05))
    assert before.excitation is None and before.labelings == 24
    after = with_ac(before, evaluate_ac(driven_coils(8)))
    assert after.excitation is not None and after.excitation.pins == E
    assert (after.outcome, after.labelings, after.confidence) == ("measured, no limits", 4, "proven by AC")
    assert not any("excitation" in item.what for item in after.undecided)


def test_what_is_proven_by_ac_is_never_followed_by_the_advice_to_run_the_ac_test() -> None:
    """Proven: four labelings are left for a known-good part; turned by hand, eight, for an axis; and a test that did
    not tell says what it lacked."""
    before = identify(table_of(9.0, 15.0, 15.05))
    assert any("Run the low-level AC test" in item.settled_by for item in before.undecided)
    tests = {
        "four labelings": driven_coils(8),
        "nobody knows which way": driven_coils(8, positions=False),
        "does not tell": driven_coils(2, orthogonality_deg=40.0),
    }
    for words, made in tests.items():
        after = with_ac(before, evaluate_ac(made))
        assert "AC test:" not in " ".join(item.settled_by for item in after.undecided), words
        assert any(words in item.why for item in after.undecided), words
