"""Who looks on a run from the opening of its bench to its end: by default nobody, in a controller the live socket.

It must never slow a run or change one: what it is told it only passes on.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from rig.control.bench import Bench
    from rig.control.sequencer import StepSequence
    from rig.control.step import JournalWriter, RawWriter
    from rig.records.store import RunFolder


class Onlooker(Protocol):
    """What a run tells whoever looks on."""

    def opened(self, bench: Bench) -> None: ...  # instruments answer, nothing is armed

    def begun(
        self, folder: RunFolder, bench: Bench, sequence: StepSequence, frequency_hz: float
    ) -> tuple[JournalWriter, RawWriter]: ...  # where the steps write: the folder's own, or those with a look through

    def note_closed(self) -> None: ...  # the bench is safe and closed; what follows needs no instrument


class Nobody:
    """Looks at nothing."""

    def opened(self, bench: Bench) -> None:
        """Nothing."""

    def begun(
        self, folder: RunFolder, bench: Bench, sequence: StepSequence, frequency_hz: float
    ) -> tuple[JournalWriter, RawWriter]:
        """The folder's own files."""
        del bench, sequence, frequency_hz
        return folder.journal, folder.raw

    def note_closed(self) -> None:
        """Nothing."""


NOBODY = Nobody()
