"""The family of errors, split by whose fault it is. Everyone may import this file; it imports nothing of ours.

    RigError                        catch this at the roof: every message names what happened and what to do next
    ├── UsageError(ValueError)      the person or a file asked for something that can't be       exit status 2
    │   └── DescriptionError        a description file is wrong: file, line, key, what was expected
    ├── BenchError                  an instrument or its wire failed                              exit status 4
    │   ├── LinkDown(ConnectionError)   closed, refused, unplugged
    │   ├── NoReply(TimeoutError)       nothing, or not all of it, before the deadline
    │   ├── BadReply(ValueError)        something came that is not an answer to the question
    │   ├── InstrumentRefused           the instrument's own error queue, code and text
    │   ├── WrongInstrument             another make, model or serial answers, or it is out of calibration
    │   ├── PositionLost                the axis no longer knows where it is: index again
    │   └── BenchBusy                   another controller holds the bench, or an instrument of it
    ├── SafetyStop                  a guard, a ceiling or a person stopped the run                exit status 4
    │   └── Cancelled               Ctrl-C, SIGTERM or the panel asked for the stop               exit status 5
    └── RecordError(OSError)        a record can't be read or written (disk full, half-written)   exit status 2

A failed limit is a verdict, never an exception. Any other exception that reaches the roof is a fault of the program:
exit status 6 (rig/cli/exits.py).
"""

PROGRAM_FAULT = 6


class RigError(Exception):
    """Base of everything this house raises on purpose; `next_action` is one imperative sentence."""

    exit_status = 4

    def __init__(self, message: str, *, next_action: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.next_action = next_action

    def __str__(self) -> str:
        return f"{self.message} {self.next_action}".strip()


class UsageError(RigError, ValueError):
    """The person or a file asked for something that can't be."""

    exit_status = 2


class DescriptionError(UsageError):
    """A description file is wrong; `faults` holds one line a fault, each with file:line and key."""

    def __init__(self, message: str, *, faults: tuple[str, ...] = (), next_action: str = "") -> None:
        super().__init__(message, next_action=next_action)
        self.faults = faults


class BenchError(RigError):
    """An instrument or its wire failed; `instrument` and `exchange` say which and on what words."""

    def __init__(self, message: str, *, instrument: str = "", exchange: str = "", next_action: str = "") -> None:
        where = f"{instrument}: " if instrument else ""
        what = f" [{exchange}]" if exchange else ""
        super().__init__(f"{where}{message}{what}", next_action=next_action)
        self.instrument = instrument
        self.exchange = exchange


class LinkDown(BenchError, ConnectionError):
    """The wire is closed, refused or unplugged."""


class NoReply(BenchError, TimeoutError):
    """No whole reply before the deadline; the link is dirty until it has been resynchronised."""


class BadReply(BenchError, ValueError):
    """Something came that can't be the answer to the question; never turned into a number."""


class InstrumentRefused(BenchError):
    """The instrument reported an error of its own."""

    def __init__(
        self, message: str, *, code: int = 0, instrument: str = "", exchange: str = "", next_action: str = ""
    ) -> None:
        super().__init__(message, instrument=instrument, exchange=exchange, next_action=next_action)
        self.code = code


class WrongInstrument(BenchError):
    """Another make, model or serial than the bench file says, or one out of calibration."""


class PositionLost(BenchError):
    """The axis was stopped or reset in motion: no position is known until it has been indexed again."""


class BenchBusy(BenchError):
    """Another controller holds the bench, or an instrument of it: nothing of it was touched."""


class SafetyStop(RigError):
    """A guard, a ceiling or a check stopped the run; `code` is a reason code or a guard's name."""

    exit_status = 4

    def __init__(self, message: str, *, code: str = "", next_action: str = "") -> None:
        super().__init__(message, next_action=next_action)
        self.code = code


class Cancelled(SafetyStop):
    """A person or the system asked the run to stop: it stays, marked incomplete."""

    exit_status = 5


class RecordError(RigError, OSError):
    """A record can't be read or written; nothing half-written is taken for whole."""

    exit_status = 2

    def __str__(self) -> str:
        return RigError.__str__(self)
