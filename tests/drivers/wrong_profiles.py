"""Good profiles of each role, and some two hundred wrong ones: each a good one with one thing changed, and its key."""

import copy
import json
from pathlib import Path

from drivers.profile.model import Profile, load_profile

WHO = {"ask": "?IDN", "pattern": r"(?P<model>LSG) Serial #(?P<serial>\d+)"}
SOURCE = "written for the tests: a dialogue of pyvisa-sim's packaged file"
FUNCTION = {
    "ranges": [100.0, 1000.0],
    "set": ["FUNC {range}", "NPLC {nplc}"],
    "read_back": [{"ask": "RANG?", "number": "range"}],
    "read": "READ?",
}
GOOD = {
    "lsg": {
        "schema": "anglewright profile 1",
        "name": "lsg",
        "role": "generator",
        "source": SOURCE,
        "identity": WHO,
        "wire": {"ends": "\r\n", "acknowledgement": "OK"},
        "generator": {
            "output": {"on": "!OUT 1", "off": "!OUT 0", "ask": "?OUT", "is_on": "1", "is_off": "0"},
            "shape": {"set": "!WVF 0", "ask": "?WVF", "pattern": "0"},
            "offset": {"set": "!OFF 0.00", "ask": "?OFF", "pattern": "0\\.00"},
            "load": {"declared": "open"},
            "frequency": {"set": "!FREQ {hz:.2f}", "ask": "?FREQ", "least_hz": 1.0, "most_hz": 100000.0},
            "level": {
                "set": "!AMP {v:.2f}",
                "ask": "?AMP",
                "unit": "peak",
                "tolerance": 0.01,
                "least_v_rms": 0.1,
                "most_v_rms": 6.0,
            },
        },
    },
    "meter": {
        "schema": "anglewright profile 1",
        "name": "meter",
        "role": "multimeter",
        "source": SOURCE,
        "identity": WHO,
        "wire": {"gap_s": 0.0, "deadline_s": 1.0},
        "errors": {"ask": "ERR?", "none": "0"},
        "never_send": ["OCOM?"],
        "multimeter": {
            "nplc": [0.1, 1.0, 10.0],
            "overload": {"tokens": ["OL"]},
            "two_wire": FUNCTION,
            "offset_compensation": {"on": "OFFS ON", "off": "OFFS OFF", "ask": "OFFS?", "is_on": "1"},
        },
    },
    "board": {
        "schema": "anglewright profile 1",
        "name": "board",
        "role": "switch",
        "source": SOURCE,
        "identity": {"ask": "ID?", "pattern": "(?P<model>BOARD) 8"},
        "switch": {
            "channels": [1, 2, 3, 4, 5, 6, 7, 8],
            "close": "CLOSE {channel}",
            "open": "OPEN {channel}",
            "ask": "RELAY? {channel}",
            "is_closed": "closed",
            "is_open": "open",
        },
    },
    "inputs": {
        "schema": "anglewright profile 1",
        "name": "inputs",
        "role": "interlock",
        "source": SOURCE,
        "identity": {"ask": "ID?", "pattern": "(?P<model>BOARD) 8"},
        "interlock": {
            "guard": {"ask": "IN? 0", "yes": "1", "no": "0"},
            "stop": {"ask": "IN? 1", "yes": "1", "no": "0"},
        },
    },
}
OPTIONAL = {
    "wire", "errors", "never_send", "nplc", "offset", "read_back", "offset_compensation", "tolerance", "ends",
    "acknowledgement", "gap_s", "deadline_s",
}  # fmt: skip


def write(folder: Path, data: dict, name: str = "") -> Path:
    """The data as a file."""
    path = folder / f"{name or data['name']}.toml"
    path.write_text("\n".join(_toml(data, ())) + "\n", encoding="utf-8")
    return path


def _toml(table: dict, at: tuple) -> list[str]:
    lines = [f"[{'.'.join(at)}]"] if at else []
    lines += [f"{key} = {_value(value)}" for key, value in table.items() if not isinstance(value, dict)]
    for key, value in table.items():
        if isinstance(value, dict):
            lines += _toml(value, (*at, key))
    return lines


def _value(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    return json.dumps(value, ensure_ascii=False)


def load(path: Path) -> Profile:
    """A profile by its path."""
    return load_profile(str(path))


def _tables(data: dict, at: tuple = ()):
    yield at
    for key, value in data.items():
        if isinstance(value, dict):
            yield from _tables(value, (*at, key))


def _at(data: dict, keys: tuple) -> dict:
    for key in keys:
        data = data[key]
    return data


def _changed(name: str, keys: tuple, key: str, value: object) -> tuple:
    data = copy.deepcopy(GOOD[name])
    table = _at(data, keys)
    if value is None:
        del table[key]
    else:
        table[key] = value
    return data, key


WORDS = {
    "a semicolon": "A?;B?",
    "a line end": "A?\nB?",
    "no words": "",
    "a letter that is not ASCII": "A?\u00b5",
    "calibration": "CAL:ALL?",
    "security": "SYST:SEC:IMM?",
    "a placeholder that is not known": "A? {volts}",
}
PATTERNS = {"a broken one": "(", "one that takes anything": ".*"}


def _wrong() -> list[tuple]:
    made = []
    for name, good in GOOD.items():
        for keys in _tables(good):
            table = _at(good, keys)
            made.append(_changed(name, keys, "colour", "red"))
            for key, value in table.items():
                if key not in OPTIONAL:
                    made.append(_changed(name, keys, key, None))
                if isinstance(value, float | int):
                    made.append(_changed(name, keys, key, "many"))
                    made.append(_changed(name, keys, key, -1.0))
                if isinstance(value, dict | list):
                    made.append(_changed(name, keys, key, "text"))
                if key in ("on", "off", "ask", "set", "close", "open", "read") and isinstance(value, str):
                    made += [_changed(name, keys, key, word) for word in WORDS.values()]
                if key in ("pattern", "is_on", "is_off", "is_closed", "is_open", "yes", "no", "none"):
                    made += [_changed(name, keys, key, word) for word in PATTERNS.values()]
    return made + _by_rule()


def _by_rule() -> list[tuple]:
    """What only holds between keys."""
    output, relays, guard = ("generator", "output"), ("switch",), ("interlock", "guard")
    meter, two_wire = ("multimeter",), ("multimeter", "two_wire")
    return [
        _changed("lsg", (), "role", "sampler"),
        _changed("lsg", (), "schema", "anglewright profile 2"),
        _changed("lsg", (), "name", "With Spaces"),
        _changed("lsg", (), "source", "a manual"),
        (GOOD["lsg"] | {"role": "switch"}, "switch"),
        (GOOD["lsg"] | {"switch": GOOD["board"]["switch"]}, "switch"),
        _changed("lsg", ("identity",), "pattern", "LSG.+"),
        _changed("lsg", ("identity",), "ask", "HELLO"),
        _changed("lsg", output, "is_off", "1"),
        _changed("lsg", output, "is_off", "[01]"),
        _changed("lsg", output, "off", "!out  1"),
        _changed("lsg", ("generator", "shape"), "set", "!OUT 1"),
        _changed("lsg", ("generator", "offset"), "set", " !Out 1"),
        (_changed("lsg", ("generator",), "load", {"set": "LOAD INF"})[0], "declared"),
        (_changed("lsg", ("generator",), "load", {})[0], "load"),
        _changed("lsg", ("generator", "load"), "declared", "perhaps"),
        _changed("lsg", ("generator", "level"), "unit", "dBm"),
        _changed("lsg", ("generator", "level"), "set", "!AMP 1"),
        _changed("lsg", ("generator", "level"), "most_v_rms", 0.05),
        _changed("lsg", ("generator", "level"), "most_v_rms", 1000.0),
        _changed("lsg", ("generator", "level"), "tolerance", 0.5),
        _changed("lsg", ("generator", "frequency"), "most_hz", 0.5),
        _changed("lsg", ("generator", "frequency"), "set", "!FREQ {v}"),
        _changed("lsg", ("wire",), "ends", "\t"),
        _changed("lsg", ("wire",), "acknowledgement", ".*"),
        _changed("lsg", ("wire",), "deadline_s", 0.0),
        _changed("lsg", ("wire",), "gap_s", 60.0),
        _changed("meter", meter, "overload", {}),
        _changed("meter", ("multimeter", "overload"), "at_least", 10.0),
        _changed("meter", meter, "nplc", [10.0, 1.0]),
        (_changed("meter", meter, "nplc", [])[0], "two_wire.set"),
        _changed("meter", two_wire, "ranges", [1000.0, 100.0]),
        _changed("meter", two_wire, "ranges", []),
        _changed("meter", two_wire, "range_words", ["LOW"]),
        _changed("meter", two_wire, "set", ["NPLC {nplc}"]),
        _changed("meter", two_wire, "set", ["CAL:{range}"]),
        _changed("meter", two_wire, "answer", r"\d+"),
        _changed("meter", two_wire, "scale", 0.0),
        _changed("meter", two_wire, "reading_s", 1e6),
        _changed("meter", two_wire, "read", "INIT"),
        (_changed("meter", two_wire, "read_back", [{"ask": "RANG?"}])[0], "read_back"),
        (_changed("meter", two_wire, "read_back", [{"ask": "RANG?", "number": "colour"}])[0], "number"),
        _changed("meter", (), "never_send", ["READ?"]),
        (_without_errors(), "read_back"),
        _changed("board", relays, "channels", [1, 1]),
        _changed("board", relays, "channels", []),
        _changed("board", relays, "channels", [-1]),
        _changed("board", relays, "open", "close {channel}"),
        _changed("board", relays, "ask", "RELAY?"),
        _changed("board", relays, "is_open", "closed"),
        _changed("inputs", guard, "no", "1"),
        _changed("inputs", guard, "ask", "IN 0"),
        _changed("inputs", guard, "yes", "0|1"),
    ]


def _without_errors() -> dict:
    data = copy.deepcopy(GOOD["meter"])
    del data["errors"], data["multimeter"]["two_wire"]["read_back"]
    return data


WRONG = _wrong()
