"""What a rule spoils, as functions of the run's results and of the evidence: one name for each set of lines.

It must never hold a rule. Groups of lines: rig/evaluation/inspection/lines.py.
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.evaluation.inspection import lines
from rig.result import Result
from rig.soundness.rule import Evidence, Scope

Lines = tuple[str, ...]
Results = Sequence[Result]


def everything(_results: Results, _found: Evidence) -> Lines:
    """Every line of the part."""
    return lines.EVERYTHING


def nothing(_results: Results, _found: Evidence) -> Lines:
    """A remark: every line keeps its verdict."""
    return ()


def turned(results: Results, _found: Evidence) -> Lines:
    """Everything that comes from turning the rotor."""
    return lines.turned(results)


def driven(results: Results, _found: Evidence) -> Lines:
    """Everything that needs the excitation."""
    return lines.driven(results)


def impedance_and_turned(results: Results, _found: Evidence) -> Lines:
    """What is a mean round the turn, too."""
    return (*lines.group("impedance"), *lines.turned(results))


def turned_and_driven(results: Results, _found: Evidence) -> Lines:
    """Both, those of the turn first."""
    return tuple(dict.fromkeys((*lines.turned(results), *lines.driven(results))))


def driven_and_angles(results: Results, _found: Evidence) -> Lines:
    """Both, those of the excitation first."""
    return tuple(dict.fromkeys((*lines.driven(results), *lines.angles(results))))


def error_lines(results: Results, _found: Evidence) -> Lines:
    """The angle error and its orders."""
    return lines.error_lines(results)


def turned_but_counts(results: Results, _found: Evidence) -> Lines:
    """What comes from turning, without pole pairs and direction."""
    return but_counts(lines.turned(results))


def of_channel(results: Results, found: Evidence) -> Lines:
    """The lines that the subject's channel decides."""
    one_output = found.subject in ("sin", "cos")
    return lines.output_lines(found.subject, results) if one_output else lines.driven(results)


def of_channel_but_counts(results: Results, found: Evidence) -> Lines:
    """A foreign signal bends angles; it does not change how many turns there are, nor which way."""
    return but_counts(of_channel(results, found))


def of_silent_channel(results: Results, found: Evidence) -> Lines:
    """The current's channel decides the impedances alone."""
    if found.subject == "exc_i":
        return ("i_exc_rms", *lines.group("impedance"))
    return of_channel(results, found) if found.subject else lines.turned(results)


def resistances(_results: Results, _found: Evidence) -> Lines:
    """The coils' resistances and their match."""
    return (*lines.R20, "r20_match")


def temperatures(_results: Results, _found: Evidence) -> Lines:
    """What is referred to a temperature."""
    return (*lines.R20, "thermistor_minus_coil_degc")


def ratios(_results: Results, _found: Evidence) -> Lines:
    """The ratio group."""
    return lines.group("ratio")


def signed(_results: Results, _found: Evidence) -> Lines:
    """What half a turn of the electrical zero, a change of both signs, leaves open."""
    return ("zero_elec_deg", "phase_sin_deg", "phase_cos_deg")


def by_case(usual: Scope, **cases: Scope) -> Scope:
    """A scope for each case of the evidence (with underscores for spaces), else the usual one."""

    def scope(results: Results, found: Evidence) -> Lines:
        return cases.get(found.case.replace(" ", "_"), usual)(results, found)

    return scope


def angles(results: Results, _found: Evidence) -> Lines:
    """Everything that an angle is made of."""
    return lines.angles(results)


def places(results: Results, _found: Evidence) -> Lines:
    """What too few places of the electrical turn can't show."""
    return (*lines.angles(results), "tr_imbalance", "centre_sin", "centre_cos")


def but_counts(ids: Lines) -> Lines:
    """The lines without pole pairs and direction."""
    return tuple(id_ for id_ in ids if id_ not in ("pole_pairs", "direction"))
