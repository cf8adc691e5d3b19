"""The real thing, slow: invent a night, spoil some of it, scan it with the shipped networks, look at what came out."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from pipeline import cli
from pipeline.cues import CUES
from pipeline.domain import PartName

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight invented listings as they were drawn."""
    folder = tmp_path_factory.mktemp("night")
    assert cli.main(["synth", str(folder), "--listings", "8", "--seed", "31"]) == 0
    return folder


def rows_of(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").split("\n") if line]


def spoil(night: Path, folder: Path) -> tuple[Path, int]:
    """A copy with one of every kind of bad input; the file and how many rows it has."""
    shutil.copytree(night, folder)
    rows = rows_of(folder / "listings.jsonl")
    photos = [folder / row["photos"][0] for row in rows]
    photos[0].write_bytes(photos[0].read_bytes()[:20_000])
    photos[1].write_bytes(b"")
    photos[2].write_bytes(b"not a picture")
    photos[3].unlink()
    rows[4]["photos"].append("../outside.jpg")
    rows[5]["photos"] = []
    rows[6]["style_number"] = "NO-99"
    lines = [json.dumps(row) for row in rows]
    lines += ['{"listing_id": "broken', json.dumps(rows[7] | {"title": "again"})]
    lines += [json.dumps(rows[7] | {"listing_id": "elsewhere", "maker": "nobody"})]
    (folder / "listings.jsonl").write_text("\n".join(lines), encoding="utf-8")
    return folder / "listings.jsonl", len(lines)


def test_every_row_is_ranked_or_refused_by_name_and_every_bad_photo_is_named(night, tmp_path):
    listings, n_rows = spoil(night, tmp_path / "spoilt")
    assert cli.main(["scan", str(listings), "--out", str(tmp_path / "out")]) == 1
    queue, problems = rows_of(tmp_path / "out" / "queue.jsonl"), rows_of(tmp_path / "out" / "problems.jsonl")
    refused = [row for row in problems if row["refused"]]
    assert (len(queue), len(refused)) == (8, 3)
    assert len(queue) + len(refused) == n_rows
    ids = [row["listing_id"] for row in rows_of(night / "listings.jsonl")]
    assert {row["listing_id"] for row in queue} == set(ids)
    named = {row["listing_id"] for row in problems}
    assert set(ids[:7]) | {"elsewhere"} <= named
    words = " ".join(row["reason"] for row in problems)
    for word in ("cut off", "empty", "not a JPEG", "no such photo", "leads out of", "no photos", "no style", "JSON"):
        assert word in words, word


def test_a_clean_night_ends_with_0_and_keeps_the_promised_layout(night, tmp_path):
    assert cli.main(["scan", str(night / "listings.jsonl"), "--out", str(tmp_path)]) == 0
    queue, parts = rows_of(tmp_path / "queue.jsonl"), rows_of(tmp_path / "parts.jsonl")
    assert [row["rank"] for row in queue] == list(range(1, 9))
    probabilities = [row["probability"] for row in queue]
    assert probabilities == sorted(probabilities, reverse=True)
    assert any(row["reasons"] for row in queue)
    assert len(parts) > 8
    for row in queue:
        assert {reason["cue"] for reason in row["reasons"]}.isdisjoint(row["not_seen"])
        assert all(reason["state"] in CUES[reason["cue"]].states for reason in row["reasons"])
        assert all(reason["photo"] for reason in row["reasons"] if reason["box"])
    for part in parts:
        assert part["part"] in set(PartName)
        assert min(part["box"][2:]) > 0
        assert 0 <= part["score"] <= 1
        for cue, shares in part["cues"].items():
            assert set(shares) <= set(CUES[cue].states)
            assert sum(shares.values()) == pytest.approx(1, abs=0.01)


def test_the_number_of_workers_changes_nothing(night, tmp_path):
    for workers in ("1", "2"):
        words = ["scan", str(night / "listings.jsonl"), "--out", str(tmp_path / workers), "--workers", workers]
        assert cli.main(words) == 0
    for name in ("queue.jsonl", "parts.jsonl"):
        assert rows_of(tmp_path / "1" / name) == rows_of(tmp_path / "2" / name)


def test_the_demo_shows_the_top_of_the_queue_and_where_the_sheet_lies(tmp_path, capsys):
    assert cli.main(["demo", "--out", str(tmp_path), "--listings", "4", "--seed", "8"]) == 0
    out = capsys.readouterr().out
    assert "The top of the queue" in out
    assert (tmp_path / "contact_sheet.jpg").stat().st_size > 20_000
    assert len(rows_of(tmp_path / "queue.jsonl")) == 4
