"""Clients that others wrote, against the simulated instruments as they would be used against real ones.

Each check returns what it saw, raises AssertionError when that is wrong, and Absent when the client is not installed.
"""

import importlib
import shutil
import subprocess
import warnings

from plain_bench import PlainWorld, served


class Absent(Exception):
    """The client is not here."""


def library(name):
    try:
        return importlib.import_module(name)
    except ImportError as fault:
        raise Absent(f"{name} is not installed: NOT RUN (pip install -e '.[dev]')") from fault


def resource(url):
    host, _, port = url.removeprefix("tcp://").partition(":")
    return f"TCPIP::{host}::{port}::SOCKET"


def pymeasure_client(module, name, url):
    """An instrument of pymeasure on a simulated socket."""
    library("pymeasure")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        kind = getattr(library(f"pymeasure.instruments.{module}"), name)
        return kind(resource(url), visa_library="@py", write_termination="\n", read_termination="\n")


def closed(client):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        client.adapter.close()
        client.adapter.manager.close()


def meter_34401a():
    """pymeasure's HP34401A: four-wire ohms and DC volts."""
    with served(multimeter="34401A") as bench:
        client = pymeasure_client("hp", "HP34401A", bench.links["multimeter"])
        assert "34401A" in client.id
        client.function_, client.range_, client.nplc = "R4W", 100, 1
        ohm = client.reading
        client.function_ = "DCV"
        volt = client.reading
        client.detector_bandwidth = 20
        assert (client.detector_bandwidth, client.terminals_used) == (20, "FRONT")
        assert (ohm, volt) == (9.0, 0.5), (ohm, volt)
        closed(client)
    return f"{ohm} ohm, {volt} V"


def meter_34410a():
    """pymeasure's Agilent34410A: MEAS with DEF, DEF."""
    with served(multimeter="34410A") as bench:
        client = pymeasure_client("agilent", "Agilent34410A", bench.links["multimeter"])
        seen = (client.resistance, client.resistance_4w, client.voltage_dc, client.voltage_ac)
        assert seen == (9.0, 9.0, 0.5, 0.5), seen
        closed(client)
    return f"{seen}"


def meter_dmm6500():
    """pymeasure's KeithleyDMM6500: modes, ranges, integration time."""
    with served(multimeter="DMM6500") as bench:
        client = pymeasure_client("keithley", "KeithleyDMM6500", bench.links["multimeter"])
        assert client.command_set == "SCPI"
        client.measure_resistance(max_resistance=100, wires=4)
        client.resistance_4W_nplc = 5
        seen = (client.mode, client.resistance_4W_range, client.resistance_4W_nplc, client.resistance)
        assert seen == ("resistance 4W", 100, 5, 9.0), seen
        client.measure_voltage(10)
        assert client.voltage == 0.5
        closed(client)
    return f"{seen}"


def generator_33500():
    """pymeasure's Agilent33500: frequency, amplitude, unit, output."""
    world = PlainWorld()
    with served(generator="33511B", world=world) as bench:
        client = pymeasure_client("agilent", "Agilent33500", bench.links["generator"])
        client.ch_1.output = False
        client.ch_1.frequency = 7000
        client.ch_1.amplitude_unit = "VRMS"
        client.ch_1.amplitude = 1.5
        client.ch_1.output = True
        seen = (client.ch_1.frequency, client.ch_1.amplitude_unit, client.ch_1.amplitude, client.ch_1.output)
        assert seen == (7000, "VRMS", 1.5, True), seen
        closed(client)
    assert any(order[0] == "generator" and order[1] and order[2] == 7000.0 for order in world.orders)
    return f"{seen}"


def generator_33220a():
    """pymeasure's Agilent33220A: headers without a SOURce node."""
    with served(generator="33220A") as bench:
        client = pymeasure_client("agilent", "Agilent33220A", bench.links["generator"])
        client.shape, client.frequency, client.amplitude, client.output = "SIN", 5000, 0.5, True
        seen = (client.shape, client.frequency, client.amplitude, client.output)
        assert seen == ("SIN", 5000, 0.5, True), seen
        closed(client)
    return f"{seen}"


def generator_dg800():
    """pymeasure's DG800: load, frequency, output."""
    with served(generator="DG822") as bench:
        client = pymeasure_client("rigol.rigol_dg800", "DG800", bench.links["generator"])
        channel = client.channel_1
        channel.frequency, channel.output_enabled = 7000, True
        seen = (channel.frequency, channel.output_enabled)
        assert seen == (7000, True), seen
        closed(client)
    return f"{seen}"


def axis_tmcm():
    """PyTrinamic's TMCM-1240: version, move, position reached, rotate, stop, and a refused parameter."""
    tmcl = library("pytrinamic.tmcl")
    interface = library("pytrinamic.connections.serial_tmcl_interface").SerialTmclInterface
    module_kind = library("pytrinamic.modules.TMCM1240").TMCM1240
    with served(axis="tmcl") as bench, interface(bench.links["axis"].removeprefix("serial://"), timeout_s=2) as wire:
        motor = module_kind(wire).motors[0]
        version = wire.get_version_string()
        motor.set_axis_parameter(motor.AP.MaxVelocity, 3200)
        motor.move_to(640)
        polls = 0
        while not motor.get_position_reached():
            polls += 1
            assert polls < 2000
        assert motor.get_axis_parameter(motor.AP.ActualPosition, signed=True) == 640
        motor.rotate(-1000)
        assert motor.get_axis_parameter(motor.AP.ActualVelocity) >= 0
        motor.stop()
        try:
            motor.set_axis_parameter(motor.AP.StandbyCurrent, 999)
        except tmcl.TMCLReplyStatusError:
            refused = True
        else:
            refused = False
        assert refused
    return f"{version}, 640 microsteps reached, 999 refused"


def sigrok(model):
    """sigrok-cli's scpi-dmm driver on a raw socket: three samples."""
    program = shutil.which("sigrok-cli")
    if program is None:
        raise Absent("sigrok-cli is not installed: NOT RUN (python tests/prepare.py, or apt-get install sigrok-cli)")
    with served(multimeter=model) as bench:
        host, _, port = bench.links["multimeter"].removeprefix("tcp://").partition(":")
        words = [program, "-d", f"scpi-dmm:conn=tcp-raw/{host}/{port}", "--samples", "3"]
        done = subprocess.run(words, capture_output=True, text=True, timeout=60, check=False)
    lines = done.stdout.splitlines()
    assert done.returncode == 0 and len(lines) == 3, (done.returncode, done.stdout, done.stderr)
    return f"{model}: {lines[0]}"


CLIENTS = {
    "pymeasure HP34401A": meter_34401a,
    "pymeasure Agilent34410A": meter_34410a,
    "pymeasure KeithleyDMM6500": meter_dmm6500,
    "pymeasure Agilent33500": generator_33500,
    "pymeasure Agilent33220A": generator_33220a,
    "pymeasure DG800": generator_dg800,
    "PyTrinamic TMCM-1240": axis_tmcm,
    "sigrok-cli 34401A": lambda: sigrok("34401A"),
    "sigrok-cli 34465A": lambda: sigrok("34465A"),
}
