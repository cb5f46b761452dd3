"""The simulated bench as a whole: one world, its instruments, and the wire that each of them hangs on.

Links as in DEVELOPERS.md 1.1. The multimeter is a VISA serial resource, generator, sampler and switch are sockets,
axis, encoder and climate probe are serial ports; the interlock is a second socket of the switch box.
"""

from __future__ import annotations

import math

from drivers.simulated.axis_grbl import GrblAxis
from drivers.simulated.climate_probe import ClimateProbe
from drivers.simulated.clock import ClockSession
from drivers.simulated.digitiser import Digitiser
from drivers.simulated.encoder_display import EncoderDisplay
from drivers.simulated.face import Emit, Session, WorldFace
from drivers.simulated.faults import Gate, WireFault
from drivers.simulated.generator import SOURCE_OHM, Generator
from drivers.simulated.lines import LineSession
from drivers.simulated.multimeter import Multimeter
from drivers.simulated.safety_chain import SafetyChain
from drivers.simulated.scpi_dialogue import ScpiInstrument, ScpiSession
from drivers.simulated.server import Server
from drivers.simulated.switch_box import SwitchBox
from drivers.simulated.worldfile import WorldFile

DISPLAY_S = 0.01
PROBE_S = 0.05


def connect(server: Server, file: WorldFile, world: WorldFace, chain: SafetyChain, emit: Emit) -> dict[str, str]:
    """Puts every instrument of the world on its wire; role -> link address."""
    faults = [WireFault.model_validate(row.model_dump()) for row in file.faults_of_wire]

    def gate(role: str) -> Gate:
        return Gate(role, faults, file.seed)

    def socket(role: str, instrument: ScpiInstrument, command_s: float = 0.0) -> str:
        own = gate(role)
        own.storm = instrument.storm
        return server.listen(role, lambda: ScpiSession(instrument, own, command_s=command_s), own)

    def serial(role: str, session: Session, own: Gate) -> str:
        return f"serial://{server.serial(role, session, own)}"

    meter, own = Multimeter(world), gate("multimeter")
    own.storm = meter.storm
    meter_session = ScpiSession(meter, own, terminator=b"\r\n", clear_byte=b"\x03", command_s=file.multimeter.command_s)
    load_ohm = SOURCE_OHM if file.generator.load == "50" else math.inf
    box = SwitchBox(world, emit)
    sampler = Digitiser(
        world,
        bits=file.sampler.bits,
        range_v=file.sampler.range_v,
        arm_s=file.sampler.arm_s,
        read_s=file.sampler.read_s,
    )
    axis_gate = gate("axis")
    axis = GrblAxis(
        chain,
        axis_gate,
        steps_per_turn=file.axis.steps_per_turn,
        has_index=file.axis.index,
        command_s=file.axis.command_s,
    )
    links = {
        "multimeter": f"visa://ASRL{server.serial('multimeter', meter_session, own)}::INSTR",
        "generator": socket("generator", Generator(chain, load_ohm), file.generator.command_s),
        "sampler": socket("sampler", sampler),
        "axis": serial("axis", axis, axis_gate),
    }
    if file.axis.encoder:
        own = gate("encoder")
        links["encoder"] = serial("encoder", LineSession(EncoderDisplay(world).answer, own, latency_s=DISPLAY_S), own)
    links["switch"] = socket("switch", box)
    links["interlock"] = socket("interlock", box)
    own = gate("climate")
    links["climate"] = serial("climate", LineSession(ClimateProbe(world).answer, own, latency_s=PROBE_S), own)
    return links


def open_clock(server: Server) -> str:
    """The clock's own port; its address."""
    return server.listen("clock", lambda: ClockSession(server.clock))
