"""A night on a cluster of two machines, one of which is lost: the rows are those of one machine that nothing disturbed.

No published numbers stand behind these: the check is the local engine's own result.
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil
import pytest

from pipeline import __version__
from pipeline.intake import FarPhotos, NothingToDo
from pipeline.scan import OnRay, Pool, on_ray
from pipeline.scan.looking import PhotoJob
from tests.ray_cluster import Cluster, two_machines
from tests.scan.nights import SHEETS, a_night, files_of
from tests.scan.test_faults import ended, looks_in, rows_of, started, until

PHOTOS, WINDOW = 120, 80


@pytest.fixture(scope="module")
def cluster():
    with two_machines() as both:
        yield both


@contextmanager
def on_cluster(cluster: Cluster, *words: str) -> Iterator[subprocess.Popen[str]]:
    """Scan from the machine that leads the cluster; the scan is gone afterwards, whatever happens."""
    words += ("--ray", cluster.address)
    with cluster.started(cluster.head, sys.executable, "-m", "tests.scan.one_night", *words) as process:
        try:
            yield process
        finally:
            process.kill()


def told(err: str) -> list[str]:
    """What was said, but for the line in which Ray says that it will say nothing."""
    return [line for line in err.splitlines() if "RAY_BACKEND_LOG_LEVEL" not in line]


@pytest.mark.slow
def test_machines_that_can_not_look_end_the_scan_in_one_line_and_blame_no_photo(tmp_path, cluster):
    night = a_night(tmp_path / "night", listings=2)
    (tmp_path / "broken").mkdir()  # the stand-in finds no networks in a folder of that name
    words = (str(night), str(tmp_path / "out"), f"sqlite:///{tmp_path}/x.db", "--models", str(tmp_path / "broken"))
    with on_cluster(cluster, *words) as process:
        status, err = ended(process, limit_s=300)
    (line,) = told(err)
    assert (status, line.partition(":")[0]) == (2, "ClusterError")
    assert "a worker process could not start" in line
    assert looks_in(tmp_path / "x.db") == 0


@pytest.mark.slow
def test_a_cluster_that_loses_one_of_its_two_machines_half_way_ends_with_the_rows_of_one_machine(tmp_path, cluster):
    night = a_night(tmp_path / "night", listings=PHOTOS // 4, photos=4, L7_1="crash")  # ends every worker that sees it
    here, there = f"sqlite:///{tmp_path / 'here.db'}", f"sqlite:///{tmp_path / 'there.db'}"
    assert ended(started(night, tmp_path / "here", here)) == (0, "")
    words = (str(night), str(tmp_path / "there"), there, "--window", str(WINDOW), "--hurry", str(tmp_path / "hurry"))
    words += ("--json",)
    with (
        cluster.serving(night.parent) as photos,
        on_cluster(cluster, *words, "--photos-from", photos) as process,
    ):
        until(lambda: looks_in(tmp_path / "there.db") > PHOTOS // 6 and is_looking(cluster), limit_s=120)
        cluster.kill(cluster.other)
        seen = looks_in(tmp_path / "there.db")
        (tmp_path / "hurry").touch()
        status, err = ended(process, limit_s=300)
    others = "\n".join(json.loads(line)["line"] for line in err.splitlines())  # all that Ray says came as JSON
    assert (status, told(others)) == (0, [])
    assert PHOTOS // 6 < seen < PHOTOS - 20
    assert files_of(tmp_path / "there") == files_of(tmp_path / "here")
    assert rows_of(there) == rows_of(here)


def is_looking(cluster: Cluster) -> bool:
    """Whether a worker is at work on the machine that is about to be lost."""
    pids = subprocess.run(["ip", "netns", "pids", cluster.other], capture_output=True, text=True).stdout.split()
    return any("spawn_main" in " ".join(command_of(int(pid))) for pid in pids)


def command_of(pid: int) -> list[str]:
    """The words that a process was started with; none where it is gone meanwhile."""
    try:
        return psutil.Process(pid).cmdline()
    except psutil.NoSuchProcess:
        return []


def test_a_leader_that_is_gone_for_a_while_is_given_up(monkeypatch):
    monkeypatch.setattr(on_ray, "_KNOCK_EVERY_S", 0)
    with socket.create_server(("127.0.0.1", 0)) as server:
        leader = on_ray._Leader(f"127.0.0.1:{server.getsockname()[1]}")
        for _ in range(10):
            leader.check()
    for _ in range(on_ray._KNOCKS - 1):  # it may come back
        leader.check()
    with pytest.raises(on_ray.ClusterError, match="the machine that leads the cluster is gone"):
        leader.check()


@pytest.mark.parametrize(
    ("pool", "version", "why"),
    [
        (Pool(Path("models"), Path(), SHEETS, 1), "0.0.0", "the scan is of 0.0.0"),
        (Pool(Path("models"), Path("/gone"), SHEETS, 1), __version__, "it has no folder /gone"),
        (Pool(Path("models"), FarPhotos(("https://host/",)), SHEETS, 1), __version__, None),
    ],
)
def test_a_machine_that_would_look_otherwise_refuses(pool, version, why):
    refusal = on_ray._refusal(pool, version)
    assert why in refusal.reason if why else refusal is None


def test_a_folder_of_photos_is_named_alike_wherever_a_process_was_started(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    assert on_ray._for_any_machine(Pool(Path("models"), Path(), SHEETS, 1)).photos_root == tmp_path


def test_where_no_cluster_is_one_line_says_so():
    pytest.importorskip("ray", reason="Ray is not installed")
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    engine = OnRay(Pool(Path("models"), Path(), SHEETS, 1), f"127.0.0.1:{port}")
    with pytest.raises(NothingToDo, match=f"no Ray cluster can be used at 127.0.0.1:{port}"):
        next(engine.look_at_all([PhotoJob("a", "quillmere")]))


def test_without_ray_one_line_says_what_to_install(monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(NothingToDo, match=r"Ray is not installed: pip install -r requirements/ray\.txt"):
        OnRay(Pool(Path("models"), Path(), SHEETS, 1))
