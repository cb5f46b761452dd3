"""The door to the drivers."""

import subprocess
import sys

import pytest

from drivers.shelf import DRIVERS, open_driver, options_of, start_simulated
from rig.errors import LinkDown, UsageError


@pytest.mark.parametrize("driver", sorted(DRIVERS))
def test_every_name_gives_a_closed_driver(driver):
    """A driver is built without a wire being touched."""
    one = open_driver(driver, "tcp://127.0.0.1:9", "instrument")
    assert one.name == "instrument"
    one.close()
    with pytest.raises(LinkDown):
        one.identity()


def test_an_unknown_name_is_told_with_the_nearest():
    """A slip of the pen is answered with what was meant."""
    with pytest.raises(UsageError, match="scpi-344xx"):
        open_driver("scpi-34xx", "tcp://127.0.0.1:9", "multimeter")


def test_an_unknown_option_is_a_usage_error():
    """An option that the driver has not is told, not swallowed."""
    with pytest.raises(UsageError, match="colour"):
        open_driver("grbl", "tcp://127.0.0.1:9", "axis", colour="red")
    with pytest.raises(UsageError, match=r"adress.*'address'"):
        open_driver("tmcl", "tcp://127.0.0.1:9", "axis", adress=2)


def test_every_option_of_a_driver_has_its_key_in_the_bench_file():
    """A driver's option that no bench file could set would be an option for nobody."""
    from rig.control.instruments import OPTIONS
    from rig.description.benches import BenchFile

    keys = {key for role in OPTIONS.values() for key in role}
    for driver in DRIVERS:
        assert set(options_of(driver)) <= keys, driver
    for role, options in OPTIONS.items():
        section = BenchFile.model_fields[role].annotation
        section = next((one for one in getattr(section, "__args__", ()) if hasattr(one, "model_fields")), section)
        assert set(options) <= {field.alias or name for name, field in section.model_fields.items()}, role


def test_a_wrong_link_is_a_usage_error():
    """A link that can't be is told before anything is opened."""
    with pytest.raises(UsageError, match="meter"):
        open_driver("scpi-344xx", "lpt1:", "meter")


def test_vendor_libraries_come_late():
    """The door itself loads neither VISA nor a serial library nor numpy."""
    code = (
        "import sys, drivers.shelf; from drivers.shelf import open_driver;"
        "open_driver('scpi-335xx', 'tcp://127.0.0.1:9', 'g');"
        "print([m for m in ('pyvisa', 'serial') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_world_that_is_not_there(tmp_path):
    """A simulated bench that does not start is LinkDown, and no process is left."""
    with pytest.raises(LinkDown, match="did not start"):
        start_simulated(tmp_path / "no_such_world.toml")
