"""What people said on the page leaves as a labelled folder that training reads."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest

from pipeline.evaluate.labelled import read_labelled
from pipeline.records.labels_out import gather_labels
from pipeline.records.tables import Listing, Part, RandomLook, RandomNight
from pipeline.review.seat import now


def untold(done: int, total: int) -> None:
    """No progress."""


def gathered(page, folder, since=None):
    with page.records.reading() as db:
        made = gather_labels(db, folder, untold, since)
    return made, read_labelled(folder) if made.listings else None


def test_a_correction_and_a_box_become_labels(page, ann, tmp_path):
    ann.post("/take/L/1")
    ann.post("/correct/L/1", {"cue": "tab_word", "truly": "cut_short"})
    with page.records.reading() as db:
        part = db.query(Part).order_by(Part.id).first().id
    ann.post("/correct/L/1", {"part_id": str(part), "box": "110,110,50,40"})
    ann.post("/decide/L/1", {"choice": "hold_back", "cues": "tab_word"})
    made, folder = gathered(page, tmp_path / "labels")
    assert (made.listings, made.parts, made.left_out) == (1, 1, 0)
    [tab] = folder.parts
    assert (tab.cues, tab.box.w, tab.box.x) == ({"tab_word": "cut_short"}, 50, 110)
    assert folder.truth["L/1"].counterfeit
    assert (tmp_path / "labels" / folder.listings[0].photos[0]).is_file()


def test_a_sign_that_holding_back_rests_on_is_a_label_and_others_are_not(page, ann, tmp_path):
    ann.post("/take/L/1")
    ann.post("/decide/L/1", {"choice": "hold_back", "cues": "style_agrees"})
    _, folder = gathered(page, tmp_path / "labels")
    assert folder.parts[0].cues == {}


def test_a_clear_reading_that_nobody_objected_to_is_a_label_on_what_was_let_go(page, ann, tmp_path):
    ann.post("/take/L/1")
    ann.post("/decide/L/1", {"choice": "let_go"})
    _, folder = gathered(page, tmp_path / "labels")
    assert folder.parts[0].cues == {"tab_word": "wrong"}
    assert not folder.truth["L/1"].counterfeit


def test_what_only_an_expert_may_say_is_no_label_yet(page, ann, tmp_path):
    ann.post("/take/L/1")
    ann.post("/decide/L/1", {"choice": "expert", "cues": "tab_word"})
    made, _ = gathered(page, tmp_path / "labels")
    assert made.listings == 0


def test_only_the_newest_decisions_leave_where_a_day_is_named(page, ann, tmp_path):
    ann.post("/take/L/1")
    ann.post("/decide/L/1", {"choice": "let_go"})
    assert gathered(page, tmp_path / "old", now() - timedelta(days=1))[0].listings == 1
    assert gathered(page, tmp_path / "new", now() + timedelta(days=1))[0].listings == 0


def test_a_listing_whose_photo_has_changed_is_left_out(page, ann, tmp_path):
    ann.post("/take/L/1")
    ann.post("/decide/L/1", {"choice": "let_go"})
    (tmp_path / "p/1.jpg").write_bytes(b"another file")
    made, _ = gathered(page, tmp_path / "labels")
    assert (made.listings, made.left_out) == (0, 1)


def test_a_look_drawn_by_chance_stands_for_all_it_was_drawn_from(page, ann, tmp_path):
    with page.records.writing() as db:
        night = db.query(RandomNight).one()
        night.rest = 40
        number = db.query(Listing).filter_by(listing_id="L/1").one().id
        db.add(RandomLook(listing_id=number, run_id=night.run_id))
    for name in ("L/1", "L3"):
        ann.post(f"/take/{name}")
        ann.post(f"/decide/{name}", {"choice": "let_go"})
    _, folder = gathered(page, tmp_path / "labels")
    assert {name: truth.stands_for for name, truth in folder.truth.items()} == {"L/1": 40, "L3": 1}


def test_old_labels_are_not_written_over(page, tmp_path):
    (tmp_path / "labels").mkdir()
    (tmp_path / "labels/truth.jsonl").write_text(json.dumps({}))
    with pytest.raises(FileExistsError, match="not empty"):
        gathered(page, tmp_path / "labels")
