"""Commands about reports: write or amend one, withdraw it, list them, verify a file, the shop's key.

Words in, text or one JSON document out; everything is done by rig/certificate. It does not load benches or sequences,
so that a report is there at once. Exit status of verify: 0 unchanged, 1 altered, 2 unreadable, 3 unknown.
"""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rig.certificate.seal.verify import Checked

Told = Callable[[Callable[..., None]], Callable[..., None]]
as_json = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")


def register(cli: click.Group, told: Told) -> None:
    """Add the commands to the command line."""
    for command in (certificate, certificates, verify, new_key):
        name = command.__name__.replace("_", "-")
        params: list[click.Parameter] = getattr(command, "__click_params__", [])
        cli.add_command(
            click.Command(name, callback=told(command), params=params[::-1], help=command.__doc__, short_help=None)
        )


@click.argument("run_id")
@click.option("--out", type=click.Path(path_type=Path), default=None, help="Copy the files into this folder.")
@click.option("--reason", default="", help="Why an amended report takes the place of the one that was issued.")
@click.option(
    "--correct",
    "corrections",
    multiple=True,
    metavar="NAME=WORDS",
    help="With --reason: serial, job, customer, condition or operator as it should have been. May be repeated.",
)
@click.option(
    "--withdraw", default="", metavar="REASON", help="Withdraw the newest report of the run; it stays listed."
)
@as_json
def certificate(
    run_id: str, out: Path | None, reason: str, corrections: Sequence[str], withdraw: str, as_json: bool
) -> None:
    """Write the report of a kept run: PDF, JSON, XML, CSV.

    Written again it must come out as it was issued; with --reason an amended report takes its place.
    """
    from rig.certificate import issue as issuing
    from rig.records.store import Store

    store = Store()
    stored = store.find(run_id)
    if withdraw:
        entry = issuing.withdraw(store, stored.id, withdraw)
        click.echo(
            json.dumps({"number": entry.number, "withdrawn": entry.reason}) if as_json else f"withdrawn {entry.number}"
        )
        return
    made = issuing.issue(store, stored, reason=reason, corrections=_pairs(corrections))
    files = dict(made.files)
    if out is not None:
        out.mkdir(parents=True, exist_ok=True)
        files = {kind: str(shutil.copy2(path, out)) for kind, path in files.items()}
    if as_json:
        click.echo(json.dumps({"run": stored.id, "number": made.number, "again": made.again, "files": files}))
        return
    for kind, path in files.items():
        click.echo(f"{kind:<12} {path}")
    if made.again:
        click.echo(f"report {made.number} was issued before; it comes out the same.", err=True)


@click.option("--serial", default="", help="Only reports of this serial.")
@as_json
def certificates(serial: str, as_json: bool) -> None:
    """List the reports issued, amended and withdrawn, newest first."""
    from rig.certificate.seal.register import Register, in_force
    from rig.description.loading import home

    register = Register(home())
    rows = [(e, state) for e, state in in_force(register.entries, register) if serial in ("", e.serial)]
    if as_json:
        listed = [{**asdict(entry), "state": state} for entry, state in rows]
        click.echo(json.dumps({"reports": listed, "broken": register.broken}, ensure_ascii=False))
    for entry, state in () if as_json else rows:
        mark = " SIMULATED" if entry.simulated else ""
        click.echo(
            f"{entry.at_utc[:10]}  {entry.number:<32} {entry.part} {entry.serial}  {entry.outcome}{mark}  {state}"
        )
    for fault in register.broken:
        click.echo(f"register: {fault}", err=True)
    sys.exit(1 if register.broken else 0)


@click.argument("what", nargs=-1, required=True, metavar="FILE|RUN_ID...")
@as_json
def verify(what: Sequence[str], as_json: bool) -> None:
    """Tell whether a report (PDF, XML or JSON from anywhere) or a kept run is unchanged, altered (where) or unknown."""
    from rig.certificate.seal.verify import verify as check
    from rig.description.loading import home

    found = [check(Path(one), home()) if Path(one).exists() else _run(one) for one in what]
    if as_json:
        click.echo(json.dumps([asdict(one) for one in found], ensure_ascii=False))
    for one in () if as_json else found:
        _show(one)
    sys.exit(max(one.exit_status for one in found))


@click.option("--name", required=True, help="The shop's name, as it stands in the signature.")
@as_json
def new_key(name: str, as_json: bool) -> None:
    """Make the shop's signing key, once: <home>/keys; name it under [seal] in shop.toml."""
    from rig.certificate.seal.signatures import new_key as made_key
    from rig.description.loading import home

    key = made_key(home() / "keys", name)
    if as_json:
        click.echo(json.dumps({"key": str(key.key), "certificate": str(key.certificate)}))
    else:
        click.echo(f'[seal]\nkey = "keys/{key.key.name}"\ncertificate = "keys/{key.certificate.name}"')


def _run(name: str) -> Checked:
    from rig.certificate.seal.register import Register
    from rig.certificate.seal.verify import Checked
    from rig.certificate.seal.verify_run import verify_run
    from rig.records.store import Store

    store = Store()
    stored = store.find(name)
    where = tuple(verify_run(store, stored))
    register = Register(store.home)
    reports = register.of_run(stored.id)
    return Checked(
        file=str(stored.path),
        kind="run",
        number=reports[-1].number if reports else "",
        state="altered" if where else "unchanged",
        where=where,
        signature="signed" if reports and reports[-1].signed else "unsigned",
        simulated=stored.header.simulated,
        register=register.state(reports[-1].number) if reports else "no report issued",
        broken=register.broken,
    )


def _show(one: Checked) -> None:
    mark = ", SIMULATED" if one.simulated else ""
    click.echo(f"{one.state.upper():<10} {one.file}")
    click.echo(f"           {one.kind} {one.number}: {one.signature}{mark}; {one.register}")
    for place in one.where:
        click.echo(f"           {place}")
    for fault in one.broken:
        click.echo(f"           register: {fault}", err=True)


def _pairs(texts: Sequence[str]) -> dict[str, str]:
    from rig.errors import UsageError

    made: dict[str, Any] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals:
            raise UsageError(f"correction {text!r} can't be read.", next_action="Write NAME=WORDS, e.g. customer=Mill.")
        made[name.strip()] = value.strip()
    return made
