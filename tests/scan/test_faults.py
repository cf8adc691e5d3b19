"""What can go wrong in a night: afterwards the next scan ends with exactly the rows of one that nothing disturbed."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing, suppress
from itertools import islice
from pathlib import Path

import psutil
import psycopg
import pytest
from sqlalchemy import text

from pipeline import store
from pipeline.records.database import Store
from pipeline.running.nightly import LOCK
from pipeline.scan.workers import Pool
from tests.postgres_server import postgres_server
from tests.scan.nights import SHEETS, a_night, files_of, scan
from tests.scan.stand_ins import Greedy

ROOT = Path(__file__).resolve().parents[2]
KILLS = int(os.environ.get("DENIM_KILLS", "3"))  # 100 for the long run
AWAY_S = float(os.environ.get("DENIM_AWAY_S", "4"))  # 60 for the long run


def started(listings: Path, out: Path, url: str, *more: str) -> subprocess.Popen[str]:
    words = [sys.executable, "-m", "tests.scan.one_night", str(listings), str(out), url, *more]
    return subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def ended(process: subprocess.Popen[str], limit_s: float = 120) -> tuple[int, str]:
    _, err = process.communicate(timeout=limit_s)
    return process.returncode, err


def rows_of(url: str) -> dict[str, list[tuple]]:
    """What the store holds of a run, without numbers and moments, which may differ."""
    of_listing = "JOIN assessments a ON a.id = x.assessment_id JOIN listings l ON l.id = a.listing_id"
    asked = {
        "listings": "SELECT listing_id, state, probability, log10_lr FROM listings",
        "assessments": "SELECT l.listing_id, a.probability FROM assessments a JOIN listings l ON l.id = a.listing_id",
        "photos": "SELECT sha256, width, height FROM photos",
        "shown": "SELECT l.listing_id, x.position, x.path, x.sha256, x.problem"
        " FROM listing_photos x JOIN listings l ON l.id = x.listing_id",
        "reasons": "SELECT l.listing_id, x.position, x.cue, x.state, x.probability, x.log10_lr, x.sentence, x.photo"
        f" FROM reasons x {of_listing}",
        "unseen": f"SELECT l.listing_id, x.cue FROM unseen x {of_listing}",
        "parts": "SELECT photo, part, score FROM parts",
        "cues": "SELECT p.photo, p.part, x.cue, CAST(x.likelihood AS TEXT) FROM part_cues x"
        " JOIN parts p ON p.id = x.part_id",
        "looks": "SELECT sha256, judge, seen, problem, tries FROM looks",
        "showings": "SELECT sha256, listing_id, seller_id, path FROM showings",
        "fingerprints": "SELECT sha256, data FROM fingerprints",
        "runs": "SELECT fingerprint, is_whole FROM runs",
    }
    records = Store(url)
    try:
        with records.reading() as db:
            return {name: sorted(map(tuple, db.execute(text(sql)))) for name, sql in asked.items()}
    finally:
        records.close()


@pytest.fixture(scope="module")
def night(tmp_path_factory) -> Path:
    """A night of 30 listings; one photo ends every worker that looks at it."""
    return a_night(tmp_path_factory.mktemp("night"), listings=30, L7_1="crash")


@pytest.fixture(scope="module")
def undisturbed(night) -> tuple[float, dict[str, bytes], dict[str, list[tuple]]]:
    """How long it takes (s), its files, its rows."""
    url = f"sqlite:///{night.parent / 'undisturbed.db'}"
    start = time.monotonic()
    assert ended(started(night, night.parent / "undisturbed", url)) == (0, "")
    took_s, rows = time.monotonic() - start, rows_of(url)
    assert all(rows.values())  # an empty table would be compared with nothing
    return took_s, files_of(night.parent / "undisturbed"), rows


@pytest.mark.slow
def test_after_kills_at_random_moments_the_next_scan_ends_with_the_rows_of_an_undisturbed_one(
    night, undisturbed, tmp_path
):
    takes_s, files, rows = undisturbed
    rng = random.Random(6)
    left = killed = 0
    while killed < KILLS:  # a scan is killed until it is through, then the next one begins anew
        out, url = tmp_path / f"out{left}", f"sqlite:///{tmp_path / f'store{left}.db'}"
        process = started(night, out, url)
        try:
            process.wait(rng.uniform(0.5, takes_s))
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGKILL)
            killed += 1
        ended(process)
        if process.returncode == 0:
            assert (files_of(out), rows_of(url)) == (files, rows)
            left += 1
    assert ended(started(night, out, url)) == (0, "")
    assert (files_of(out), rows_of(url)) == (files, rows)
    assert {path.name for path in out.iterdir()} == {*store.FILES, LOCK}


@pytest.mark.slow
def test_on_a_full_disk_one_line_says_so_and_with_room_the_next_scan_ends_alike(night, undisturbed, tmp_path):
    _, files, rows = undisturbed
    url = f"sqlite:///{tmp_path / 'store.db'}"
    Store(url).close()
    status, err = ended(started(night, tmp_path / "out", url, "150000"))
    assert status == 2
    assert err.count("\n") == 1
    assert "OSError" in err
    assert ended(started(night, tmp_path / "out", url)) == (0, "")
    assert (files_of(tmp_path / "out"), rows_of(url)) == (files, rows)


@pytest.mark.slow
def test_a_disk_that_fills_up_on_the_way_is_told_of_in_one_line_and_with_room_the_next_scan_ends_alike(
    night, undisturbed, tmp_path
):
    _, files, rows = undisturbed
    disk, done = tmp_path / "disk", tmp_path / "done"
    disk.mkdir()
    scan_it = f"{sys.executable} -m tests.scan.one_night {night} {disk}/out sqlite:///{disk}/store.db"
    script = f"""
        mount -t tmpfs -o size=700k tmpfs {disk} || exit 77
        {scan_it}; first=$?
        mount -o remount,size=50m {disk}
        {scan_it}; second=$?
        cp -r {disk} {done}
        echo $first $second"""
    alone = ["unshare", "--user", "--map-root-user", "--mount", "sh", "-c", script]
    run = subprocess.run(alone, cwd=ROOT, capture_output=True, text=True)
    if run.returncode == 77 or "unshare" in run.stderr:
        pytest.skip("no file system can be mounted here")
    assert run.stdout.split() == ["2", "0"], run.stderr
    assert run.stderr.count("\n") == 1
    assert (files_of(done / "out"), rows_of(f"sqlite:///{done / 'store.db'}")) == (files, rows)


def test_a_worker_out_of_memory_costs_one_photo_and_no_other(tmp_path):
    listings = a_night(tmp_path, listings=3, L1_0="huge")
    pool = Pool(Path("models"), tmp_path, SHEETS, 1, memory_mb=1500, make_looker=Greedy)
    done = scan(listings, tmp_path / "out", f"sqlite:///{tmp_path / 'store.db'}", pool)
    (problem,) = store.read_problems(tmp_path / "out")
    assert problem.photo == "p/L1_0huge.png"
    assert "more memory than a worker may have (tried 2 times)" in problem.reason
    assert (done.counts.listings, len(store.read_parts(tmp_path / "out"))) == (3, 5)


@pytest.mark.slow
def test_a_worker_that_the_system_kills_costs_nothing(night, undisturbed, tmp_path):
    _, files, rows = undisturbed
    url = f"sqlite:///{tmp_path / 'store.db'}"
    process = started(night, tmp_path / "out", url)
    seen = 0
    for times in (1, 2):
        # Looks are written now and then: the first after a kill may be the killed worker's. Killed twice over the same
        # photo, a worker would have it set aside.
        for _ in range(times):
            until(lambda seen=seen: looks_in(tmp_path / "store.db") > seen)
            seen = looks_in(tmp_path / "store.db")
        until(lambda: len(workers_of(process)) == 1)
        workers_of(process)[0].kill()
    assert seen < len(rows["looks"]) - 1, "it was through before the second kill"
    assert ended(process) == (0, "")
    assert (files_of(tmp_path / "out"), rows_of(url)) == (files, rows)


def workers_of(process: subprocess.Popen) -> list[psutil.Process]:
    """The worker processes that live."""
    living = []
    for one in psutil.Process(process.pid).children():
        with suppress(psutil.Error):
            if "spawn_main" in " ".join(one.cmdline()):
                living.append(one)
    return living


def looks_in(path: Path) -> int:
    with suppress(sqlite3.Error), closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        return db.execute("SELECT count(*) FROM looks").fetchone()[0]
    return 0


@pytest.mark.slow
@pytest.mark.parametrize("shared", ["folder", "store"])
def test_of_two_scans_at_once_the_second_says_why_it_does_nothing(night, undisturbed, tmp_path, shared):
    _, files, _ = undisturbed
    url = f"sqlite:///{tmp_path / 'store.db'}"
    other = (tmp_path / "out", f"{url}2") if shared == "folder" else (tmp_path / "out2", url)
    first = started(night, tmp_path / "out", url)
    until(lambda: (tmp_path / "out/.night.photos").exists())
    status, err = ended(started(night, *other))
    assert status == 2
    assert err.startswith("NothingToDo")
    assert "another scan" in err
    assert ended(first) == (0, "")
    assert files_of(tmp_path / "out") == files


@pytest.mark.slow
def test_a_database_that_goes_away_is_waited_for_and_the_scan_ends_alike(night, undisturbed, tmp_path):
    _, files, rows = undisturbed
    with postgres_server() as server:
        with psycopg.connect(f"{server.url}/postgres", autocommit=True) as admin:
            admin.execute("CREATE DATABASE nights")
        url = f"{server.url}/nights"
        process = started(night, tmp_path / "out", url)
        until((tmp_path / "out/.night.photos").exists)
        server.stop()
        time.sleep(AWAY_S)
        server.start()
        out, err = process.communicate(timeout=120)
        assert (process.returncode, err) == (0, "")
        assert "does not answer" in out
        assert (files_of(tmp_path / "out"), rows_of(url)) == (files, rows)


@pytest.mark.slow
def test_with_the_shipped_networks_a_killed_scan_goes_on_and_ends_alike(tmp_path):
    source = ROOT / "tests/traced/natural"
    shutil.copytree(source / "photos", tmp_path / "photos")
    with (source / "listings.jsonl").open() as rows:
        (tmp_path / "listings.jsonl").write_text("".join(islice(rows, 4)))
    scan_it = [sys.executable, "-m", "pipeline", "scan", str(tmp_path / "listings.jsonl"), "--workers", "1", "--out"]
    assert subprocess.run([*scan_it, str(tmp_path / "whole")], cwd=ROOT, capture_output=True).returncode == 0
    out = tmp_path / "out"
    process = subprocess.Popen([*scan_it, str(out)], cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    until(lambda: looks_in(out / "review.db"))
    process.kill()
    process.wait()
    assert not (out / "queue.jsonl").exists()
    before = looks_in(out / "review.db")
    assert subprocess.run([*scan_it, str(out)], cwd=ROOT, capture_output=True).returncode == 0
    assert 0 < before < looks_in(out / "review.db")
    assert files_of(out) == files_of(tmp_path / "whole")


def until(happens, limit_s: float = 30) -> None:
    for _ in range(round(limit_s / 0.05)):
        if happens():
            return
        time.sleep(0.05)
    raise AssertionError("it never happened")
