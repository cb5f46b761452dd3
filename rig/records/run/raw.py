"""Raw waveforms of a run: one HDF5 file, a resizable dataset a series, a chunk a capture, flushed capture by capture.

Being written it is called raw.h5.part; closed, hashed and renamed it is raw.h5. A file left as .part by a killed
process is read like a closed one; a capture whose chunk never reached the file is left aside.
What the channels mean is not known here. Layout: /<series> (captures, channels, samples), shuffle + gzip 1 +
fletcher32, attributes scale_v, offset_v, sample_rate_hz, channels, rail_low, rail_high, simultaneous.
"""

from __future__ import annotations

import os
import re
import resource
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.errors import RecordError
from rig.records.files import DISK_ADVICE, sha256_of, sync, take_name, unwritable
from rig.signal.waveform import Waveform, WaveformStack

if TYPE_CHECKING:
    import h5py

SCHEMA = "anglewright raw 1"
SPARE_BYTES = 262_144  # left free on the disk for the journal and the closing of the file


def part_of(path: Path) -> Path:
    """The name that the raw file bears while it is being written."""
    return path.with_name(path.name + ".part")


class RawFile:
    """The raw file being written; `path` is its final name. Nothing is created before the first capture."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file: h5py.File | None = None
        self._series: dict[str, _Series] = {}
        self._closed = False

    def append(self, series: str, waveform: Waveform) -> str:
        """Store one capture, flushed when this returns; gives "series/index" (index from 0).

        Raises RecordError: disk full (the file is left as .part), a capture unlike the others of its series, a
        series name other than letters, digits and underscores, or a closed file.
        """
        if self._closed:
            raise RecordError(f"{self.path}: is closed.", next_action="Open a new run.")
        if not re.fullmatch(r"\w+", series):
            raise RecordError(f"{series!r} can't be a series name.", next_action="Use letters, digits, underscores.")
        self._check_room(waveform.codes.nbytes)
        try:
            index = self._open_series(series, waveform).append(waveform.codes)
            self._writer().flush()
        except RecordError:
            raise
        except (OSError, RuntimeError) as fault:
            raise self._write_error(fault) from fault
        return f"{series}/{index}"

    def close(self) -> str:
        """Close, hash and rename; gives the sha256 ("" when there was no capture). Idempotent by the file's name."""
        if self._closed:
            return sha256_of(self.path) if self.path.exists() else ""
        self._closed = True
        if self._file is None:
            return ""
        part = part_of(self.path)
        try:
            self._file.close()
            sync(part)
        except (OSError, RuntimeError) as fault:
            raise self._write_error(fault) from fault
        digest = sha256_of(part)
        take_name(part, self.path)
        return digest

    def _writer(self) -> h5py.File:
        if self._file is None:
            import h5py

            if self.path.exists():
                raise RecordError(f"{self.path}: is there already and is never overwritten.", next_action="Begin anew.")
            self._file = h5py.File(part_of(self.path), "x", libver="earliest")
            self._file.attrs["schema"] = SCHEMA
            sync(self.path.parent)
        return self._file

    def _open_series(self, series: str, waveform: Waveform) -> _Series:
        if series not in self._series:
            self._series[series] = _Series(self._writer(), series, waveform)
            return self._series[series]
        if names := self._series[series].differences(waveform):
            raise RecordError(
                f"{self.path}: a capture of series {series!r} differs from the first in {', '.join(names)}.",
                next_action="Give captures with other settings a series of their own.",
            )
        return self._series[series]

    def _check_room(self, size: int) -> None:
        """Before the library writes: one that was refused a write ends the program when it closes the file."""
        disk, part = os.statvfs(self.path.parent), part_of(self.path)
        free = disk.f_bavail * disk.f_frsize
        largest, _ = resource.getrlimit(resource.RLIMIT_FSIZE)
        if largest != resource.RLIM_INFINITY:
            free = min(free, largest - (part.stat().st_size if part.exists() else 0))
        if free < size + SPARE_BYTES:
            raise RecordError(
                f"{part_of(self.path)}: the disk is full ({free // 1024} KiB free, a capture needs {size // 1024}).",
                next_action=DISK_ADVICE,
            )

    def _write_error(self, fault: Exception) -> RecordError:
        self._closed = True
        if self._file is not None:
            with suppress(OSError, RuntimeError):
                self._file.close()
        return unwritable(part_of(self.path), OSError(str(fault)))


class _Series:
    """A series being written. What its captures share is remembered and the file's low level is used: asking an open
    file for its attributes and shapes took longer than compressing a capture."""

    def __init__(self, file: h5py.File, name: str, first: Waveform) -> None:
        import h5py

        shape = first.codes.shape
        dataset = file.create_dataset(
            name,
            shape=(0, *shape),
            maxshape=(None, *shape),
            chunks=(1, *shape),
            dtype=first.codes.dtype,
            shuffle=True,
            compression="gzip",
            compression_opts=1,
            fletcher32=True,
        )
        dataset.attrs.update(_attributes(first))
        self._dataset, self._count = dataset.id, 0
        self._one = h5py.h5s.create_simple((1, *shape))
        self._shape, self._type, self._shared = shape, first.codes.dtype, _common_attributes(first)

    def differences(self, waveform: Waveform) -> list[str]:
        """Names of what a capture does not share with the first."""
        shared = _common_attributes(waveform)
        names = [name for name, value in self._shared.items() if shared[name] != value]
        if waveform.codes.shape != self._shape or waveform.codes.dtype != self._type:
            names.append("shape")
        return names

    def append(self, codes: NDArray[np.integer[Any]]) -> int:
        """Put a capture behind the others; its index."""
        self._dataset.set_extent((self._count + 1, *self._shape))
        space = self._dataset.get_space()
        space.select_hyperslab((self._count, *(0 for _ in self._shape)), (1, *self._shape))
        self._dataset.write(self._one, space, np.ascontiguousarray(codes))
        self._count += 1
        return self._count - 1


class RawReader:
    """The captures of a run (a `Captures`). path: the final name; the .part file of a run that was killed serves too.

    Without either file there are no series. Raises RecordError for a damaged file or one that is being written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path if path.exists() or not part_of(path).exists() else part_of(path)

    def series(self) -> tuple[str, ...]:
        """Names of the series that hold at least one whole capture, alphabetically."""
        if not self.path.exists():
            return ()
        with self._open() as file:
            return tuple(name for name in file if _whole_captures(file[name]))

    def count(self, series: str) -> int:
        """Whole captures of a series; 0 when it is not there."""
        if not self.path.exists():
            return 0
        with self._open() as file:
            return _whole_captures(file[series]) if series in file else 0

    def stack(self, series: str) -> WaveformStack:
        """All whole captures of a series, in order. Raises KeyError for a series that is not there."""
        if not self.path.exists():
            raise KeyError(series)
        with self._open() as file:
            if series not in file or not (count := _whole_captures(file[series])):
                raise KeyError(series)
            dataset = file[series]
            try:
                codes = dataset[:count]
            except OSError as fault:
                raise self._read_error(f"series {series!r} fails its checksum", fault) from fault
            a = dataset.attrs
            return WaveformStack(
                codes=codes,
                scale_v=np.asarray(a["scale_v"], float),
                offset_v=np.asarray(a["offset_v"], float),
                sample_rate_hz=float(a["sample_rate_hz"]),
                channels=tuple(str(name) for name in a["channels"]),
                rail_low=int(a["rail_low"]),
                rail_high=int(a["rail_high"]),
                simultaneous=bool(a["simultaneous"]),
            )

    def _open(self) -> h5py.File:
        import h5py

        try:
            return h5py.File(self.path, "r")
        except BlockingIOError as fault:
            raise RecordError(
                f"{self.path}: is being written by a run.", next_action="Wait until that run has ended."
            ) from fault
        except OSError as fault:
            raise self._read_error("can't be opened", fault) from fault

    def _read_error(self, what: str, fault: OSError) -> RecordError:
        return RecordError(
            f"{self.path}: {what} ({fault}).", next_action="Restore the raw file from a copy of the run folder."
        )


def _attributes(waveform: Waveform) -> dict[str, Any]:
    return {
        "scale_v": np.asarray(waveform.scale_v, float),
        "offset_v": np.asarray(waveform.offset_v, float),
        "sample_rate_hz": float(waveform.sample_rate_hz),
        "channels": list(waveform.channels),
        "rail_low": waveform.rail_low,
        "rail_high": waveform.rail_high,
        "simultaneous": waveform.simultaneous,
    }


def _common_attributes(waveform: Waveform) -> dict[str, Any]:
    """The attributes as values that compare quickly."""
    values = _attributes(waveform)
    return values | {name: values[name].tobytes() for name in ("scale_v", "offset_v")}


def _whole_captures(dataset: h5py.Dataset) -> int:
    """Captures whose chunk is in the file (a kill between enlarging and writing leaves one without)."""
    return min(int(dataset.shape[0]), int(dataset.id.get_num_chunks()))
