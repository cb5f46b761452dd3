"""The simulated relay matrix: which relays are closed decides what part, source, sampler and meter are one network.

Channels: 1000 + row * 100 + column (rows: meter HI, LO, excitation HI, LO, sine HI, LO, cosine HI, LO; columns:
adapter pins 1 to 12, 15 core); 2001 loopback, 2002 leads shorted, 2003 check resistor, 2004 ratio standard, 2009 step
pulses onto the current's input. The meter in four-wire and the excitation input sense at the part's terminals, so
that adapter leads count only in two-wire resistance. Grounds are joined on the rig's side, behind the relays.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from drivers.simulated.world.part.circuit import CORE, TruePart
from drivers.simulated.world.part.network import GROUND, OPEN_OHM, Network
from drivers.simulated.world.part.stand_ins import Dummy, Fitted
from drivers.simulated.worldfile.keys import WorldFile

METER_HI, METER_LO, EXC_HI, EXC_LO, SIN_HI, SIN_LO, COS_HI, COS_LO = (f"row{n}" for n in range(1, 9))
AMPLIFIER = "amplifier"
LOOPBACK, LEAD_SHORT, CHECK_RESISTOR, RATIO_STANDARD = 2001, 2002, 2003, 2004
STEP_PULSES = 2009
TOUCH_OHM = 0.05
CHECK_OHM = 100.0
RATIO = 0.286
CORE_COLUMN = 15
ROW_OF_TERMINAL = {
    "exc_hi": EXC_HI,
    "exc_lo": EXC_LO,
    "sin_hi": SIN_HI,
    "sin_lo": SIN_LO,
    "cos_hi": COS_HI,
    "cos_lo": COS_LO,
}


def columns(world: WorldFile) -> dict[int, str]:
    """Matrix column -> terminal of the part. Another part's adapter permutes the pins, the same way for one name."""
    holder = world.holder
    terminals, pins = list(holder.pins), list(holder.pins.values())
    if holder.adapter:
        rng = np.random.default_rng(zlib.crc32(holder.adapter.encode()))
        order = np.arange(len(pins))
        while np.any(order == np.arange(len(pins))):
            order = rng.permutation(len(pins))
        pins = [pins[i] for i in order]
    return dict(zip(pins, terminals, strict=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class Wired:
    """One state of the relays as a network, with what is connected to each row."""

    network: Network
    closed: frozenset[int]
    columns_of_row: dict[int, tuple[int, ...]]
    sense_of_row: dict[int, str]

    def is_connected(self, row: int) -> bool:
        """Whether anything of the adapter is on a row."""
        return bool(self.columns_of_row.get(row))


def wire(
    world: WorldFile,
    part: Fitted,
    closed: frozenset[int],
    *,
    degc: float,
    t_s: float,
    thermistor_ohm: float | None,
    loose_ohm: Mapping[str, float] | None = None,
) -> Wired:
    """The network of a relay state at a part temperature and bench time (wet leaks drift)."""
    network = Network()
    if isinstance(part, TruePart):
        part.put_into(network, degc=degc, t_s=t_s, thermistor_ohm=thermistor_ohm, loose_ohm=loose_ohm)
    elif isinstance(part, Dummy):
        part.put_into(network, closed)
    else:
        part.put_into(network)
    terminals = columns(world)
    rows: dict[int, list[int]] = {}
    for channel in sorted(closed):
        row, column = divmod(channel - 1000, 100)
        if 1000 < channel < 2000 and 1 <= row <= 8 and 1 <= column <= 16:
            rows.setdefault(row, []).append(column)
            network.join(f"row{row}", f"column{column}")
    for column, terminal in terminals.items():
        broken = terminal == world.holder.broken_lead
        network.resistor(f"column{column}", terminal, OPEN_OHM if broken else world.holder.lead_ohm)
    if world.holder.bridged_leads:
        a, b = ({name: column for column, name in terminals.items()}[end] for end in world.holder.bridged_leads)
        network.resistor(f"column{a}", f"column{b}", world.holder.bridged_ohm)
    if world.holder.touched:
        network.resistor(world.holder.touched, CORE, TOUCH_OHM)
    network.join(f"column{CORE_COLUMN}", CORE)
    for terminal in world.grounds:
        network.join(ROW_OF_TERMINAL[terminal], GROUND)
    if world.core_grounded:
        network.join(CORE, GROUND)
    _put_rig(network, world, closed)
    sense = {row: _sense(row, tuple(found), terminals) for row, found in rows.items()}
    return Wired(
        network=network,
        closed=closed,
        columns_of_row={row: tuple(found) for row, found in rows.items()},
        sense_of_row=sense,
    )


def _put_rig(network: Network, world: WorldFile, closed: frozenset[int]) -> None:
    sampler, generator = world.sampler, world.generator
    for high, low in ((SIN_HI, SIN_LO), (COS_HI, COS_LO)):
        network.resistor(high, low, sampler.input_ohm)
        network.capacitor(high, low, sampler.input_pf * 1e-12)
    if LOOPBACK in closed:
        network.source(AMPLIFIER, "loopback_low", generator.amplifier_ohm)
        network.join("loopback_low", GROUND)
        network.resistor(AMPLIFIER, GROUND, sampler.input_ohm / 4)
        network.capacitor(AMPLIFIER, GROUND, 4 * sampler.input_pf * 1e-12)
        return
    network.source(AMPLIFIER, EXC_LO, generator.amplifier_ohm)
    network.resistor(AMPLIFIER, EXC_HI, sampler.shunt_ohm)


def _sense(row: int, found: tuple[int, ...], terminals: dict[int, str]) -> str:
    terminal = terminals.get(found[0])
    return f"row{row}" if terminal is None else terminal
