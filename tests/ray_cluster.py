"""A Ray cluster of two machines, each a network namespace of this one, joined by a cable."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
HEAD, OTHER = "10.213.77.1", "10.213.77.2"
_PORT = 6379
_CLOSED = {"RAY_AUTH_MODE": "token", "RAY_AUTH_TOKEN": "invented-for-tests-0123456789abcdef"}
_SOON = {  # a machine that is gone is missed after some two seconds, not after half a minute
    "RAY_health_check_initial_delay_ms": "1000",
    "RAY_health_check_period_ms": "500",
    "RAY_health_check_timeout_ms": "1000",
    "RAY_health_check_failure_threshold": "4",
}


@dataclass(frozen=True)
class Cluster:
    """Names of the two namespaces. The first one's machine leads."""

    head: str
    other: str
    address: str = f"{HEAD}:{_PORT}"

    def started(self, place: str, *words: str) -> subprocess.Popen[str]:
        """Start a program on one of the two."""
        return subprocess.Popen(
            ["ip", "netns", "exec", place, *words],
            cwd=ROOT,
            env=os.environ | _SOON | _CLOSED | {"PYTHONPATH": str(ROOT), "RAY_USAGE_STATS_ENABLED": "0"},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    @contextmanager
    def serving(self, folder: Path) -> Iterator[str]:
        """Serve a folder on the first of the two; gives its address."""
        words = ["ip", "netns", "exec", self.head, sys.executable, "-m", "http.server", "8000", "-d", str(folder)]
        server = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            yield f"http://{HEAD}:8000/"
        finally:
            server.kill()
            server.wait()

    def kill(self, place: str) -> int:
        """Kill all that runs on one of the two, as if its power went; how many processes that were."""
        pids = [int(pid) for pid in _ip("netns", "pids", place).split()]
        for pid in pids:
            os.kill(pid, signal.SIGKILL)
        return len(pids)


@contextmanager
def two_machines() -> Iterator[Cluster]:
    """Start the cluster, one processor each; the test is skipped where that can't be."""
    pytest.importorskip("ray", reason="Ray is not installed")
    if os.geteuid() or not shutil.which("ip"):
        pytest.skip("network namespaces need root and the program ip")
    cluster = Cluster(f"denim-a-{os.getpid()}", f"denim-b-{os.getpid()}")
    folder = Path(tempfile.mkdtemp(prefix="ray", dir="/tmp"))  # a short path: sockets lie in it
    try:
        try:
            _joined(cluster)
        except subprocess.CalledProcessError as err:
            pytest.skip(f"no network namespaces can be made here: {err.stderr.strip()}")
        _ray(
            cluster,
            cluster.head,
            HEAD,
            "--head",
            "--port",
            str(_PORT),
            "--temp-dir",
            str(folder),
            "--include-dashboard",
            "false",
        )
        _ray(cluster, cluster.other, OTHER, "--address", cluster.address)
        yield cluster
    finally:
        for place in (cluster.other, cluster.head):
            if place in _ip("netns", "list").split():
                cluster.kill(place)
                _ip("netns", "delete", place)
        shutil.rmtree(folder, ignore_errors=True)


def _joined(cluster: Cluster) -> None:
    ends = {cluster.head: (f"da{os.getpid()}", HEAD), cluster.other: (f"db{os.getpid()}", OTHER)}
    for place in ends:
        _ip("netns", "add", place)
    (one, _), (other, _) = ends.values()
    _ip("link", "add", one, "type", "veth", "peer", "name", other)
    for place, (end, address) in ends.items():
        _ip("link", "set", end, "netns", place)
        _ip("-n", place, "addr", "add", f"{address}/24", "dev", end)
        _ip("-n", place, "link", "set", end, "up")
        _ip("-n", place, "link", "set", "lo", "up")


def _ray(cluster: Cluster, place: str, address: str, *words: str) -> None:
    code = "import sys; from ray.scripts.scripts import main; sys.exit(main())"
    size = ("--num-cpus", "1", "--object-store-memory", "100000000")
    process = cluster.started(place, sys.executable, "-c", code, "start", "--node-ip-address", address, *words, *size)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, out + err


def _ip(*words: str | Sequence[str]) -> str:
    return subprocess.run(["ip", *words], capture_output=True, text=True, check=True).stdout
