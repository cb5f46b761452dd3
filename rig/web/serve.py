"""Serving the panel: on this machine without fuss; beyond it only with accounts and a given certificate."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from rig.description.places import default_home as default_home
from rig.errors import BenchError, UsageError
from rig.jobs.bench.description_files import bench_of
from rig.web.panel import LOOPBACK, Panel

PORT = 8473


def serve(
    *,
    bench: str,
    host: str = "127.0.0.1",
    port: int = PORT,
    names: tuple[str, ...] = (),
    certificate: Path | None = None,
    key: Path | None = None,
    speed: str = "real",
    say: Callable[[str], None],
) -> None:
    """Serve the panel of one bench until SIGINT or SIGTERM; runs that it started end safe when it is gone.

    names: under which other machines call this one. Raises UsageError for a bench without file, or an address beyond
    this machine without accounts, certificate or names; BenchError when the port is taken.
    """
    import socket

    import uvicorn

    from rig.web.app import create_app

    bench_of(bench)
    local = host in LOOPBACK
    home = default_home()
    home.mkdir(parents=True, exist_ok=True)
    scheme = "https" if certificate else "http"
    panel = Panel(
        home=home,
        bench=bench,
        hosts=(*LOOPBACK, *names, *(() if host in ("0.0.0.0", "::") else (host,))),
        address=f"{scheme}://{names[0] if names else host}:{port}",
        secure=certificate is not None,
        speed=speed,
        say=say,
    )
    if not local:
        check_beyond(panel, certificate, key, names)
    link = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
    link.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        link.bind((host, port))
    except OSError as fault:
        raise BenchError(
            f"port {port} of {host} can't be had ({fault.strerror or fault}).",
            instrument="panel",
            next_action="Another panel may run already; take another with --port.",
        ) from fault
    say(f"Panel of bench {bench}: {panel.address}")
    say(f"Open {panel.entrance}" if not panel.accounts.open_ones() else "Sign in with your account.")
    config = uvicorn.Config(
        create_app(panel),
        log_level="warning",
        access_log=False,
        ssl_certfile=None if certificate is None else str(certificate),
        ssl_keyfile=None if key is None else str(key),
        server_header=False,
        ws_max_size=65_536,
        timeout_graceful_shutdown=2,
    )
    panel.feed.start()
    try:
        uvicorn.Server(config).run(sockets=[link])
    finally:
        panel.feed.close()
        link.close()


def check_beyond(panel: Panel, certificate: Path | None, key: Path | None, names: tuple[str, ...]) -> None:
    """Raises UsageError for what a panel that others can reach must have and has not."""
    if not panel.accounts.open_ones():
        raise UsageError(
            "the panel can't be reached from other machines without accounts.",
            next_action="Make one: anglewright panel account add NAME --role approve",
        )
    if certificate is None or key is None:
        raise UsageError(
            "the panel can't be reached from other machines without TLS.",
            next_action="Give --certificate and --key (PEM).",
        )
    for path in (certificate, key):
        if not path.is_file():
            raise UsageError(f"{path}: no such file.", next_action="Give the PEM file.")
    if not names:
        raise UsageError(
            "the panel does not know under which name other machines call it.",
            next_action="Give --name HOST, as people type it.",
        )
