"""The analyst's pages."""

from __future__ import annotations

import csv
import io

import pyarrow.parquet as pq
import pytest

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


@pytest.mark.parametrize("path", ["/export/people.csv", "/export/decisions.xlsx", "/export/..%2Fx.csv"])
def test_nothing_else_can_be_taken_away(nina, path):
    assert nina.get(path).status_code == 404
