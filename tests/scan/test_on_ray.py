"""A night on a cluster of two machines, one of which is lost: the rows are those of one machine that nothing disturbed.

No published numbers stand behind these: the check is the local engine's own result.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.ray_cluster import HEAD, Cluster, two_machines
from tests.scan.nights import a_night, files_of
from tests.scan.test_faults import ended, looks_in, rows_of, started, until


@pytest.fixture(scope="module")
def cluster():
    with two_machines() as both:
        yield both


@pytest.fixture(scope="module")
def night(tmp_path_factory) -> Path:
    """A night of 60 listings; one photo ends every worker that looks at it."""
    return a_night(tmp_path_factory.mktemp("night"), listings=60, photos=4, L7_1="crash")


@pytest.mark.slow
def test_a_cluster_that_loses_one_of_its_two_machines_half_way_ends_with_the_rows_of_one_machine(
    night, cluster, tmp_path
):
    here, there = f"sqlite:///{tmp_path / 'here.db'}", f"sqlite:///{tmp_path / 'there.db'}"
    assert ended(started(night, tmp_path / "here", here)) == (0, "")
    served = cluster.started(cluster.head, sys.executable, "-m", "http.server", "8000", "-d", str(night.parent))
    scan_it = (sys.executable, "-m", "tests.scan.one_night", str(night), str(tmp_path / "there"), there)
    photos = f"http://{HEAD}:8000/"
    process = cluster.started(
        cluster.head, *scan_it, "--ray", cluster.address, "--photos-from", photos, "--window", "150"
    )
    try:
        until(lambda: looks_in(tmp_path / "there.db") > 50)
        assert is_looking(cluster)
        cluster.kill(cluster.other)
        seen = looks_in(tmp_path / "there.db")
        assert ended(process) == (0, "")
    finally:
        process.kill()
        served.kill()
        served.communicate()
    assert seen < 200
    assert files_of(tmp_path / "there") == files_of(tmp_path / "here")
    assert rows_of(there) == rows_of(here)


def is_looking(cluster: Cluster) -> bool:
    """Whether a worker is at work on the machine that is about to be lost."""
    import subprocess

    import psutil

    pids = subprocess.run(["ip", "netns", "pids", cluster.other], capture_output=True, text=True).stdout.split()
    return any("spawn_main" in " ".join(psutil.Process(int(pid)).cmdline()) for pid in pids)
