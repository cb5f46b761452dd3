"""An instrument that is spoken to by its profile: identification, settings with their proof, answers as numbers.

It never says a word that the profile does not hold. A session without *IDN? and SYST:ERR? of its own is synchronised
by the profile's identification.
"""

from __future__ import annotations

import re

from drivers import scpi
from drivers.link.base import Link
from drivers.link.device import ScpiDevice
from drivers.link.states import LinkEvent
from drivers.profile.model import Profile
from drivers.roles import Identity
from rig.errors import BadReply, InstrumentRefused, WrongInstrument

MOST_ERRORS = 25


class ProfiledDevice(ScpiDevice):
    """What the roles share. profile: the checked file."""

    def __init__(self, name: str, link: str | Link, *, profile: Profile) -> None:
        super().__init__(name, link)
        self._profile = profile
        wire = profile.wire
        session = self._session
        session.has_status = False
        session.who_query = profile.identity.ask
        session.who_answer = rb".+"  # who it really is, identification tells
        session.ends = wire.ends.encode("ascii")
        session.gap_s = wire.gap_s
        session.deadline_s = wire.deadline_s
        if wire.answer_ends == "\r":
            setattr(self._link, "terminator", b"\r")  # noqa: B010  # every link of ours has one; a test's may not

    def _connect(self) -> None:
        self._session.open()
        self._identity = self._who()
        self._session.states.move(LinkEvent.SET_UP)

    def _identify_again(self) -> None:
        self._require_same(self._who())

    def _who(self) -> Identity:
        who = self._profile.identity
        reply = self._session.query(who.ask)
        found = re.fullmatch(who.pattern, reply.strip())
        if found is None:
            raise WrongInstrument(
                f"{reply!r} is not how a {self._profile.name} answers",
                instrument=self._name,
                exchange=who.ask,
                next_action="Correct the link, the driver in the bench file, or the profile's identity.pattern.",
            )
        self._session.known_as(reply)
        group = found.groupdict()
        return Identity(
            maker=group.get("maker") or "",
            model=group["model"] or "",
            serial=group.get("serial") or "",
            firmware=group.get("firmware") or "",
        )

    # ---- saying and proving

    def _say(self, *words: str) -> None:
        """Settings; each acknowledged where the instrument does so, and none of them refused."""
        pattern = self._profile.wire.acknowledgement
        with self._session.lock:
            for word in words:
                if pattern is None:
                    self._session.write(word)
                    continue
                reply = self._session.query(word, explain=False)
                if not re.fullmatch(pattern, reply.strip()):
                    raise InstrumentRefused(
                        f"answers {reply!r} where {pattern!r} was expected",
                        instrument=self._name,
                        exchange=word,
                        next_action="Check the setting against the instrument's manual and the profile.",
                    )
            self._check("; ".join(words))

    def _check(self, after: str) -> None:
        errors = self._profile.errors
        if errors is None:
            return
        found: list[str] = []
        for _ in range(MOST_ERRORS):
            reply = self._session.query(errors.ask, explain=False).strip()
            if re.fullmatch(errors.none, reply) or reply in found[-1:]:
                break
            found.append(reply)
        if found:
            raise InstrumentRefused(
                f"refused: {'; '.join(found)}",
                instrument=self._name,
                exchange=after,
                next_action="Check the setting against the instrument's manual and the profile.",
            )

    def _stands(self, question: str, pattern: str) -> None:
        """InstrumentRefused unless the answer is one that the pattern takes."""
        reply = self._session.query(question)
        if not re.fullmatch(pattern, reply.strip()):
            raise self._otherwise(question, pattern, reply)

    def _which(self, question: str, yes: str, no: str) -> bool:
        """True for the answer `yes`, False for `no`; BadReply for any other, never a guess."""
        reply = self._session.query(question).strip()
        is_yes, is_no = re.fullmatch(yes, reply), re.fullmatch(no, reply)
        if (is_yes is None) == (is_no is None):
            self._link.dirty = True
            raise BadReply(f"{reply!r} is neither {yes!r} nor {no!r}", instrument=self._name, exchange=question)
        return is_yes is not None

    def _number(self, question: str, answer: str | None = None, deadline_s: float | None = None) -> float:
        """One finite number, taken out of the answer by the profile's pattern where it has one."""
        reply = self._session.query(question, deadline_s)
        with self._session.parsing(question):
            return scpi.parse_number(self._bare_value(reply, answer), of=question)

    @staticmethod
    def _bare_value(reply: str, answer: str | None) -> str:
        if answer is None:
            return reply
        found = re.fullmatch(answer, reply.strip())
        if found is None or found["value"] is None:
            raise BadReply(f"{reply!r} is not of the shape {answer!r}")
        return found["value"]

    def _otherwise(self, question: str, wanted: str, got: str) -> InstrumentRefused:
        return InstrumentRefused(
            f"was to be {wanted} and reads back {got}",
            instrument=self._name,
            exchange=question,
            next_action="Check who else controls it, and the profile against its manual.",
        )
