"""Guard and emergency stop by a profile: two questions with two answers each. A third answer is no closed guard."""

from __future__ import annotations

from drivers.link.base import Link
from drivers.profile.device import ProfiledDevice
from drivers.profile.model import Profile
from drivers.profile.tables import Input, Inputs
from drivers.roles import InterlockState
from rig.errors import UsageError


class ProfiledInputs(ProfiledDevice):
    """The interlock; it is only asked, never set."""

    def __init__(self, name: str, link: str | Link, *, profile: Profile) -> None:
        super().__init__(name, link, profile=profile)
        if profile.interlock is None:
            raise UsageError(f"{name}: profile {profile.name} has no inputs.")
        self._inputs: Inputs = profile.interlock

    def state(self) -> InterlockState:
        """The two inputs now. BadReply for an answer that is neither."""
        with self._session.lock:
            return InterlockState(guard_closed=self._is(self._inputs.guard), emergency_stop=self._is(self._inputs.stop))

    def safe_state(self) -> None:
        """It is only asked: nothing to switch off."""

    def _is(self, one: Input) -> bool:
        return self._which(one.ask, one.yes, one.no)
