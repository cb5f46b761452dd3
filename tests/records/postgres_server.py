"""A PostgreSQL server of this test run's own: Debian's binaries, a folder under /tmp, a Unix socket and no TCP port.

It refuses to run as root, so it is started as user postgres there. Nothing of a server that runs already is touched.
"""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path


class Server:
    """A running server; `url` has no password and no host name: the socket's folder is in the query."""

    def __init__(self, folder: Path, process: subprocess.Popen[bytes]) -> None:
        self.folder = folder
        self._process = process
        self.url = f"postgresql://postgres@/postgres?host={folder}"

    def close(self) -> None:
        self._process.send_signal(signal.SIGQUIT)  # at once: the folder goes anyway
        self._process.wait(20)
        shutil.rmtree(self.folder, ignore_errors=True)

    def new_database(self, name: str) -> str:
        """The URL of an empty database."""
        import psycopg

        with psycopg.connect(host=str(self.folder), user="postgres", dbname="postgres", autocommit=True) as connection:
            connection.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
            connection.execute(f'CREATE DATABASE "{name}"')
        return f"postgresql://postgres@/{name}?host={self.folder}"


def start(*, durable: bool = False) -> Server | str:
    """The server, or a sentence that says what is missing. durable: commits wait for the disk, as in a shop."""
    try:
        import psycopg
    except ImportError:
        return "psycopg is not installed (pip install -e '.[postgres]')"
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda p: int(p.parent.name))
    if not folders:
        return "PostgreSQL is not installed (python tests/prepare.py, or apt-get install postgresql)"
    binaries = folders[-1]
    user = "postgres" if os.geteuid() == 0 else None
    if user and user not in {entry.pw_name for entry in pwd.getpwall()}:
        return "there is no user postgres to run the server as"
    memory = Path("/dev/shm")
    quick = memory if not durable and memory.is_dir() and os.access(memory, os.W_OK) else None
    folder = Path(tempfile.mkdtemp(prefix="anglewright-pg-", dir=quick))
    if user:
        shutil.chown(folder, user)
    group = pwd.getpwnam(user).pw_gid if user else None
    as_user = {"user": user, "group": group, "cwd": folder, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    words = [
        str(binaries / "initdb"),
        "-D",
        str(folder / "data"),
        "-A",
        "trust",
        "-U",
        "postgres",
        "-E",
        "UTF8",
        "--no-sync",
    ]
    if subprocess.run(words, check=False, **as_user).returncode:
        return "PostgreSQL's initdb failed"
    settings = ["listen_addresses=", f"unix_socket_directories={folder}", "max_connections=40"]
    settings += [] if durable else ["fsync=off", "full_page_writes=off"]
    words = [str(binaries / "postgres"), "-D", str(folder / "data"), *(w for s in settings for w in ("-c", s))]
    server = Server(folder, subprocess.Popen(words, **as_user))
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline:
        try:
            psycopg.connect(host=str(folder), user="postgres", dbname="postgres").close()
        except psycopg.OperationalError:
            time.sleep(0.05)
        else:
            return server
    server.close()
    return "PostgreSQL did not come up within 20 s"
