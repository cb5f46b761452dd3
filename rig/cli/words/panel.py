"""`anglewright panel`: the bench on a screen, accounts for it, the shop's signing key."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli import options
from rig.cli.group import WithDefault, print_json

if TYPE_CHECKING:
    from rig.jobs.access.accounts import Accounts


@click.group(cls=WithDefault, default="serve")
def panel() -> None:
    """The bench on a screen: `panel` serves the pages; accounts, tokens and the signing key by the commands below."""


@panel.command()
@click.option("--bench", default="simulated", show_default=True, help="The bench that the pages are of.")
@click.option("--host", default="127.0.0.1", show_default=True, help="Beyond this machine: accounts and TLS first.")
@click.option("--port", default=8473, show_default=True)
@click.option("--name", "names", multiple=True, metavar="HOST", help="How other machines call this one; repeatable.")
@click.option("--certificate", type=click.Path(path_type=Path), default=None, help="TLS certificate (PEM).")
@click.option("--key", type=click.Path(path_type=Path), default=None, help="Its private key (PEM).")
@click.option("--speed", default="real", show_default=True, help="Of a simulated bench: real, fast or a factor.")
def serve(
    bench: str,
    host: str,
    port: int,
    names: tuple[str, ...],
    certificate: Path | None,
    key: Path | None,
    speed: str,
) -> None:
    """Serve the panel of BENCH until Ctrl-C. Nothing on its pages arms a bench; that is a hand at the bench.

    Example: anglewright panel serve --help
    """
    from rig.web.serve import serve as run

    run(
        bench=bench,
        host=host,
        port=port,
        names=names,
        certificate=certificate,
        key=key,
        speed=speed,
        say=lambda text: click.echo(text, err=True),
    )


@panel.group(cls=WithDefault, default="list")
def account() -> None:
    """Accounts of the panel: list, add, end, password. They are made at the terminal only."""


@account.command("list")
@options.as_json
def list_accounts(as_json: bool) -> None:
    """List the accounts, ended ones too.

    Example: anglewright panel account list
    """
    rows = [
        {"name": one.name, "role": one.role, "made_utc": one.made_utc, "ended_utc": one.ended_utc}
        for one in _accounts().all()
    ]
    if as_json:
        print_json({"accounts": rows})
        return
    for row in rows:
        ended = f"ended {row['ended_utc'][:10]}" if row["ended_utc"] else "open"
        click.echo(f"{row['name']:<24} {row['role']:<8} since {row['made_utc'][:10]}  {ended}")
    if not rows:
        click.echo("no account yet: on this machine none is needed")


@account.command("add")
@click.argument("name")
@click.option("--role", type=click.Choice(["view", "operate", "approve"]), required=True)
@click.option("--password-file", type=click.Path(path_type=Path), default=None, help="Instead of asking.")
def add_account(name: str, role: str, password_file: Path | None) -> None:
    """Make an account; its password is asked for.

    Example: anglewright panel account add --help
    """
    made = _accounts().add(name, role, _password(password_file), _now())
    click.echo(f"account {made.name} ({made.role})")


@account.command("end")
@click.argument("name")
def end_account(name: str) -> None:
    """Close an account at once: whoever left can no longer sign in, and open pages ask again.

    Example: anglewright panel account end --help
    """
    _accounts().end(name, _now())
    click.echo(f"account {name} ended")


@account.command("password")
@click.argument("name")
@click.option("--password-file", type=click.Path(path_type=Path), default=None, help="Instead of asking.")
def change_password(name: str, password_file: Path | None) -> None:
    """Give an account a new password.

    Example: anglewright panel account password --help
    """
    _accounts().set_password(name, _password(password_file))
    click.echo(f"account {name}: new password")


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


def _accounts() -> Accounts:
    from rig.description.places import default_home
    from rig.jobs.access.accounts import Accounts

    return Accounts(default_home())


def _now() -> str:
    from datetime import UTC, datetime

    return datetime.now(UTC).isoformat(timespec="seconds")


def _password(file: Path | None) -> str:
    if file is not None:
        return file.read_text(encoding="utf-8").rstrip("\r\n")
    given: str = click.prompt("Password", hide_input=True, confirmation_prompt=True)
    return given
