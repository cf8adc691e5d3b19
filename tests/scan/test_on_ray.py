"""A night on a cluster of two machines, one of which is lost: the rows are those of one machine that nothing disturbed.

No published numbers stand behind these: the check is the local engine's own result.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import psutil
import pytest

from pipeline.intake import NothingToDo
from pipeline.scan import OnRay, Pool
from tests.ray_cluster import Cluster, two_machines
from tests.scan.nights import SHEETS, a_night, files_of
from tests.scan.test_faults import ended, looks_in, rows_of, started, until

PHOTOS, WINDOW = 120, 80


@pytest.mark.slow
def test_a_cluster_that_loses_one_of_its_two_machines_half_way_ends_with_the_rows_of_one_machine(tmp_path):
    night = a_night(tmp_path / "night", listings=PHOTOS // 4, photos=4, L7_1="crash")  # ends every worker that sees it
    here, there = f"sqlite:///{tmp_path / 'here.db'}", f"sqlite:///{tmp_path / 'there.db'}"
    undisturbed = started(night, tmp_path / "here", here)
    with two_machines() as cluster, cluster.serving(night.parent) as photos:
        words = (str(night), str(tmp_path / "there"), there, "--photos-from", photos)
        on_ray = ("--ray", cluster.address, "--window", str(WINDOW))
        process = cluster.started(cluster.head, sys.executable, "-m", "tests.scan.one_night", *words, *on_ray)
        until(lambda: looks_in(tmp_path / "there.db") > PHOTOS // 3 or process.poll() is not None, limit_s=120)
        assert is_looking(cluster)
        cluster.kill(cluster.other)
        seen = looks_in(tmp_path / "there.db")
        status, err = ended(process)
    assert (status, [line for line in err.splitlines() if "RAY_BACKEND_LOG_LEVEL" not in line]) == (0, [])
    assert PHOTOS // 3 < seen < PHOTOS - 20
    assert ended(undisturbed) == (0, "")
    assert files_of(tmp_path / "there") == files_of(tmp_path / "here")
    assert rows_of(there) == rows_of(here)


def is_looking(cluster: Cluster) -> bool:
    """Whether a worker is at work on the machine that is about to be lost."""
    pids = subprocess.run(["ip", "netns", "pids", cluster.other], capture_output=True, text=True).stdout.split()
    return any("spawn_main" in " ".join(psutil.Process(int(pid)).cmdline()) for pid in pids)


def test_without_ray_one_line_says_what_to_install(monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(NothingToDo, match=r"Ray is not installed: pip install -r requirements/ray\.txt"):
        OnRay(Pool(Path("models"), Path(), SHEETS, 1))
