"""A relay board by its profile: every change is read back, relay by relay."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.link.base import Link
from drivers.profile.device import ProfiledDevice
from drivers.profile.model import Profile
from drivers.profile.tables import Relays
from rig.errors import InstrumentRefused, UsageError


class ProfiledSwitch(ProfiledDevice):
    """Channels are the board's own numbers."""

    def __init__(self, name: str, link: str | Link, *, profile: Profile) -> None:
        super().__init__(name, link, profile=profile)
        if profile.switch is None:
            raise UsageError(f"{name}: profile {profile.name} is no relay board.")
        self._relays: Relays = profile.switch

    def close_channels(self, channels: Sequence[int]) -> None:
        """Closes relays and reads them back; InstrumentRefused when one stayed open."""
        self._switch(channels, closed=True)

    def open_channels(self, channels: Sequence[int]) -> None:
        """Opens relays and reads them back; InstrumentRefused when one stayed closed."""
        self._switch(channels, closed=False)

    def open_all(self) -> None:
        """Opens every relay and reads them back."""
        if self._relays.open_all is None:
            self._switch(self._relays.channels, closed=False)
            return
        word = self._relays.open_all
        self._again(lambda: self._say(word))
        self._verify(self._relays.channels, closed=False)

    def closed_channels(self) -> tuple[int, ...]:
        """The relays that the board says are closed."""
        return tuple(channel for channel in self._relays.channels if self._is_closed(channel))

    def safe_state(self) -> None:
        """All relays open. Nothing to do when it was not opened."""
        with self._for_safety() as is_open:
            if is_open:
                self.open_all()

    def _switch(self, channels: Sequence[int], *, closed: bool) -> None:
        unique = list(dict.fromkeys(channels))
        if unknown := [channel for channel in unique if channel not in self._relays.channels]:
            raise UsageError(
                f"{self._name}: it has no relay {unknown[0]}.",
                next_action=f"Its relays: {', '.join(map(str, self._relays.channels))}.",
            )
        word = self._relays.close if closed else self._relays.open
        with self._session.lock:
            for channel in unique:
                said = word.format(channel=channel)
                self._again(lambda said=said: self._say(said))  # type: ignore[misc]
            self._verify(unique, closed=closed)

    def _is_closed(self, channel: int) -> bool:
        relays = self._relays
        return self._again(lambda: self._which(relays.ask.format(channel=channel), relays.is_closed, relays.is_open))

    def _verify(self, channels: Sequence[int], *, closed: bool) -> None:
        wrong = [channel for channel in channels if self._is_closed(channel) != closed]
        if wrong:
            raise InstrumentRefused(
                f"relay {', '.join(map(str, wrong))} stayed {'open' if closed else 'closed'}",
                instrument=self._name,
                exchange=self._relays.ask,
                next_action="Listen for the relay and check the board's supply.",
            )
