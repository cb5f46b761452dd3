"""An instrument that no family knows, tried with another one's words: only questions are asked, nothing is set.

A draft is the data of a profile (drivers/profile) whose identification is that of the instrument. Its questions are
asked one by one, over the instrument's own link; words that set, switch or start anything are never said here.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from drivers import scpi
from drivers.link.base import Link
from drivers.profile.device import ProfiledDevice
from drivers.profile.model import Profile, load_profile
from drivers.profile.tables import Function
from drivers.roles import Identity
from rig.description.places import known_names
from rig.errors import BadReply, BenchError, DescriptionError

FITS, OTHER, REFUSED, SILENT, SHAPE = "fits", "another state", "refused", "no answer", "another shape"
FATAL = (REFUSED, SILENT, SHAPE)
EITHER = (("is_on", "is_off"), ("yes", "no"), ("is_closed", "is_open"))  # the two answers of one question
MAY_LACK = re.compile(
    r"errors|generator\.(offset|clear\.\d+)|multimeter\.(four_wire|dc_volts|ac_volts|offset_compensation)"
)
ANSWER_S = 1.0  # a word that is not understood is not answered
OVER_RANGE = re.compile(r"[+-]?\d+(\.\d*)?[Ee][+]?\d+|[+-]?[A-Za-z][A-Za-z. ]{0,19}")
Draft = dict[str, Any]
PROFILE: type[Profile] = Profile


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One question: its key in the profile, the word, what came, and how that stands to the profile."""

    key: str
    word: str
    answer: str
    standing: str

    @property
    def is_fatal(self) -> bool:
        """The profile can't be spoken with this word."""
        return self.standing in FATAL


def offers() -> Sequence[tuple[str, str, str]]:
    """Name, role and title of every profile whose words can be tried."""
    found = []
    for name in known_names("instrument"):
        try:
            profile = load_profile(name)
        except DescriptionError:
            continue  # a wrong file is told where it is named
        found.append((name, profile.role, profile.title or profile.name))
    return found


def draft_like(name: str, identity: Identity) -> Draft:
    """The data of a profile with the words of profile `name` for the instrument that answers *IDN? with `identity`.

    Not of it: name, title, source, what it was proven on, and how over range is said; those are the person's to say.
    """
    data: Draft = load_profile(name).model_dump(mode="json", by_alias=True, exclude_none=True)
    who = f"(?P<maker>{re.escape(identity.maker)}), ?(?P<model>{re.escape(identity.model)})"
    data["identity"] = {"ask": "*IDN?", "pattern": who + ", ?(?P<serial>[^,]*), ?(?P<firmware>.*)"}
    data["title"] = f"{identity.maker} {identity.model}".strip()
    data["proven_on"] = []
    return data


def check_draft(draft: Mapping[str, Any]) -> Profile:
    """The draft as a profile. DescriptionError with every fault by key."""
    try:
        return Profile.model_validate(dict(draft))
    except ValueError as fault:
        told = [f"{'.'.join(map(str, one['loc']))}: {one['msg']}" for one in getattr(fault, "errors", list)()]
        raise DescriptionError(
            f"the profile won't do: {'; '.join(told) or fault}.", faults=tuple(told), next_action="Correct that answer."
        ) from fault


def set_word(draft: Draft, key: str, word: str | None) -> Draft:
    """The draft with another word under a dotted key; None takes the key's table out, where it may lack."""
    changed = copy.deepcopy(draft)
    steps = key.split(".")
    if word is None:
        lacking = MAY_LACK.match(key)
        if lacking is None:
            raise DescriptionError(f"{key}: a profile of this role can't be without it.", faults=(key,))
        steps = lacking.group().split(".")
    place: Any = changed
    for step in steps[:-1]:
        place = place[int(step)] if isinstance(place, list) else place[step]
    if word is not None:
        place[steps[-1]] = word
    elif isinstance(place, list):
        del place[int(steps[-1])]
    else:
        del place[steps[-1]]
    return changed


class _Questions(ProfiledDevice):
    """Asks; it knows no verb that sets."""

    def safe_state(self) -> None:
        """Nothing was set."""

    def ask(self, word: str, deadline_s: float) -> str:
        """The whole answer."""
        return self._session.query(word, deadline_s, explain=False).strip()

    def refusal(self) -> str:
        """What the instrument's list of errors holds, which is emptied; "" where it is empty or there is none."""
        try:
            self._check("")
        except BenchError as fault:
            return str(fault)
        return ""


def try_words(draft: Mapping[str, Any], link: str | Link) -> Iterator[Trial]:
    """Ask every question of the draft, one after another. Errors as opening the instrument tells them."""
    profile = check_draft(draft)
    device = _Questions("instrument", link, profile=profile)
    try:
        device.open()
        refuses = not device.refusal() and profile.errors is not None
        for key, word, holder in _questions(profile):
            yield _try(device, key, word, holder, refuses=refuses)
    finally:
        device.close()


def _try(device: _Questions, key: str, word: str, holder: BaseModel, *, refuses: bool) -> Trial:
    try:
        answer = device.ask(word, holder.reading_s if isinstance(holder, Function) else ANSWER_S)
    except BenchError:
        return Trial(key=key, word=word, answer="", standing=SILENT)
    standing = _standing(holder, answer)
    if refuses and key != "errors.ask" and device.refusal():
        standing = REFUSED
    return Trial(key=key, word=word, answer=answer, standing=standing)


def _standing(holder: BaseModel, answer: str) -> str:
    said = {name: str(value) for name, value in holder if isinstance(value, str)}
    for pair in EITHER:
        if set(pair) <= said.keys():
            return FITS if any(re.fullmatch(said[one], answer) for one in pair) else SHAPE
    if "none" in said:
        return FITS if re.fullmatch(said["none"], answer) else SHAPE  # its list was emptied before
    fixed = [said[one] for one in ("pattern", "text") if one in said]
    if fixed:
        return FITS if any(re.fullmatch(one, answer) for one in fixed) else OTHER
    if "is_on" in said:
        return FITS if re.fullmatch(said["is_on"], answer) else OTHER
    try:
        value = ProfiledDevice._bare_value(answer, said.get("answer"))
        if not (isinstance(holder, Function) and OVER_RANGE.fullmatch(value)):  # its leads are off: over range fits
            scpi.parse_number(value, of="")
    except BadReply:
        return SHAPE
    return FITS


def _questions(profile: Profile) -> Iterator[tuple[str, str, BaseModel]]:
    """Dotted key, word and the table it is in, of everything that only asks; each word once."""
    seen: set[str] = set()
    for key, holder in _tables(profile, ""):
        for name in ("ask", "read"):
            word = getattr(holder, name, None)
            if not isinstance(word, str) or key == "identity":
                continue
            spoken = word.format(channel=profile.switch.channels[0]) if profile.switch is not None else word
            if spoken not in seen:
                seen.add(spoken)
                yield f"{key}.{name}", spoken, holder


def _tables(holder: Any, key: str) -> Iterator[tuple[str, BaseModel]]:
    if isinstance(holder, BaseModel):
        yield key, holder
        for name, value in holder:
            yield from _tables(value, f"{key}.{name}".lstrip("."))
    elif isinstance(holder, Sequence) and not isinstance(holder, str):
        for number, value in enumerate(holder):
            yield from _tables(value, f"{key}.{number}")
