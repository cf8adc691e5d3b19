"""A PostgreSQL server of our own for a test session, from Debian's package; gone afterwards."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def running_postgres() -> Iterator[str]:
    """The server's URL, `postgresql://...` without a database's name; skips where PostgreSQL is not installed."""
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
        ctl = str(bins[-1].with_name("pg_ctl"))
        _run([ctl, "-D", data, "-w", "-l", str(folder / "log"), "-o", settings, "start"])
        try:
            yield f"postgresql://test@127.0.0.1:{port}"
        finally:
            _run([ctl, "-D", data, "-m", "immediate", "-w", "stop"])
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _run(command: Sequence[str]) -> None:
    as_user = ["setpriv", "--reuid=postgres", "--regid=postgres", "--init-groups"] if os.geteuid() == 0 else []
    done = subprocess.run([*as_user, *command], capture_output=True, text=True, cwd="/", stdin=subprocess.DEVNULL)
    assert done.returncode == 0, done.stderr + done.stdout


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
