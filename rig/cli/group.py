"""Groups of the command line: words loaded when they are asked for, a default for what is no word, errors in one place.

The first help shows the words by the person's moment, each with one example. Nothing but click is loaded for it.
"""

from __future__ import annotations

import importlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import click

from rig.cli.exits import report_errors


@dataclass(frozen=True, slots=True)
class Word:
    """One word: the moment it belongs to ("": not listed), what it does, one example, where it stands."""

    name: str
    moment: str
    summary: str
    example: str
    where: str


class Words(click.Group):
    """The top of the command line. words: in the order of the help; a word's module is imported when it is used."""

    def __init__(self, *args: Any, words: Sequence[Word] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.words = {word.name: word for word in words}

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The words, in the order of the help."""
        return list(self.words)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """A word's command or group."""
        word = self.words.get(cmd_name)
        if word is None:
            return None
        module, _, name = word.where.partition(":")
        found: click.Command = getattr(importlib.import_module(module), name)
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The words by moment: what each does, and below it one example."""
        for moment in dict.fromkeys(word.moment for word in self.words.values() if word.moment):
            rows = []
            for word in self.words.values():
                if word.moment == moment:
                    rows += [(word.name, word.summary), ("", word.example)]
            with formatter.section(moment):
                formatter.write_dl(rows)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the word under the roof (roof.py): every fault ends in one message and an exit status."""
        with report_errors():
            return super().invoke(ctx)


class InOrder(click.Group):
    """A group that lists its commands in the order in which they were added."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Their names."""
        return list(self.commands)


class WithDefault(InOrder):
    """A group in which a first word that is none of its commands goes to the command named `default`."""

    def __init__(self, *args: Any, default: str = "show", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.default = default

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Put the default's name in front where no command of the group is named."""
        asks_help = bool(args) and args[0] in ctx.help_option_names
        if not asks_help and (not args or args[0] not in self.list_commands(ctx)):
            args = [self.default, *args]
        return super().parse_args(ctx, args)


def print_json(document: Any) -> None:
    """One JSON document on standard output; null, never NaN."""
    click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False))
