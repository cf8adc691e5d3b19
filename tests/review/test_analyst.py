"""The analyst's pages."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pyarrow.parquet as pq
import pytest

from pipeline.fitting_night import CueCounts, FittingNight, Night
from pipeline.records.words import Role


@pytest.fixture
def nina(page):
    """An analyst, after a moderator held one listing and let one go."""
    ann = page.as_somebody("ann")
    ann.post("/take/L/1")
    ann.post("/correct/L/1", {"cue": "style_agrees"})
    ann.post("/decide/L/1", {"choice": "hold_back", "cues": "tab_word", "words": "=HYPERLINK(1) looks off"})
    ann.post("/take/L2")
    ann.post("/decide/L2", {"choice": "let_go"})
    return page.as_somebody("nina", Role.ANALYST)


def test_the_figures_count_what_was_decided(nina):
    shown = nina.get("/figures").text
    assert "1 held back" in shown
    assert "word on the tab" in shown
    assert "21% to 100%" in shown  # Wilson's interval of 1 of 1, as scipy gives it
    assert "Half are caught after 1 of 2 looks" in shown


def test_no_decision_leaves_as_a_formula(nina):
    rows = list(csv.DictReader(io.StringIO(nina.get("/export/decisions.csv").text)))
    assert [(row["listing_id"], row["choice"], row["words"]) for row in rows] == [
        ("L/1", "hold_back", "'=HYPERLINK(1) looks off"),
        ("L2", "let_go", ""),
    ]
    assert rows[0]["model"] == "m1"


def test_corrections_leave_as_labels(nina):
    table = pq.read_table(io.BytesIO(nina.get("/export/corrections.parquet").content)).to_pylist()
    assert [(row["listing_id"], row["cue"], row["read_as"], row["truly"]) for row in table] == [
        ("L/1", "style_agrees", "no", "yes")
    ]


def test_messages_to_sellers_leave_for_the_marketplace_to_send_and_stand_in_the_history(page):
    bea, nina = page.as_somebody("bea"), page.as_somebody("nina", Role.ANALYST)
    bea.post("/take/L3")
    bea.post("/decide/L3", {"choice": "ask", "views": "label", "message": "=May we see the label, please?"})
    (row,) = csv.DictReader(io.StringIO(nina.get("/export/messages.csv").text))
    assert (row["listing_id"], row["seller_id"], row["views"]) == ("L3", "s2", "label")
    assert row["message"] == "'=May we see the label, please?"
    assert "<q>=May we see the label, please?</q>" in nina.get("/look/L3").text
    bea.post("/undo")
    assert list(csv.DictReader(io.StringIO(nina.get("/export/messages.csv").text))) == []


@pytest.mark.parametrize("path", ["/export/people.csv", "/export/decisions.xlsx", "/export/..%2Fx.csv"])
def test_nothing_else_can_be_taken_away(nina, path):
    assert nina.get(path).status_code == 404


def test_without_fitting_listings_the_page_says_how_to_get_them(nina):
    assert "fit_evidence night FOLDER" in nina.get("/figures").text


def test_tonight_stands_beside_the_fitting_listings(page, nina):
    seen = {"tab_word": CueCounts(seen=900, departing=9), "zip_mark": CueCounts(seen=1000, departing=0)}
    night = Night(log10_lrs=(-1.0,) * 1000, cues=seen)
    fitted = FittingNight(command="fit", model="other", rules="r1", prior_counterfeit=0.2, night=night)
    page.app.state.room = replace(page.app.state.room, fitting=fitted)
    shown = nina.get("/figures").text
    assert "3 listings against 1,000" in shown
    assert "other networks than the fitting listings" in shown
    assert "1 of 1, 100%" in shown  # the tab's word spoke against the one pair that showed it
    assert "1.0%" in shown
