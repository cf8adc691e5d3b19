"""The command line around a stand-in for the scan; the real scan is run in `test_whole_job.py`."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from pipeline import cli, running, scan, store
from pipeline.domain import CAUTION, Assessment, Listing, Problem
from pipeline.intake import check_against_sheets, read_listings

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def seen(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Puts in place of the scan one that gives every listing the same score and notes what it was given."""
    given: dict[str, Any] = {}
    home = tmp_path_factory.mktemp("home")  # the shipped settings, without networks
    (home / "configs").symlink_to(ROOT / "configs")
    (home / "models").mkdir()
    monkeypatch.setattr(cli, "_HOME", home)

    def scored(listings: Sequence[Listing]) -> dict[str, Any]:
        return {
            "assessments": tuple(Assessment(one.listing_id, 0.0, 0.2) for one in listings),
            "parts": (),
            "problems": tuple(
                Problem("the file is empty", one.listing_id, one.photos[0]) for one in listings if one.photos
            ),
            "notices": ("no memory of genuine parts: none was compared",),
        }

    def scan_listings(
        listings: Sequence[Listing],
        root: Path,
        sheets: Any,
        evidence: Any,
        models: Path,
        workers: int,
        on_progress: Callable[[int, int], None],
    ) -> scan.ScanResult:
        on_progress(len(listings), len(listings))
        return scan.ScanResult(**scored(listings))

    def run_night(
        order: running.NightOrder, pool: scan.Pool, evidence: Any, on_progress: Any, say: Any
    ) -> running.NightOutcome:
        given.update(evidence=evidence, pool=pool, order=order)
        listings, problems = read_listings(order.night.listings)
        listings, odd = check_against_sheets(listings, pool.sheets)
        on_progress(len(listings), len(listings))
        made = scored(listings)
        told = [*problems, *odd, *(() if given.get("no problems") else made["problems"])]
        store.write_run(order.night.out, made["assessments"], [], told, order.night.about)
        counts = scan.Counts(
            listings=len(listings), problems=len(told), refused=sum(problem.refused for problem in told)
        )
        return running.NightOutcome(scan.NightDone(counts, tuple(told), made["notices"]), None)

    monkeypatch.setattr(scan, "scan_listings", scan_listings)
    monkeypatch.setattr(running, "run_night", run_night)
    return given


def a_night(folder: Path, *rows: dict[str, Any] | str) -> Path:
    path = folder / "listings.jsonl"
    path.write_text("\n".join(row if isinstance(row, str) else json.dumps(row) for row in rows), encoding="utf-8")
    return path


def a_row(listing_id: str = "L1", **changes: Any) -> dict[str, Any]:
    row = {"listing_id": listing_id, "seller_id": "S", "listed_at": "2026-01-01", "maker": "quillmere", "photos": ["a"]}
    return row | changes


def run(*words: object) -> int:
    return cli.main([str(word) for word in words])


def test_a_scan_ends_with_1_and_names_the_first_problems(tmp_path, seen, capsys):
    assert run("scan", a_night(tmp_path, a_row()), "--out", tmp_path / "out") == 1
    out, err = capsys.readouterr()
    assert "1 listings ranked" in out
    assert CAUTION in " ".join(out.split())
    assert "L1 a: the file is empty" in err


def test_what_a_scan_could_not_compare_is_said(tmp_path, seen, capsys):
    run("scan", a_night(tmp_path, a_row()), "--out", tmp_path / "out")
    assert "No memory of genuine parts: none was compared" in capsys.readouterr().err


def test_a_scan_without_problems_ends_with_0(tmp_path, seen):
    seen["no problems"] = True
    assert run("scan", a_night(tmp_path, a_row()), "--out", tmp_path / "out") == 0


def test_rows_in_equal_rows_in_the_queue_plus_rows_refused_by_name(tmp_path, seen):
    rows = [
        a_row(),
        a_row(),
        a_row("L2", maker="nobody"),
        '{"broken',
        a_row("L3", photos=[]),
        a_row("L4", style_number="?"),
    ]
    assert run("scan", a_night(tmp_path, *rows), "--out", tmp_path / "out") == 1
    queue = store.read_queue(tmp_path / "out")
    refused = [problem for problem in store.read_problems(tmp_path / "out") if problem.refused]
    assert [one.listing_id for one in queue] == ["L1", "L3", "L4"]
    assert [(problem.listing_id, problem.row) for problem in refused] == [("L1", 2), (None, 4), ("L2", None)]


def test_options_reach_the_scan(tmp_path, seen):
    night = a_night(tmp_path, a_row())
    run("scan", night, "--out", tmp_path / "out", "--prior", "0.03", "--workers", "5", "--models", tmp_path)
    assert seen["evidence"].prior_counterfeit == 0.03
    pool = seen["pool"]
    assert (pool.photos_root, pool.models_dir, pool.workers) == (tmp_path, tmp_path, 5)
    words = ("--since", "2026-01-02", "--limit", "7", "--store", "sqlite:///x", "--try-again", "--patience", "2")
    run("scan", night, "--out", tmp_path / "out", *words)
    order = seen["order"]
    assert (order.store_url, order.patience_s, order.night.tries_again) == ("sqlite:///x", 120, True)
    assert order.night.wanted == scan.Wanted(datetime(2026, 1, 2, tzinfo=UTC), 7)


def test_a_cluster_may_look_and_photos_may_lie_elsewhere(tmp_path, seen, monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: name)  # as if Ray were installed
    night, out = a_night(tmp_path, a_row()), tmp_path / "out"
    run("scan", night, "--out", out, "--engine", "ray", "--ray-address", "host:6379", "--photos-from", tmp_path)
    engine = seen["pool"]
    assert isinstance(engine, scan.OnRay)
    assert (engine.address, engine.workers) == ("host:6379", None)
    assert str(engine.photos_root) == store.read_about(out).photos == f"file://{tmp_path}/"
    run("scan", night, "--out", out, "--engine", "ray", "--workers", "40")
    assert (seen["pool"].workers, seen["pool"].photos_root, store.read_about(out).photos) == (40, tmp_path, "")


def test_a_contact_sheet_is_drawn_when_asked_for(tmp_path, seen):
    run("scan", a_night(tmp_path, a_row()), "--out", tmp_path / "out", "--contact-sheet", "3")
    assert {"contact_sheet.jpg", "contact_sheet.html"} <= {path.name for path in (tmp_path / "out").iterdir()}


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("scan", "gone.jsonl", "--out", "out"), "there is no such file"),
        (("scan", "night.xlsx", "--out", "out"), "expected a file ending in"),
        (("scan", "listings.jsonl", "--out", "listings.jsonl"), "a file is in the way"),
        (("scan", "listings.jsonl", "--out", "out", "--models", "gone"), "no folder of networks"),
        (("scan", "listings.jsonl", "--out", "out", "--configs", "gone"), "cannot be read"),
        (("evaluate", "gone", "--out", "out"), "there is no such file"),
        (
            ("scan", "listings.jsonl", "--out", "out", "--photos-from", "ftp://host/p"),
            "https, http, s3, gs and folders",
        ),
        (("scan", "listings.jsonl", "--out", "out", "--engine", "ray", "--ray-address", "ray://h:1"), "name HOST:PORT"),
    ],
)
def test_where_nothing_can_be_done_one_line_says_why_and_the_status_is_2(
    tmp_path, monkeypatch, seen, capsys, words, why
):
    monkeypatch.chdir(tmp_path)
    a_night(tmp_path, a_row())
    assert run(*words) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert why in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("scan",),
        ("improve",),
        ("scan", "x.jsonl", "--out", "out", "--prior", "1.5"),
        ("scan", "x.jsonl", "--out", "out", "--prior", "nan"),
        ("synth", "out", "--listings", "0", "--seed", "1"),
        ("synth", "out", "--listings", "\N{ARABIC-INDIC DIGIT FOUR}", "--seed", "1"),
    ],
    ids=["no command", "no listings", "not in this version", "prior over 1", "prior no number", "none", "odd digits"],
)
def test_a_wrong_command_line_is_one_line_and_status_2(capsys, words):
    with pytest.raises(SystemExit) as stop:
        run(*words)
    assert stop.value.code == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_a_hostile_name_can_not_steer_the_terminal(tmp_path, seen, capsys):
    run("scan", a_night(tmp_path, a_row("\x1b[31mred[/bold]\n")), "--out", tmp_path / "out")
    err = capsys.readouterr().err
    assert "\x1b" not in err
    assert "[31mred[/bold]" in err


def test_progress_is_plain_lines_where_there_is_no_terminal(tmp_path, seen, capsys):
    run("scan", a_night(tmp_path, a_row()), "--out", tmp_path / "out")
    assert "looking at photos: 1 of 1\n" in capsys.readouterr().err


def test_a_package_that_is_not_installed_is_named_with_what_to_do(tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "pipeline.running", None)
    night = a_night(tmp_path, a_row())
    with pytest.raises(ModuleNotFoundError):
        run("scan", night, "--out", tmp_path / "out", "--models", tmp_path)

    def lacking(*_: object) -> None:
        raise ModuleNotFoundError("No module named 'torch'", name="torch")

    monkeypatch.setitem(sys.modules, "pipeline.running", running)
    monkeypatch.setattr(running, "run_night", lacking)
    assert run("scan", night, "--out", tmp_path / "out", "--models", tmp_path) == 2
    assert "No module named 'torch'; this needs the training extra" in capsys.readouterr().err


@pytest.mark.parametrize("store_words", [(), ("--store", "sqlite:///{}/none.db")])
def test_a_dry_run_says_what_would_be_done_and_writes_nothing(tmp_path, seen, capsys, store_words):
    night, before = a_night(tmp_path, a_row(), a_row("L2")), set(tmp_path.iterdir())
    words = [word.format(tmp_path) for word in store_words]
    assert run("scan", night, "--out", tmp_path / "out", "--dry-run", *words) == 0
    assert "2 listings with 2 photos; 0 of these would be looked at" in capsys.readouterr().out
    assert set(tmp_path.iterdir()) == before
    assert "order" not in seen


def test_a_purge_of_a_store_that_is_not_there_says_so_and_makes_none(tmp_path, capsys):
    assert run("purge", "--store", f"sqlite:///{tmp_path}/stroe.db", "--older-than", "90") == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "there is no such store" in err
    assert list(tmp_path.iterdir()) == []


def test_a_log_of_json_is_all_that_is_said(tmp_path, seen, capfd):
    assert run("scan", a_night(tmp_path, a_row()), "--out", tmp_path / "out", "--log", "json") == 1
    out, err = capfd.readouterr()
    lines = [json.loads(line) for line in err.splitlines()]
    assert (out, [line["event"] for line in lines]) == ("", ["progress", "notice", "done"])
    assert lines[-1]["status"] == 1
    assert json.loads((tmp_path / "out/report.json").read_text())["listings"] == 1


def test_a_log_of_json_says_why_nothing_could_be_done(tmp_path, seen, capfd):
    assert run("scan", tmp_path / "gone.jsonl", "--out", tmp_path / "out", "--log", "json") == 2
    out, err = capfd.readouterr()
    (line,) = map(json.loads, err.splitlines())
    assert (out, line["event"], line["status"]) == ("", "failed", 2)
    assert "gone.jsonl" in line["why"]


@pytest.mark.parametrize("stranger", ["my_thesis.txt", "photos.zip"])
def test_the_demo_never_removes_files_that_are_not_its_own(tmp_path, seen, capsys, stranger):
    night = tmp_path / "night"
    night.mkdir()
    (night / stranger).write_text("mine")
    assert run("demo", "--out", tmp_path, "--models", tmp_path) == 2
    assert "did not write" in capsys.readouterr().err
    assert (night / stranger).read_text() == "mine"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--looks", "flat", "sepia"), "no such look: sepia; there are: window,"),
        (("--maker", "Nobody"), "no sheet of the maker 'Nobody'; there are: quillmere"),
    ],
    ids=["look", "maker"],
)
def test_what_synth_does_not_know_is_named_with_what_there_is(tmp_path, capsys, words, told):
    assert run("synth", tmp_path / "out", "--listings", "1", "--seed", "1", *words) == 2
    assert told in " ".join(capsys.readouterr().err.split())
    assert not list((tmp_path / "out").iterdir())


@pytest.mark.slow
def test_a_demo_leaves_a_night_a_queue_and_a_contact_sheet_and_can_be_run_again(tmp_path, seen, capsys):
    for _ in range(2):
        words = ("demo", "--out", tmp_path, "--models", tmp_path, "--listings", "2", "--seed", "5", "--workers", "1")
        assert run(*words) == 1  # the stand-in finds every photo empty
    out = capsys.readouterr().out
    assert "The top of the queue" in out
    assert CAUTION in " ".join(out.split())
    assert str(tmp_path / "contact_sheet.jpg") in "".join(out.split("\n"))
    assert len(store.read_queue(tmp_path)) == 2
    assert (tmp_path / "contact_sheet.html").is_file()


@pytest.mark.slow
def test_evaluate_writes_figures_and_how_fast_the_scan_went(tmp_path, seen, capsys):
    folder, out = tmp_path / "labelled", tmp_path / "out"
    assert run("synth", folder, "--listings", "3", "--seed", "7", "--workers", "1") == 0
    assert run("evaluate", folder, "--out", out) == 1  # the stand-in finds every photo empty
    metrics = json.loads((out / "metrics.json").read_text(encoding="utf-8"))
    photos = sum(len(json.loads(line)["photos"]) for line in (folder / "listings.jsonl").read_text().splitlines())
    assert metrics["speed"]["photos"] == photos
    assert metrics["speed"]["photos_per_second"] > 0
    assert (out / "queue.jsonl").is_file()


def test_a_folder_without_labels_can_not_be_evaluated(tmp_path, seen, capsys):
    a_night(tmp_path, a_row())
    assert run("evaluate", tmp_path, "--out", tmp_path / "out") == 2


def test_python_dash_m_pipeline_is_the_same_command():
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "--help"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith("usage: denim-triage")
    assert CAUTION in " ".join(done.stdout.split())
