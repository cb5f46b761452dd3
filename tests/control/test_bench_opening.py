"""From a bench file to instruments: the order of opening, what is refused, and that nothing stays open or on."""

import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

sys.path += [str(Path(__file__).parents[1] / name) for name in ("drivers", "sequences")]
from fake_bench import (
    FakeAxis,
    FakeClimate,
    FakeGenerator,
    FakeInterlock,
    FakeMeter,
    FakeSampler,
    FakeSwitch,
    FakeWorld,
)

import drivers.shelf
import rig.control.bench
from drivers.roles import Identity
from rig.control.bench import open_bench
from rig.description.benches import BenchFile, load_bench
from rig.description.holders import load_holder
from rig.errors import Cancelled, LinkDown, UsageError, WrongInstrument

KINDS: dict[str, Any] = {
    "generator": FakeGenerator,
    "switch": FakeSwitch,
    "axis": FakeAxis,
    "interlock": FakeInterlock,
    "multimeter": FakeMeter,
    "sampler": FakeSampler,
    "climate": FakeClimate,
}


class FakeDog:
    """Notes what it is armed with, and that it was let go."""

    pid = 1

    def __init__(self, token: object, held: tuple[int, ...] = ()) -> None:
        self.held = held
        self.world = WORLD[0]
        self.world.calls.append(("watchdog", "start"))

    def arm(self, devices: dict[str, Any]) -> None:
        self.world.calls.append(("watchdog", "arm", tuple(devices)))

    def progress(self, limit_s: float | None = None) -> None:
        """Nothing to note."""

    def close(self) -> None:
        self.world.calls.append(("watchdog", "close"))


WORLD: list[FakeWorld] = []


@pytest.fixture
def world(monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeWorld]:
    """Fakes behind the shelf."""
    one = FakeWorld()
    WORLD[:] = [one]

    def open_driver(driver: str, link: str, name: str, **options: Any) -> Any:
        made = KINDS[name](name, one)
        one.calls.append((name, "built", link, options))
        return made

    monkeypatch.setattr(drivers.shelf, "open_driver", open_driver)
    monkeypatch.setattr(rig.control.bench, "Watchdog", FakeDog)
    yield one


def _file(**changes: Any) -> BenchFile:
    """A real bench: every instrument has a link of its own (an address: a name would be looked up), no world."""
    file = load_bench("simulated").model_copy(update={"world": None, "encoder": None})
    devices = enumerate(file.devices().items(), 1)
    roles = {role: device.model_copy(update={"link": f"tcp://127.0.1.{n}:1"}) for n, (role, device) in devices}
    for role, update in changes.items():
        roles[role] = roles[role].model_copy(update=update)
    return file.model_copy(update=roles)


HOLDER = load_holder("adapter_8")


def test_the_watchdog_is_armed_before_the_first_instrument_is_opened(world: FakeWorld) -> None:
    """With generator and axis, no more."""
    with open_bench(_file(), HOLDER):
        calls = list(world.calls)
    first_open = next(i for i, call in enumerate(calls) if call[1] == "open")
    assert calls.index(("watchdog", "arm", ("generator", "axis"))) < first_open


def test_a_cold_start_is_off_before_anybody_is_asked_who_he_is(world: FakeWorld) -> None:
    """Output off and relays open right after their links are open; nothing is switched on."""
    with open_bench(_file(), HOLDER):
        calls = list(world.calls)
    assert calls.index(("generator", "output", False)) == calls.index(("generator", "open")) + 1
    assert calls.index(("switch", "open_all")) == calls.index(("switch", "open")) + 1
    assert ("generator", "output", True) not in calls
    assert not any(call[1] in ("move", "index", "close") for call in calls if call[0] in ("axis", "switch"))


def test_leaving_makes_everything_safe_closes_it_and_lets_the_watchdog_go_last(world: FakeWorld) -> None:
    """Also when the run broke."""
    with pytest.raises(ZeroDivisionError), open_bench(_file(), HOLDER):
        raise ZeroDivisionError
    for role in KINDS:
        assert ("safe_state") in [call[1] for call in world.words(role)]
        assert world.words(role)[-1][1:] == ("close",)
    assert world.calls[-1] == ("watchdog", "close")


@pytest.mark.parametrize("role", list(KINDS))
def test_an_instrument_that_is_not_there_leaves_nothing_open(
    world: FakeWorld, monkeypatch: pytest.MonkeyPatch, role: str
) -> None:
    """Whatever was opened before it is safe and closed, and the fault names it."""

    def down(self: Any) -> None:
        raise LinkDown("refused", instrument=self.name)

    monkeypatch.setattr(KINDS[role], "open", down, raising=False)
    with pytest.raises(LinkDown, match=role), open_bench(_file(), HOLDER):
        pytest.fail("must not be entered")
    opened = {call[0] for call in world.calls if call[1] == "open"}
    assert opened == {call[0] for call in world.calls if call[1] == "close" and call[0] in KINDS} - {role}
    assert world.calls[-1] == ("watchdog", "close")


@pytest.mark.parametrize("role", ["generator", "multimeter"])
def test_what_breaks_after_a_stop_is_told_as_the_stop(
    world: FakeWorld, monkeypatch: pytest.MonkeyPatch, role: str
) -> None:
    """The signal comes while an instrument is being opened, and its link breaks over it."""
    bench = open_bench(_file(), HOLDER)

    def broken(self: Any) -> None:
        bench.token.set(Cancelled("stopped by SIGTERM", code="cancelled"))
        raise LinkDown("interrupted", instrument=self.name)

    monkeypatch.setattr(KINDS[role], "open", broken, raising=False)
    with pytest.raises(Cancelled, match="SIGTERM") as told, bench:
        pytest.fail("must not be entered")
    assert isinstance(told.value.__cause__, LinkDown)
    assert world.calls[-1] == ("watchdog", "close")


def test_another_serial_is_refused_by_name(world: FakeWorld) -> None:
    """The message has both."""
    with (
        pytest.raises(WrongInstrument, match=r"multimeter.*SIM.*MY-1"),
        open_bench(_file(multimeter={"serial": "MY-1"}), HOLDER),
    ):
        pytest.fail("must not be entered")


def test_an_overdue_calibration_is_refused_unless_allowed_or_simulated(
    world: FakeWorld, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the day it is due it still holds."""
    file = _file(multimeter={"due": date(2030, 6, 1)})
    real = Identity(maker="m", model="m", serial="MY-1", firmware="")
    with open_bench(file, HOLDER, today=date(2031, 1, 1)):
        pass
    monkeypatch.setattr(FakeMeter, "identity", lambda _: real)
    with open_bench(file, HOLDER, today=date(2030, 6, 1)):
        pass
    with pytest.raises(WrongInstrument, match="2030-06-01"), open_bench(file, HOLDER, today=date(2030, 6, 2)):
        pytest.fail("must not be entered")
    with open_bench(file, HOLDER, today=date(2031, 1, 1), allow_overdue=True) as bench:
        assert bench.identities()["multimeter"]["due"] == "2030-06-01"


def test_a_link_that_nothing_simulates_is_a_fault_of_the_file(world: FakeWorld) -> None:
    """A bench without a world can't leave a link out."""
    with pytest.raises(UsageError, match=r"sampler\.link"), open_bench(_file(sampler={"link": "simulated"}), HOLDER):
        pytest.fail("must not be entered")


def test_the_simulated_bench_lays_its_links_over_the_file_and_is_the_watchdogs_child(
    world: FakeWorld, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Roles that it does not serve are left out; it is closed after the instruments."""
    links = {role: f"tcp://127.0.2.{n}:1" for n, role in enumerate(KINDS, 1) if role != "climate"}
    asked: dict[str, Any] = {}

    def start(path: Path, **options: Any) -> Any:
        asked.update(options, path=path)
        return SimpleNamespace(clock=None, links=links, close=lambda: world.calls.append(("simulated", "close")))

    monkeypatch.setattr(drivers.shelf, "start_simulated", start)
    file = load_bench("simulated")
    with open_bench(file, HOLDER, clamping=3, speed="fast") as bench:
        assert bench.climate is None and bench.encoder is None and bench.is_simulated
    assert asked["parent_pid"] == FakeDog.pid and asked["clamping"] == 3 and asked["path"].name == "good_4.toml"
    assert ("generator", "built", links["generator"], {}) in world.calls
    assert world.calls[-2:] == [("simulated", "close"), ("watchdog", "close")]


def test_drivers_get_the_options_of_their_section(world: FakeWorld) -> None:
    """Steps a turn, line frequency, input bits."""
    with open_bench(_file(axis={"microsteps": 8}, interlock={"guard_bit": 3}, multimeter={"line_hz": 60.0}), HOLDER):
        options = {call[0]: call[3] for call in world.calls if call[1] == "built"}
    assert options["axis"]["microsteps"] == 8
    assert options["interlock"]["guard_bit"] == 3
    assert options["multimeter"] == {"line_hz": 60.0}
    with open_bench(_file(generator={"channel": 2}, climate={"driver": "modbus-probe", "register_": 7}), HOLDER):
        options = {call[0]: call[3] for call in world.calls if call[1] == "built"}
    assert options["generator"] == {"channel": 2}
    assert options["climate"] == {"register": 7}


def test_a_key_that_the_driver_does_not_take_is_refused_with_the_nearest_one(world: FakeWorld) -> None:
    """Nothing is opened."""
    wrong = open_bench(_file(axis={"address": 3}), HOLDER)
    with pytest.raises(UsageError, match=r"axis.*grbl.*'address'.*accel_deg_s2"), wrong:
        pytest.fail("must not be entered")
    assert not any(call[1] == "open" for call in world.calls)


def test_a_bench_tells_what_drivers_said_twice() -> None:
    """The sequencer marks a step repeated by it: the driver's own list is read."""
    from loop_link import LoopLink

    from drivers.multimeter_scpi_344xx import Multimeter344xx
    from rig.control.bench import Bench

    bench = Bench(load_bench("simulated"), load_holder("adapter_8"))
    meter = Multimeter344xx("multimeter", LoopLink(lambda _: b""))
    bench._bare["multimeter"] = meter
    assert bench.retries() == {"multimeter": ()}
    meter.retries.append("no reply")
    assert bench.retries() == {"multimeter": ("no reply",)}
