"""The page of all commands, made from the commands themselves: python -m rig.cli.reference > rig/cli/REFERENCE.md

Every command has one example in its help; tests/cli/test_reference.py executes them and holds the page against this.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import click

from rig.cli.main import cli

HEAD = """# Commands

Made by `python -m rig.cli.reference` from the commands themselves; tests execute every example.
WHAT is a run (its id or the beginning of it), a serial number (its newest fitting run), a report number, or `latest`.
"""


@dataclass(frozen=True, slots=True)
class CommandEntry:
    """One command: its words, its help without the example, the example, its options (spelling, help)."""

    words: str
    text: str
    example: str
    options: tuple[tuple[str, str], ...]


def entries(group: click.Group | None = None, before: str = "anglewright") -> Iterator[CommandEntry]:
    """Every command below a group, in the order of the help; a group's default is the group's own entry."""
    group = group or cli
    context = click.Context(group, info_name=before)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            yield from entries(command, f"{before} {name}")
        elif command is not None:
            yield _entry(command, before if command.hidden else f"{before} {name}")


def _entry(command: click.Command, words: str) -> CommandEntry:
    context = click.Context(command, info_name=words)
    usage = " ".join(piece for piece in command.collect_usage_pieces(context) if piece != "[OPTIONS]")
    text = re.sub(r"\s+", " ", command.help or "").strip()
    text, _, example = text.partition(" Example: ")
    options = tuple(
        record
        for param in command.params
        if isinstance(param, click.Option) and (record := param.get_help_record(context))
    )
    return CommandEntry(words=f"{words} {usage}".strip(), text=text, example=example, options=options)


def page() -> str:
    """The page as Markdown."""
    rows = [HEAD]
    for entry in entries():
        rows += [f"## {entry.words}", "", entry.text, "", f"    {entry.example}", ""]
        rows += [f"- `{spelling}`: {text}" for spelling, text in entry.options]
        rows.append("")
    return "\n".join(rows).rstrip() + "\n"


if __name__ == "__main__":
    click.echo(page(), nl=False)
