"""The gate: what is told of two models' scans, and which listings are named."""

from __future__ import annotations

import json
from contextlib import contextmanager
from pathlib import Path

import pytest

pytest.importorskip("torch")

from pipeline.config import load_evidence, load_sheets
from pipeline.domain import Assessment, Box, CueReading, FoundPart, PartName, PartReading
from pipeline.improve import gate
from pipeline.improve.dataset import read_dataset
from pipeline.improve.relearn import House
from pipeline.improve.shelf import OnShelf
from pipeline.scan import ScanResult
from tests.improve.folders import write_folder
from tests.test_layers import ROOT


@contextmanager
def quiet(label):
    yield lambda done, total: None


@pytest.fixture
def tests_of(tmp_path):
    """Forty listings, every fourth a counterfeit whose tab is sewn with another thread."""
    rows = [
        {"listing_id": f"L{n}", "seller_id": f"s{n}", "counterfeit": n % 4 == 0,
         "cues": {"tab_thread": "other" if n % 4 == 0 else "matching"}}
        for n in range(40)
    ]  # fmt: skip
    return {"frozen autumn": read_dataset([write_folder(tmp_path / "test", rows)])}


def weighed(monkeypatch, tmp_path, tests, chance_of, out="out"):
    """Compare two bundles of which a stand-in scan says `chance_of(bundle, number)` that a tab's thread departs."""

    def scan(listings, root, sheets, evidence, models, workers, tell):
        queue, parts = [], []
        for listing in listings:
            p = chance_of(models.name, int(listing.listing_id[1:]))
            box = Box(60, 50, 120, 90)
            read = CueReading("tab_thread", {"matching": 1 - p, "other": p}, listing.photos[0], PartName.TAB, box)
            parts.append(PartReading(FoundPart(listing.photos[0], PartName.TAB, box, 0.9), (read,)))
            queue.append(Assessment(listing.listing_id, 4 * (p - 0.5), p))
        return ScanResult(tuple(sorted(queue, key=lambda one: -one.probability)), tuple(parts), ())

    monkeypatch.setattr(gate, "scan_listings", scan)
    bundles = []
    for number, name in enumerate(("old", "new"), 1):
        (tmp_path / name).mkdir(exist_ok=True)
        (tmp_path / name / "parts.yaml").write_text(name)
        bundles.append(OnShelf(number, tmp_path / name, "run"))
    evidence = load_evidence(ROOT / "configs/evidence.yaml")
    house = House(load_sheets(ROOT / "configs"), evidence, tmp_path / f"shelf-{out}", 1)
    place = tmp_path / out
    place.mkdir()
    return gate.weigh(*bundles, tests, house, place, quiet), place


def clear(number: int) -> float:
    return 0.95 - number / 1000 if number % 4 == 0 else 0.05 + number / 1000


def test_a_candidate_that_lost_a_cue_is_refused_and_says_which(monkeypatch, tmp_path, tests_of):
    def blind(bundle, number):
        return clear(number) if bundle == "old" else 0.3 + (number * 7 % 40) / 100

    told, out = weighed(monkeypatch, tmp_path, tests_of, blind)
    assert not told.passes
    assert {one.what for one in told.worse} == {"thread of the tab, frozen autumn", "the queue, frozen autumn"}
    assert json.loads((out / "compare.json").read_text())["passes"] is False
    assert "does not come into use" in (out / "compare.md").read_text()


def test_a_candidate_as_good_passes_and_the_listing_that_changed_sides_is_named_and_shown(
    monkeypatch, tmp_path, tests_of
):
    def one_moved(bundle, number):
        return 0.45 if (bundle, number) == ("new", 8) else clear(number)

    told, out = weighed(monkeypatch, tmp_path, tests_of, one_moved)
    assert told.passes
    [changed] = told.changed
    assert (changed.listing_id, changed.counterfeit, changed.is_right_now) == ("L8", True, False)
    assert "L8 (frozen autumn): 94% to 45%, truly counterfeit: NOW WRONG" in (out / "compare.md").read_text()
    for role in ("in-use", "candidate"):
        assert (out / "changed/frozen-autumn" / role / "contact_sheet.html").exists()


def test_a_part_that_one_model_no_longer_reads_counts_against_it(monkeypatch, tmp_path, tests_of):
    data = tests_of["frozen autumn"]
    queue = {one.listing.listing_id: Assessment(one.listing.listing_id, 0.0, 0.5) for one in data.listings}
    read = gate._Judged(queue, ())
    [(name, rows, _)] = gate._cue_rows(data, read, read)
    assert name == "thread of the tab"
    assert set(rows.candidate) == {0.5}


def test_the_same_bundle_is_scanned_once(monkeypatch, tmp_path, tests_of):
    seen = []

    def counting(bundle, number):
        seen.append(bundle)
        return clear(number)

    weighed(monkeypatch, tmp_path, tests_of, counting)
    first = len(seen)
    again = Path(tmp_path / "out")
    for path in again.iterdir():
        path.unlink()
    again.rmdir()
    weighed(monkeypatch, tmp_path, tests_of, counting)
    assert len(seen) == first
