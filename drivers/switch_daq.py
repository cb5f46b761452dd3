"""Relays of a small data-acquisition frame of the 34970A class: three slots, no word that opens every relay.

Its cards are asked for when it is opened, so that all their relays can be opened by number, in one message, and read
back: that is how it is made safe. Channels are the frame's own: slot and two digits, on a matrix card row and column.
Before the first relay moves the scan list is emptied, for a scan would switch by itself.
Source: Agilent 34970A/34972A User's Guide, chapter 5 (ROUTe:CLOSe, ROUTe:OPEN, ROUTe:CLOSe?, ROUTe:SCAN (@) for none,
SYSTem:CTYPe? {100|200|300}), chapter 4 (cards and their channels); Keysight DAQ970A/DAQ973A Programming Guide (the same
words; DAQM901A to DAQM904A). Channel numbers of the 34904A (slot, row, column) are from memory †: `bench check` and
the first ohms prove them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar

from drivers import scpi
from drivers.link.base import Link
from drivers.switch_scpi import SwitchScpi
from rig.errors import BadReply, UsageError, WrongInstrument

SLOTS = (1, 2, 3)
MATRIX = tuple(10 * row + column for row in range(1, 5) for column in range(1, 9))
CARDS: Mapping[str, tuple[int, ...]] = {  # the last digits of a card's model -> its relays, without the slot
    "901A": tuple(range(1, 23)),
    "902A": tuple(range(1, 17)),
    "903A": tuple(range(1, 21)),
    "904A": MATRIX,
}
PREFIXES = ("34", "DAQM")


class SwitchDaq(SwitchScpi):
    """All relays of its cards are opened and read back one by one; none is believed to be open."""

    models: ClassVar[str] = r"34970A|34972A|DAQ97[03]A"
    not_mine: ClassVar[str] = "A 34980A is driver scpi-switch; others: `anglewright bench families`."

    def __init__(self, name: str, link: str | Link) -> None:
        super().__init__(name, link)
        self._relays: tuple[int, ...] = ()
        self._scan_is_empty = False

    def _connect(self) -> None:
        super()._connect()
        self._scan_is_empty = False
        self._relays = tuple(slot * 100 + relay for slot in SLOTS for relay in self._card(slot))
        if not self._relays:
            raise WrongInstrument(
                "none of its three slots has a card with relays",
                instrument=self._name,
                exchange="SYST:CTYP?",
                next_action="Fit 34901A to 34904A or DAQM901A to DAQM904A, and switch it off before you do.",
            )

    def _card(self, slot: int) -> tuple[int, ...]:
        """The relays of the card in a slot, without its number; none for an empty slot or a card without relays."""
        question = f"SYST:CTYP? {slot * 100}"
        fields = [field.strip().strip('"') for field in self._session.query(question).split(",")]
        with self._session.parsing(question):
            if len(fields) < 2:
                raise BadReply("is no card: maker, model, serial, firmware were expected")
        model = fields[1].upper()
        return next((CARDS[model.removeprefix(one)] for one in PREFIXES if model.removeprefix(one) in CARDS), ())

    def close_channels(self, channels: Sequence[int]) -> None:
        """Closes relays and reads them back; InstrumentRefused when one stayed open."""
        self._require(channels)
        super().close_channels(channels)

    def open_channels(self, channels: Sequence[int]) -> None:
        """Opens relays and reads them back; InstrumentRefused when one stayed closed."""
        self._require(channels)
        super().open_channels(channels)

    def open_all(self) -> None:
        """Opens every relay of its cards, each by its number, and reads all of them back."""
        with self._session.lock:
            if not self._scan_is_empty:
                self._again(lambda: self._session.set("ROUT:SCAN (@)"))
                self._scan_is_empty = True
            self._again(lambda: self._session.set(f"ROUT:OPEN {scpi.channel_list(self._relays)}"))
            self._again(self._all_open)

    def closed_channels(self) -> tuple[int, ...]:
        """Every relay of its cards that the frame says is closed, whoever closed it."""
        with self._session.lock:
            states = self._again(lambda: self._states(self._relays))
            return tuple(channel for channel, closed in zip(self._relays, states, strict=True) if closed)

    def safe_state(self) -> None:
        """All relays open."""
        with self._for_safety() as is_open:
            if is_open and self._relays:
                self._session.write(f"ROUT:OPEN {scpi.channel_list(self._relays)}")
                self._all_open()
                self._session.check("ROUT:OPEN")

    def _all_open(self) -> None:
        self._verify(self._relays, closed=False)
        self._touched.clear()

    def _require(self, channels: Sequence[int]) -> None:
        unknown = [channel for channel in channels if channel not in self._relays]
        if unknown:
            raise UsageError(
                f"{self._name}: no card of it has a relay {', '.join(map(str, unknown))}.",
                next_action="Correct switch.cards, switch.beyond or the relay's number in the bench file.",
            )
