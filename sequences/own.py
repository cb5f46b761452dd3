"""A shop's own sequence: a Python file in the home's `sequences/`, put together from the steps of sequences/blocks.py.

    from rig.control.sequencer import StepSequence
    from rig.description.traits import Traits
    from sequences import blocks as b

    SEQUENCE = StepSequence(
        name="coils_only", title="Coils and leaks", traits=Traits(minutes=1.0),
        steps=(*b.SHORT_OPENING, b.CLIMATE_AFTER),
    )

It is found by its name and checked before anything is opened: only steps of ours, each with its own gate and limit of
time; what is gated before a step in every sequence of ours is gated before it here; nothing between excitation and its
end that switches relays. Ceilings, guard, watchdog and safe state stand below every sequence. The version in a run's
header carries the file's hash, so that a changed file is another version.
"""

from __future__ import annotations

import hashlib
import importlib.util
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path
from types import ModuleType

from rig.control.abilities import ABILITIES
from rig.control.sequencer import StepSequence
from rig.description.places import default_home
from rig.errors import UsageError

FOLDER = "sequences"
NAME = re.compile(r"[a-z][a-z0-9_]{1,40}")
EXCITE, RAMP_DOWN, INDEX = "excite", "ramp_down", "index"
HANDS = "hands"  # a test in which a person is the instrument goes its own way
LONGEST_MIN = 240.0
Ours = Mapping[str, StepSequence]


def own_names() -> list[str]:
    """Names of the files in the home's folder."""
    return sorted(path.stem for path in (default_home() / FOLDER).glob("*.py") if NAME.fullmatch(path.stem))


def own_sequence(name: str, ours: Ours) -> StepSequence | None:
    """The shop's sequence of a name, checked; None where there is no such file.

    Raises UsageError that names the file and what is wrong with it.
    """
    path = default_home() / FOLDER / f"{name}.py"
    if not NAME.fullmatch(name) or not path.is_file():
        return None
    found = getattr(_module(path), "SEQUENCE", None)
    if not isinstance(found, StepSequence):
        raise _wrong(path, "has no SEQUENCE made by StepSequence(...)")
    everywhere = {one: sequence for one, sequence in ours.items() if HANDS not in sequence.needs}
    _check(path, found, {one: s for one, s in everywhere.items() if s.traits.judges_part}, everywhere)
    mark = hashlib.sha256(path.read_bytes()).hexdigest()[:8]
    return replace(found, version=f"{found.version} own {mark}")


def _module(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"own_sequence_{path.stem}", path)
    if spec is None or spec.loader is None:
        raise _wrong(path, "can't be loaded")
    module = importlib.util.module_from_spec(spec)
    try:
        spec.loader.exec_module(module)
    except Exception as fault:  # whatever a file of somebody else's does wrong is told as that file's
        line = getattr(fault, "lineno", None) or _line_of(fault, path)
        raise _wrong(path, f"can't be run: {type(fault).__name__}: {fault}", line) from fault
    return module


def _line_of(fault: BaseException, path: Path) -> int | None:
    """The line of the file that an exception came through last."""
    line, trace = None, fault.__traceback__
    while trace is not None:
        if trace.tb_frame.f_code.co_filename == str(path):
            line = trace.tb_lineno
        trace = trace.tb_next
    return line


def _check(path: Path, own: StepSequence, ours: Ours, everywhere: Ours) -> None:
    if own.name != path.stem:
        raise _wrong(path, f"calls itself {own.name!r}; name and file are the same")
    known = {step.name: step for sequence in ours.values() for step in sequence.steps}
    blocks = [step for sequence in ours.values() for step in sequence.steps]
    for step in own.steps:
        if not any(step == one for one in blocks):
            near = get_close_matches(getattr(step, "name", ""), known, n=1, cutoff=0.0)
            told = f"step {getattr(step, 'name', step)!r} is none of sequences/blocks.py"
            raise _wrong(path, f"{told} (nearest: {near[0]})")
    names = [step.name for step in own.steps]
    if not names:
        raise _wrong(path, "has no steps")
    if double := [name for name in names if names.count(name) > 1]:
        raise _wrong(path, f"takes step {double[0]!r} twice")
    for name in own.needs - set(ABILITIES):
        near = get_close_matches(name, ABILITIES, n=1, cutoff=0.0)
        raise _wrong(path, f"needs {name!r}, which is no ability (nearest: {near[0]})")
    _check_gates(path, names, ours, everywhere)
    _check_excitation(path, names, ours)
    _check_traits(path, own, ours)


def _check_gates(path: Path, names: list[str], ours: Ours, everywhere: Ours) -> None:
    """Gates before what they guard. Before excitation: all that come before it wherever a part is judged; before any
    other step those that come before it in every sequence (excitation among them, so that the rest follows).
    """
    gated = {step.name for sequence in ours.values() for step in sequence.steps if step.gate is not None} | {INDEX}
    for at, name in enumerate(names):
        missing = (_always_before(ours if name == EXCITE else everywhere, name) & gated) - set(names[:at])
        if missing:
            first = next(one for one in _in_order(ours) if one in missing)
            raise _wrong(path, f"step {name!r} comes without {first!r} before it")


def _check_excitation(path: Path, names: list[str], ours: Ours) -> None:
    """Nothing is under excitation, or outside it, that is not so in a sequence of ours."""
    under = _under_excitation(names, path)
    inside = {name for sequence in ours.values() for name in _under_excitation([s.name for s in sequence.steps], path)}
    outside = {step.name for sequence in ours.values() for step in sequence.steps} - inside
    for name in names:
        if name in under and name not in inside:
            raise _wrong(path, f"step {name!r} stands between {EXCITE!r} and {RAMP_DOWN!r}: it switches relays")
        if name not in under and name not in outside and name not in (EXCITE, RAMP_DOWN):
            raise _wrong(path, f"step {name!r} stands outside {EXCITE!r} and {RAMP_DOWN!r}: it needs the excitation")


def _under_excitation(names: Iterable[str], path: Path) -> set[str]:
    found: set[str] = set()
    excited = False
    for name in names:
        if name == EXCITE:
            excited = True
        elif name == RAMP_DOWN:
            if not excited:
                raise _wrong(path, f"{RAMP_DOWN!r} comes without {EXCITE!r} before it")
            excited = False
        elif excited:
            found.add(name)
    if excited:
        raise _wrong(path, f"{EXCITE!r} comes without {RAMP_DOWN!r} after it")
    return found


def _always_before(sequences: Ours, name: str) -> set[str]:
    """Names of the steps that come before this one in every sequence that takes it."""
    found: set[str] | None = None
    for sequence in sequences.values():
        steps = [step.name for step in sequence.steps]
        if name in steps:
            before = set(steps[: steps.index(name)])
            found = before if found is None else found & before
    return found or set()


def _in_order(ours: Ours) -> list[str]:
    return list(dict.fromkeys(step.name for sequence in ours.values() for step in sequence.steps))


def _check_traits(path: Path, own: StepSequence, ours: Ours) -> None:
    traits = own.traits
    if traits.question or traits.proves_bench or traits.draft_allowed:
        raise _wrong(path, "traits: it judges a confirmed part: no question, no proves_bench, no draft_allowed")
    if not 0.0 < traits.minutes <= LONGEST_MIN:
        raise _wrong(path, f"traits: minutes is {traits.minutes:g}; say how long it takes, up to {LONGEST_MIN:g}")
    names = {step.name for step in own.steps}
    if traits.certified and not any(
        sequence.traits.certified and {step.name for step in sequence.steps} <= names for sequence in ours.values()
    ):
        raise _wrong(path, "traits: certified needs every step of a sequence of ours that earns a report")


def _wrong(path: Path, what: str, line: int | None = None) -> UsageError:
    where = f"{path}:{line}" if line else str(path)
    return UsageError(f"{where}: {what}.", next_action="Mend the file; nothing was opened. See sequences/own.py.")
