"""`anglewright run teach`: a holder file taught by hands; the channel map by touching each pin with the core clip.

It prints nothing itself and excites nothing. The bench is opened for each look and closed before the next question. On
a simulated bench the hands are settings of its world (holder.touched); pins are then the part file's. Whole or not at
all, read back by the strict reader, never over another file.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.description.benches import BenchFile
from rig.description.holders import Holder
from rig.description.places import default_home
from rig.errors import UsageError
from rig.jobs.bench.description_files import toml_text, write_new
from rig.jobs.bench.dialogue import Questions
from rig.jobs.bench.holder_axis import Turned, datum_deg, turned

if TYPE_CHECKING:
    from sequences.teaching import Joined

CLOSED_OHM = 5.0
ARMED_S = 600.0  # for one turn or one stand
TOUCHED, NONE = "touched", "none"
LEAD_OHM, LEAD_U_OHM = 0.16, 0.05  # of a holder file that says nothing else


@dataclass(frozen=True, slots=True, kw_only=True)
class Touch:
    """A pin, the column that closed, and the two-wire resistance from the clip through both leads."""

    pin: str
    column: int
    ohm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Taught:
    """A new holder file: where, its text as it was read back, the touches, and what the axis showed (None: no axis)."""

    path: Path
    text: str
    simulated: bool
    holder: Holder
    touches: tuple[Touch, ...]
    axis: Turned | None

    def document(self) -> dict[str, Any]:
        """As one JSON document."""
        return {
            "schema": "anglewright holder new 1",
            "path": str(self.path),
            "simulated": self.simulated,
            "holder": self.holder.model_dump(mode="json", by_alias=True),
            "touched": [asdict(one) for one in self.touches],
            "axis": None if self.axis is None else asdict(self.axis),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Teaching:
    """A bench on which a holder is taught. pins: adapter pin -> terminal, "" where none is known."""

    bench: BenchFile
    pins: dict[str, str]
    speed: str
    ask: Questions
    say: Callable[[str], None]

    def look(self, work: Callable[[Any], Any], touched: str = "") -> Any:
        """Open the bench, do one piece of work, close it. touched: the terminal that simulated hands hold."""
        from rig.control.bench import open_bench

        file = self.bench
        if file.world is not None:
            hands = {"holder.fitted": "nothing", "holder.touched": touched}
            file = file.model_copy(update={"world_settings": {**file.world_settings, **hands}})
        blank = Holder.model_validate({"schema": "anglewright holder 1", "name": "untaught", "channels": {}})
        with open_bench(file, blank, speed=self.speed, purpose="teaching of a holder") as bench:
            return work(bench)

    def turn(self, work: Callable[[Any], Any]) -> Any:
        """The same for work that turns the axis: a real bench is armed by hand first, at its terminal."""
        from rig.jobs.operator.arming_prompt import at_terminal

        def arm(bench: Any) -> Any:
            bench.token.check()
            at_terminal(bench, ARMED_S)
            return work(bench)

        return self.look(arm)


def pins_of(part: str | None, named: Sequence[str], bench: BenchFile) -> dict[str, str]:
    """Adapter pin -> terminal of the part ("" for none), in the part file's order, or the pins named.

    Raises UsageError without either, and for a simulated bench without a part file: nobody can touch its pins.
    """
    if part is not None:
        from rig.description.parts import load_part

        file = load_part(part)
        terminals = {pin: terminal for terminal, pin in file.pins.items()}
        return {pin: terminals.get(pin, "") for pin in (*terminals, *file.empty_pins, *named)}
    if bench.world is not None:
        raise UsageError(
            f"bench {bench.name} is simulated: its pins are touched by the terminals of a part file.",
            next_action="Name one with --part.",
        )
    if not named:
        raise UsageError("no pins to teach.", next_action="Name the part file with --part, or pins: --pins 1,2,3.")
    return dict.fromkeys(named, "")


def make(name: str, write: Path | None, teaching: Teaching) -> Taught:
    """Ask, look, and write the holder file. Errors as `Questions`, `write_new` and the bench tell them."""
    path = write or default_home() / "holders" / f"{name}.toml"
    if path.exists():
        raise UsageError(f"{path} is there already.", next_action="Choose another name, or move that file away first.")
    ask = teaching.ask
    axis = turned(teaching.bench, ask, teaching.say, teaching.turn)
    core_pin = ask.text("core_pin", "name of the adapter's core clip", "core")
    clip = int(ask.number("clip.column", "column of the relay matrix that the core clip is on", 15))
    last = int(ask.number("columns", "columns that the relay matrix has", 16))
    if not 1 <= clip <= last:
        raise UsageError(
            f"clip.column {clip} is none of the columns 1 to {last}.", next_action="Correct clip.column or columns."
        )
    touches = _touches(teaching, core_pin, clip, [c for c in range(1, last + 1) if c != clip])
    data: dict[str, Any] = {"schema": "anglewright holder 1", "name": name}
    data["title"] = ask.text("title", "what the holder is called", name)
    data["core_pin"] = core_pin
    data["datum"] = ask.text("datum", "the mark that the index refers to, empty for none", "")
    if data["datum"]:
        data["index_to_datum_deg"] = datum_deg(teaching.bench if axis else None, ask, teaching.say, teaching.turn)
    data |= _leads(teaching, touches)
    data["centring_mm"] = ask.number("centring_mm", "stated scatter of the seat over re-clampings, mm", 0.01)
    data["axial_mm"] = ask.number("axial_mm", "the same along the shaft, mm", 0.02)
    data["safety"] = ask.text("safety", "what is shown before each run", "Close the guard before anything turns.")
    data |= ask.rest()
    data["channels"] = {touch.pin: touch.column for touch in touches} | {core_pin: clip}
    simulated = teaching.bench.is_simulated
    head = f"Made by `anglewright run teach` on bench {teaching.bench.name}" + (", SIMULATED." if simulated else ".")
    text = toml_text(data, head)
    made = write_new(Holder, path, text)
    return Taught(path=path, text=text, simulated=simulated, holder=made, touches=tuple(touches), axis=axis)


def _touches(teaching: Teaching, core_pin: str, clip: int, columns: Sequence[int]) -> list[Touch]:
    found: list[Touch] = []
    for pin, terminal in teaching.pins.items():
        if pin == core_pin:
            continue
        touch = _touch(teaching, pin, terminal, clip, columns, found)
        if touch is not None:
            found.append(touch)
    if not found:
        raise UsageError("no pin was touched: nothing was written.", next_action="Touch at least one pin.")
    return found


def _touch(
    teaching: Teaching, pin: str, terminal: str, clip: int, columns: Sequence[int], before: Sequence[Touch]
) -> Touch | None:
    """One pin, asked until one column alone closes or the answer is none."""
    named = f"{pin} ({terminal})" if terminal else pin
    question = f"nothing on the adapter; hold the core clip on pin {named}, guard closed, Enter; or {NONE}"
    while True:
        answer = teaching.ask.text(f"pin.{pin}", question, TOUCHED)
        if answer == NONE:
            teaching.say(f"  pin {named} is left without a channel")
            return None
        if answer != TOUCHED:
            teaching.say(f"  {answer!r} won't do: Enter or {NONE}")
            continue
        found = _joined(teaching, terminal, clip, columns)
        fault = _fault(found, clip, before)
        if not fault:
            touch = Touch(pin=pin, column=found[0].column, ohm=found[0].ohm)
            teaching.say(f"  pin {named} is on column {touch.column} ({touch.ohm:.2f} ohm)")
            return touch
        teaching.say(f"  pin {named}: {fault}")


def _joined(teaching: Teaching, terminal: str, clip: int, columns: Sequence[int]) -> tuple[Joined, ...]:
    from sequences.teaching import joined

    found: tuple[Joined, ...] = teaching.look(lambda bench: joined(bench, clip, columns), terminal)
    return found


def _fault(found: Sequence[Joined], clip: int, before: Sequence[Touch]) -> str:
    """Why these columns do not tell the pin; "" when one alone closed that no other pin has."""
    told = ", ".join(f"{one.column} ({one.ohm:.3g} ohm)" for one in found)
    if not found:
        return f"no column closes: a poor touch, a broken lead, or the clip is not on column {clip}"
    if len(found) > 1:
        return f"columns {told} close together: leads bridged, or something is on the adapter"
    if found[0].ohm > CLOSED_OHM:
        return f"column {told} is no clean touch, {CLOSED_OHM:.0f} ohm at most: clean the pin"
    other = next((touch.pin for touch in before if touch.column == found[0].column), "")
    return f"column {found[0].column} answered to pin {other} already" if other else ""


def _leads(teaching: Teaching, touches: Sequence[Touch]) -> dict[str, float]:
    """Resistance of a pair of leads, proposed from the touches less the meter's own leads, where a relay tells them."""
    from sequences.teaching import lead_zero_ohm

    zero_ohm = teaching.look(lead_zero_ohm)
    pairs = [touch.ohm - zero_ohm for touch in touches] if zero_ohm is not None else [LEAD_OHM]
    pair_ohm = round(max(0.0, statistics.median(pairs)), 3)
    spread_ohm = round(max(LEAD_U_OHM, statistics.pstdev(pairs)), 3)
    source = "as touched" if zero_ohm is not None else "usual"
    ask = teaching.ask
    return {
        "lead_ohm": ask.number("lead_ohm", f"two-wire resistance of a pair of leads, {source}, ohm", pair_ohm),
        "lead_u_ohm": ask.number("lead_u_ohm", "its standard uncertainty, ohm", spread_ohm),
    }
