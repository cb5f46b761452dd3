"""Questions one by one: answered beforehand by options, typed, piped, or left at their defaults. It opens nothing.

Input that ends before the last question ends the whole, with the question named; nothing is made from half an answer.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable
from datetime import date
from typing import Any, TypeVar

from rig.errors import UsageError

T = TypeVar("T")
REQUIRED = None


class Questions:
    """answers: key -> text given beforehand. assume: take every default without asking.

    say: shows a text; read_line: the next line typed or piped, "" at the end of the input.
    """

    def __init__(
        self, answers: Iterable[str], *, assume: bool, say: Callable[[str], None], read_line: Callable[[], str]
    ) -> None:
        self._given = dict(_split(one) for one in answers)
        self._assume = assume
        self._say = say
        self._read_line = read_line

    def text(self, key: str, question: str, default: str | None = REQUIRED) -> str:
        """An answer as text; without a default it has to be given."""
        return self._ask(key, question, default, str)

    def number(self, key: str, question: str, default: float) -> float:
        """A number; a whole one where the default is whole."""
        return self._ask(key, question, default, int if isinstance(default, int) else float)

    def day(self, key: str, question: str) -> date | None:
        """A date as YYYY-MM-DD, or none."""
        return self._ask(key, question, "", lambda text: date.fromisoformat(text) if text else None)

    def rest(self) -> dict[str, Any]:
        """Answers to what was not asked, as values of a file: dotted key -> value."""
        return {key: _parse(text) for key, text in self._given.items()}

    def _ask(self, key: str, question: str, default: Any, convert: Callable[[str], T]) -> T:
        if (given := self._given.pop(key, None)) is not None:
            return _convert(key, given, convert)
        if self._assume and default is not REQUIRED:
            return _convert(key, str(default), convert)
        while True:
            self._say(f"{key}: {question}" + ("" if default in (REQUIRED, "") else f" [{default}]"))
            typed = self._read_line()
            if not typed:
                raise UsageError(
                    f"the input ended at {key}: nothing was written.",
                    next_action=f"Answer it, give --answer {key}=VALUE, or take the defaults with --yes.",
                )
            answer = typed.strip() or ("" if default is REQUIRED else str(default))
            if not answer and default is REQUIRED:
                continue
            try:
                return convert(answer)
            except ValueError as fault:
                self._say(f"  {answer!r} won't do: {fault}")


def _convert(key: str, text: str, convert: Callable[[str], T]) -> T:
    try:
        return convert(text.strip())
    except ValueError as fault:
        raise UsageError(f"{key}: {text!r} won't do ({fault}).", next_action="Correct that answer.") from fault


def _split(answer: str) -> tuple[str, str]:
    key, equals, value = answer.partition("=")
    if not equals or not key.strip():
        raise UsageError(f"answer {answer!r} is not KEY=VALUE.", next_action="Write e.g. sampler.shunt_ohm=1.0.")
    return key.strip(), value


def _parse(text: str) -> Any:
    try:
        return tomllib.loads(f"x = {text}")["x"]
    except tomllib.TOMLDecodeError:
        return text
