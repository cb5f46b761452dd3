"""`anglewright panel`: the shop's signing key."""

from __future__ import annotations

import click

from rig.cli import options
from rig.cli.group import InOrder, print_json


@click.group(cls=InOrder)
def panel() -> None:
    """What the shop signs with."""


@panel.command()
@click.option("--name", required=True, help="The shop's name, as it stands in the signature.")
@options.as_json
def key(name: str, as_json: bool) -> None:
    """Make the shop's signing key, once: <home>/keys; name it under [seal] in shop.toml.

    Example: anglewright panel key --name 'Harrow Lane Motor Rebuild (invented)'
    """
    from rig.certificate.seal.signatures import new_key
    from rig.description.places import default_home

    made = new_key(default_home() / "keys", name)
    if as_json:
        print_json({"key": str(made.key), "certificate": str(made.certificate)})
    else:
        click.echo(f'[seal]\nkey = "keys/{made.key.name}"\ncertificate = "keys/{made.certificate.name}"')
