"""A PostgreSQL server of our own for a test session, from Debian's package; gone afterwards."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest


@dataclass(frozen=True, slots=True)
class Server:
    """A server: its URL, `postgresql://...` without a database's name, and how to control it."""

    url: str
    control: Sequence[str]

    def start(self) -> None:
        """Start it, and wait until it answers."""
        _run([*self.control, "start"])

    def stop(self) -> None:
        """Stop it at once, as when the power fails."""
        _run([*self.control, "-m", "immediate", "stop"])


@contextmanager
def postgres_server() -> Iterator[Server]:
    """A running server; skips where PostgreSQL is not installed."""
    bins = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if not bins:
        pytest.skip("PostgreSQL is not installed (apt-get install postgresql)")
    folder = Path(tempfile.mkdtemp(prefix="pg"))
    port = _free_port()
    try:
        if os.geteuid() == 0:  # it refuses to run as root
            shutil.chown(folder, "postgres", "postgres")
        data = str(folder / "data")
        _run([str(bins[-1]), "-D", data, "-U", "test", "-A", "trust", "--no-sync"])
        settings = f"-p {port} -h 127.0.0.1 -k {folder} -c fsync=off -c max_connections=120"
        control = [str(bins[-1].with_name("pg_ctl")), "-D", data, "-w", "-l", str(folder / "log"), "-o", settings]
        server = Server(f"postgresql://test@127.0.0.1:{port}", control)
        server.start()
        try:
            yield server
        finally:
            server.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def running_postgres() -> Iterator[str]:
    """The URL of a running server, without a database's name; skips where PostgreSQL is not installed."""
    with postgres_server() as server:
        yield server.url


def _run(command: Sequence[str]) -> None:
    as_user = ["setpriv", "--reuid=postgres", "--regid=postgres", "--init-groups"] if os.geteuid() == 0 else []
    done = subprocess.run([*as_user, *command], capture_output=True, text=True, cwd="/", stdin=subprocess.DEVNULL)
    assert done.returncode == 0, done.stderr + done.stdout


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
