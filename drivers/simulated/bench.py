"""The simulated bench as a whole: one world, its instruments, and the wire that each of them hangs on.

Links as in drivers/simulated/README.md; which make answers on a wire is the world's choice (model, controller,
probe). The multimeter is a VISA serial resource or a socket, generator, sampler and switch box are sockets, axis,
encoder, climate probe and relay board are serial ports; the interlock is a second socket of the switch box.
"""

from __future__ import annotations

from functools import partial

from drivers.simulated.instruments.axis_tmcl import TmclAxis
from drivers.simulated.instruments.digitiser import Digitiser
from drivers.simulated.instruments.frame_instruments import ModbusCoils, ModbusInputs, ModbusProbe, RelayBoard
from drivers.simulated.instruments.generator_models import make_generator
from drivers.simulated.instruments.grbl.axis import GrblAxis
from drivers.simulated.instruments.hand import Cables, Hand
from drivers.simulated.instruments.line_instruments import ClimateProbe, EncoderDisplay, LineSession
from drivers.simulated.instruments.multimeter.models import make_multimeter
from drivers.simulated.instruments.oscilloscope import Oscilloscope
from drivers.simulated.instruments.scpi.dialogue import ClientSession, ScpiInstrument
from drivers.simulated.instruments.small_frame import SmallFrame
from drivers.simulated.instruments.switch_box import SwitchBox
from drivers.simulated.instruments.two_channel_scope import TwoChannelScope
from drivers.simulated.interfaces import Emit, Session, WorldInterface
from drivers.simulated.wires.clock import ClockSession
from drivers.simulated.wires.faults import Gate
from drivers.simulated.wires.server import Server
from drivers.simulated.world.safety_chain import SafetyChain
from drivers.simulated.worldfile.keys import WorldFile

DISPLAY_S = 0.01
PROBE_S = 0.05
HANDS = ("guard_closed", "emergency_stop", "key")  # what a person at the bench can do, told over the clock's port


class Wiring:
    """One world's instruments on one server's wires; role -> link address in `links`, role -> faults in `gates`."""

    def __init__(self, server: Server, file: WorldFile, world: WorldInterface, chain: SafetyChain, emit: Emit) -> None:
        self._server, self._file, self._world, self._chain, self._emit = server, file, world, chain, emit
        self.gates = {
            role: Gate(role, file.faults_of_wire, file.seed)
            for role in ("multimeter", "generator", "sampler", "axis", "encoder", "switch", "interlock", "climate")
        }
        self.links: dict[str, str] = {}
        self._cables = Cables()
        self._measuring()
        self._axis()
        self._switching()
        self._air()

    def _socket(self, role: str, instrument: ScpiInstrument, command_s: float = 0.0) -> None:
        gate = self.gates[role]
        gate.storm = instrument.storm
        self.links[role] = self._server.listen(role, lambda: ClientSession(instrument, gate, command_s=command_s), gate)

    def _serial(self, role: str, session: Session) -> str:
        path = self._server.serial(role, session, self.gates[role])
        self.links[role] = f"serial://{path}"
        return path

    def _measuring(self) -> None:
        file, world = self._file, self._world
        meter, gate = make_multimeter(world, file.multimeter.model), self.gates["multimeter"]
        if file.multimeter.wire == "tcp":
            self._socket("multimeter", meter, file.multimeter.command_s)
        else:
            gate.storm = meter.storm
            session = ClientSession(
                meter, gate, terminator=b"\r\n", clear_byte=b"\x03", command_s=file.multimeter.command_s
            )
            self.links["multimeter"] = f"visa://ASRL{self._serial('multimeter', session)}::INSTR"
        generator = make_generator(self._chain, file.generator.load, file.generator.model)
        self._socket("generator", generator, file.generator.command_s)
        self._socket("sampler", self._sampler())

    def _sampler(self) -> ScpiInstrument:
        own, gate = self._file.sampler, self.gates["sampler"]
        if own.model == "DS1102Z-E":
            return TwoChannelScope(self._world, own, self._cables, self._file.seed, gate=gate)
        if own.model == "DS1104Z":
            return Oscilloscope(self._world, bits=own.bits, arm_s=own.arm_s, gate=gate)
        return Digitiser(self._world, bits=own.bits, range_v=own.range_v, arm_s=own.arm_s, read_s=own.read_s, gate=gate)

    def _axis(self) -> None:
        own, gate = self._file.axis, self.gates["axis"]
        if own.controller == "tmcl":
            session: Session = TmclAxis(
                self._chain, gate, steps_per_turn=own.steps_per_turn, microsteps=own.microsteps, has_index=own.index
            )
        else:
            session = GrblAxis(
                self._chain,
                gate,
                steps_per_turn=own.steps_per_turn,
                has_index=own.index,
                command_s=own.command_s,
            )
        self._serial("axis", session)
        if own.encoder:
            display = EncoderDisplay(self._world).answer
            self._serial("encoder", LineSession(display, self.gates["encoder"], latency_s=DISPLAY_S))

    def _hand(self, *roles: str) -> None:
        hand = Hand(self._world, self._file, self._cables, self._emit)
        for role in roles:
            gate = self.gates[role]
            self.links[role] = self._server.listen(role, partial(LineSession, hand.answer, gate), gate)

    def _switching(self) -> None:
        if self._file.switch.model == "hand":
            watches = [] if self._file.interlock.read else ["interlock"]
            self._hand("switch", *watches, *(["climate"] if self._file.climate.probe == "hand" else []))
            if watches:
                return
        box = SwitchBox(self._world, self._emit, self._chain.pulse)
        if self._file.switch.model == "hand":
            pass  # the box has inputs only
        elif self._file.switch.model == "relay-board":
            board = RelayBoard(self._world, self._emit, self._file.switch.relays, self.gates["switch"])
            self._serial("switch", board)
        elif self._file.switch.model == "modbus-relays":
            self._serial("switch", ModbusCoils(self.gates["switch"], self._relays_changed))
        elif self._file.switch.model == "34970A":
            self._socket("switch", SmallFrame(self._world, self._emit))
        else:
            self._socket("switch", box)
        if self._file.interlock.model == "modbus-inputs":
            self._serial("interlock", ModbusInputs(self._world, self.gates["interlock"], self._chain.pulse))
        else:
            self._socket("interlock", box)

    def _relays_changed(self, t_s: float, relays: frozenset[int]) -> None:
        """Relays by number, each the channel of the matrix that it stands for."""
        channels = self._file.switch.relays
        closed = frozenset(channels[relay - 1] for relay in relays if relay <= len(channels))
        self._world.relays_set(t_s, closed)
        self._emit(t_s, "relays", closed=sorted(closed))

    def _air(self) -> None:
        gate = self.gates["climate"]
        if self._file.climate.probe == "hand":
            return
        if self._file.climate.probe == "modbus":
            self._serial("climate", ModbusProbe(self._world, gate))
        else:
            self._serial("climate", LineSession(ClimateProbe(self._world).answer, gate, latency_s=PROBE_S))


def connect(server: Server, file: WorldFile, world: WorldInterface, chain: SafetyChain, emit: Emit) -> dict[str, str]:
    """Puts every instrument of the world on its wire; role -> link address."""
    return Wiring(server, file, world, chain, emit).links


def open_clock(server: Server, world: WorldInterface, chain: SafetyChain) -> str:
    """The clock's own port; its address. Hands at the bench are told there too."""

    def hands(t_s: float, told: dict[str, object]) -> None:
        acts = {name: value for name, value in told.items() if name in HANDS and isinstance(value, bool)}
        if acts.keys() != told.keys():
            raise ValueError(f"{', '.join(HANDS)} are true or false")
        world.set_hands(**{name: acts.get(name) for name in HANDS})
        chain.check(t_s)

    return server.listen("clock", lambda: ClockSession(server.clock, hands))
