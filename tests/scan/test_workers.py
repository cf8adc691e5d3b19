"""Photos that kill, stall or fail a worker."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.domain import Problem
from pipeline.scan.looking import PhotoJob, Seen
from pipeline.scan.workers import Crew, Pool
from tests.scan.stand_ins import ByName

LIMIT_S = 1.0


def outcomes(*names: str, workers: int = 2, models: str = "models") -> dict[str, Seen | Problem]:
    pool = Pool(Path(models), Path(), {}, workers, photo_limit_s=LIMIT_S, make_looker=ByName)
    jobs = [PhotoJob(name, "quillmere") for name in names]
    found = list(pool.look_at_all(jobs))
    assert sorted(place for place, _ in found) == list(range(len(jobs)))  # each once
    return {jobs[place].path: outcome for place, outcome in found}


def test_every_photo_is_looked_at_once_whatever_the_others_do():
    names = ["a", "crash", "b", "fail", "c", "stall", "d", "bad", "e", "crash2", "f"]
    found = outcomes(*names)
    assert {name for name, outcome in found.items() if isinstance(outcome, Seen)} == set("abcdef")
    reasons = {name: outcome.reason for name, outcome in found.items() if isinstance(outcome, Problem)}
    assert "made the program that reads it stop" in reasons["crash"]
    assert "longer than 1 s" in reasons["stall"]
    assert "ValueError: odd photo" in reasons["fail"]
    assert reasons["bad"] == "not a picture"


def test_workers_stay_from_one_lot_of_photos_to_the_next_and_a_crash_costs_one_of_them():
    pool = Pool(Path("models"), Path(), {}, 1, photo_limit_s=LIMIT_S, make_looker=ByName)
    processes = []
    with Crew(pool) as crew:
        for names in (["a", "b"], ["c"], ["crash"], ["d"]):
            found = list(crew.look_at_all(PhotoJob(name, "quillmere") for name in names))
            assert [place for place, _ in found] == list(range(len(names)))
            processes += [member.process for member in crew._members]
    first, second, *_, last = (process.pid for process in processes)
    assert first == second != last
    assert not any(process.is_alive() for process in processes)


def test_no_photos_need_no_workers():
    assert outcomes() == {}


def test_workers_that_cannot_start_blame_no_photo(capfd):
    with pytest.raises(RuntimeError, match="could not start"):
        outcomes("a", models="broken")
    assert "no networks here" in capfd.readouterr().err
