"""`bench new` with an instrument that no family knows: tried with another one's words, profiled with the person.

Only questions are asked of it. What a manual has to say (where its words stand, how over range is said, which channels
a relay board has) is asked of the person; none of it is guessed. The profile is written only when every question was
understood.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from drivers import shelf, speak_as
from drivers.roles import FoundInstrument, Identity
from rig.description.places import default_home
from rig.errors import UsageError
from rig.jobs.bench.description_files import toml_text, write_new
from rig.jobs.bench.dialogue import Questions

NONE = "none"
WITHOUT = "without"
MOST_CORRECTIONS = 20
Say = Callable[[str], None]


def offer_profiles(found: Sequence[FoundInstrument], ask: Questions, say: Say) -> tuple[FoundInstrument, ...]:
    """The same instruments; those that nobody knew and that the person gave a profile have its driver and role."""
    return tuple(_offer(one, ask, say) if one.identity is not None and not one.driver else one for one in found)


def _offer(found: FoundInstrument, ask: Questions, say: Say) -> FoundInstrument:
    identity = found.identity
    if identity is None:
        return found
    who, key = f"{identity.maker} {identity.model}".strip(), f"speak_as.{identity.model}"
    offers = speak_as.offers()
    say(f"{who} at {found.link} is known to no family. It may understand the words of another one:")
    for name, role, title in offers:
        say(f"  {name:<16} {role}: {title}")
    like = ask.text(key, f"speak as which of these, or {NONE}; only questions are asked of it", NONE)
    if like == NONE:
        return found
    if like not in [name for name, _, _ in offers]:
        raise UsageError(
            f"{key}: no profile is called {like!r}.", next_action=f"Known: {', '.join(n for n, _, _ in offers)}."
        )
    profile = _made_with(like, identity, found.link, key, ask, say)
    path = default_home() / "instruments" / f"{profile['name']}.toml"
    head = f"Made by `anglewright bench new`: {who} speaks as {like}. Questions were tried, settings were not."
    made = write_new(speak_as.PROFILE, path, toml_text(profile, head))
    say(f"Written to {path}. Its settings are tried by `bench check` and by `bench record`; then fill in proven_on.")
    return replace(found, driver=f"{shelf.PROFILE}{made.name}", role=made.role)


def _made_with(like: str, identity: Identity, link: str, key: str, ask: Questions, say: Say) -> dict[str, Any]:
    draft = speak_as.draft_like(like, identity)
    if (relays := draft.get("switch")) is not None:
        listed = ask.text(f"{key}.channels", "its relays, e.g. 101-120, from its manual")
        relays["channels"] = _numbers(f"{key}.channels", listed)
    draft = _until_understood(draft, link, key, ask, say)
    draft["name"] = ask.text(f"{key}.name", "a name for the profile", _slug(identity))
    draft["title"] = ask.text(f"{key}.title", "what it is called", draft["title"])
    draft["source"] = ask.text(f"{key}.source", "manual and chapter that its words stand in")
    if (meter := draft.get("multimeter")) is not None:
        token = ask.text(f"{key}.overload", "its answer over range: take the leads off in ohms and read what it sends")
        meter["overload"] = _overload(token)
    speak_as.check_draft(draft)
    return draft


def _until_understood(draft: dict[str, Any], link: str, key: str, ask: Questions, say: Say) -> dict[str, Any]:
    """The draft once each of its questions was understood; words that were not are the person's to correct."""
    for _ in range(MOST_CORRECTIONS):
        with shelf.hold([link], "a profile is tried"):
            trials = list(speak_as.try_words(draft, link))
        for one in trials:
            say(f"  {one.standing:<14} {one.word:<24} {one.answer[:60]}   ({one.key})")
        wrong = next((one for one in trials if one.is_fatal), None)
        if wrong is None:
            return draft
        question = f"{wrong.word}: {wrong.standing}. Its own word from the manual, or {WITHOUT}; empty stops"
        word = ask.text(f"{key}.{wrong.key}", question, "")
        if not word:
            raise UsageError(
                f"{wrong.key}: {wrong.word!r} is not understood ({wrong.standing}): no profile was written.",
                next_action=f"Look it up in the manual; give --answer {key}.{wrong.key}=WORD, or speak as another one.",
            )
        draft = speak_as.set_word(draft, wrong.key, None if word == WITHOUT else word)
        speak_as.check_draft(draft)
    raise UsageError("too many words were corrected: no profile was written.", next_action="Write the profile by hand.")


def _numbers(key: str, text: str) -> list[int]:
    """ "101-104, 201" as numbers."""
    found: list[int] = []
    for field in text.replace(" ", "").split(","):
        span = re.fullmatch(r"(\d{1,5})(?:-(\d{1,5}))?", field)
        if span is None:
            raise UsageError(f"{key}: {text!r} is no list of channels.", next_action="Write e.g. 101-120 or 1,2,5.")
        first, last = int(span[1]), int(span[2] or span[1])
        found += range(first, last + 1)
    return found


def _overload(token: str) -> dict[str, Any]:
    """A number is a magnitude, a word is a token."""
    try:
        return {"magnitudes": [abs(float(token))]}
    except ValueError:
        return {"tokens": [token]}


def _slug(identity: Identity) -> str:
    return re.sub(r"[^a-z0-9]+", "-", f"{identity.maker} {identity.model}".casefold()).strip("-")[:40] or "instrument"
