from __future__ import annotations

import csv
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.domain import Listing
from pipeline.intake import NothingToDo, check_against_sheets, read_listings
from pipeline.intake.listings import MAX_TEXT_CHARS

SHEETS = {"quillmere": SimpleNamespace(styles={"QM-21": object()})}


def a_row(**changes: Any) -> dict[str, Any]:
    row: dict[str, Any] = {
        "listing_id": "L1",
        "seller_id": "S1",
        "listed_at": "2026-03-01T18:30:00",
        "maker": "quillmere",
        "title": "Jeans",
        "description": "Worn twice",
        "style_number": "QM-21",
        "waist_in": 32,
        "leg_in": 34,
        "hardware_metal": "copper",
        "price_eur": 45.5,
        "photos": ["photos/a.jpg", "photos/b.jpg"],
    }
    return row | changes


def write_jsonl(folder: Path, *rows: Any) -> Path:
    path = folder / "listings.jsonl"
    lines = [row if isinstance(row, str) else json.dumps(row) for row in rows]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_good_row_becomes_a_listing_without_problems(tmp_path):
    listings, problems = read_listings(write_jsonl(tmp_path, a_row()))
    assert problems == []
    assert listings == [
        Listing(
            listing_id="L1",
            seller_id="S1",
            listed_at="2026-03-01T18:30:00",
            maker="quillmere",
            title="Jeans",
            description="Worn twice",
            style_number="QM-21",
            waist_in=32,
            leg_in=34,
            hardware_metal="copper",
            price_eur=45.5,
            photos=("photos/a.jpg", "photos/b.jpg"),
        )
    ]


def test_csv_and_parquet_give_the_same_listings_as_jsonl(tmp_path):
    rows = [a_row(), a_row(listing_id="L2", waist_in=None, style_number=None, price_eur=None)]
    expected, _ = read_listings(write_jsonl(tmp_path, *rows))
    joined = [row | {"photos": "|".join(row["photos"])} for row in rows]
    with (tmp_path / "l.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(joined)
    pq.write_table(pa.Table.from_pylist(rows), tmp_path / "l.parquet")
    pq.write_table(pa.Table.from_pylist(joined), tmp_path / "joined.parquet")
    for name in ("l.csv", "l.parquet", "joined.parquet"):
        assert read_listings(tmp_path / name) == (expected, []), name


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"listing_id": None}, "listing_id is missing"),
        ({"listing_id": ""}, "listing_id is missing"),
        ({"listing_id": 7}, "listing_id should be a text"),
        ({"listing_id": "x" * 201}, "listing_id is longer"),
        ({"maker": None}, "maker is missing"),
        ({"maker": ["quillmere"]}, "maker should be a text"),
    ],
    ids=["no id", "empty id", "id is a number", "id too long", "no maker", "maker is a list"],
)
def test_a_row_that_cannot_be_scored_is_refused_by_name(tmp_path, changes, word):
    listings, problems = read_listings(write_jsonl(tmp_path, a_row(**changes), a_row(listing_id="good")))
    assert [one.listing_id for one in listings] == ["good"]
    (problem,) = problems
    assert problem.refused
    assert problem.row == 1
    assert word in problem.reason
    if changes.get("listing_id"):
        assert str(changes["listing_id"])[:200] == problem.listing_id


@pytest.mark.parametrize(
    ("field", "value", "kept"),
    [
        ("price_eur", float("nan"), None),
        ("price_eur", float("inf"), None),
        ("price_eur", -1, None),
        ("price_eur", "cheap", None),
        ("price_eur", True, None),
        ("waist_in", "thirty", None),
        ("waist_in", 31.5, None),
        ("waist_in", 10**400, None),
        ("leg_in", {"a": 1}, None),
        ("hardware_metal", "gold", None),
        ("title", 5, ""),
        ("listed_at", "yesterday", "yesterday"),
        ("seller_id", None, ""),
        ("photos", 3, ()),
        ("photos", ["a.jpg", 5], ("a.jpg",)),
        ("photos", [], ()),
        ("photos", None, ()),
    ],
)
def test_a_wrong_field_is_noted_and_the_listing_still_scored(tmp_path, field, value, kept):
    listings, problems = read_listings(write_jsonl(tmp_path, a_row(**{field: value})))
    assert getattr(listings[0], field) == kept
    assert problems
    assert not any(problem.refused for problem in problems)
    assert all((problem.listing_id, problem.row) == ("L1", 1) for problem in problems)


def test_a_listing_without_photos_is_kept_and_says_so(tmp_path):
    listings, problems = read_listings(write_jsonl(tmp_path, a_row(photos=[])))
    assert len(listings) == 1
    assert problems[0].reason == "the listing has no photos; it was scored on its text alone"


def test_a_deeply_nested_value_does_not_break_the_reader(tmp_path):
    for depth in range(850, 1000):  # up to where the parser itself refuses
        line = json.dumps(a_row()).replace('"Jeans"', "[" * depth + "]" * depth)
        listings, problems = read_listings(write_jsonl(tmp_path, line))
        assert len(listings) + sum(problem.refused for problem in problems) == 1
    assert read_listings(write_jsonl(tmp_path, "[" * 100_000, a_row()))[1][0].refused


def test_huge_text_is_cut_and_noted(tmp_path):
    listings, problems = read_listings(write_jsonl(tmp_path, a_row(description="x" * 1_000_000)))
    assert len(listings[0].description) == MAX_TEXT_CHARS
    assert "1000000 characters" in problems[0].reason


def test_broken_json_on_a_line_is_refused_with_its_row(tmp_path):
    path = write_jsonl(tmp_path, a_row(), '{"listing_id": "L2", "mak', "[1, 2]", "", a_row(listing_id="L3"))
    listings, problems = read_listings(path)
    assert [one.listing_id for one in listings] == ["L1", "L3"]
    assert [(problem.row, problem.refused) for problem in problems] == [(2, True), (3, True)]
    assert "not valid JSON" in problems[0].reason
    assert "L2" in problems[0].reason


def test_bytes_that_are_not_utf8_lose_one_row_only(tmp_path):
    path = write_jsonl(tmp_path, a_row())
    path.write_bytes(path.read_bytes() + b'{"listing_id": "\xff\xfe"}\n' + json.dumps(a_row(listing_id="L3")).encode())
    listings, problems = read_listings(path)
    assert [one.listing_id for one in listings] == ["L1", "L3"]
    assert problems[0].reason == "the row is not UTF-8 text"


def test_of_a_duplicate_id_the_first_is_kept_and_the_second_refused_by_name(tmp_path):
    listings, problems = read_listings(write_jsonl(tmp_path, a_row(title="first"), a_row(title="second", photos=[])))
    assert [one.title for one in listings] == ["first"]
    (problem,) = problems
    assert (problem.listing_id, problem.row, problem.refused) == ("L1", 2, True)
    assert "row 1" in problem.reason


def test_half_a_surrogate_pair_does_not_reach_the_output(tmp_path):
    listings, _ = read_listings(write_jsonl(tmp_path, json.dumps(a_row()).replace("Jeans", "Je\\ud800ans")))
    assert listings[0].title == "Je?ans"


def test_a_csv_row_with_too_many_cells_or_an_open_quote_is_refused_and_the_rest_kept(tmp_path):
    path = tmp_path / "l.csv"
    path.write_text(
        "listing_id,seller_id,listed_at,maker,photos\n"
        "A,S,2026-01-01,quillmere,a.jpg\n"
        "B,S,2026-01-01,quillmere,b.jpg,extra\n"
        "C,S,2026-01-01,quillmere\n"
        'D,S,2026-01-01,"quill"mere,d.jpg\n'
        'E,S,2026-01-01,"quillmere,e.jpg\n',
        encoding="utf-8-sig",
    )
    listings, problems = read_listings(path)
    assert [one.listing_id for one in listings] == ["A", "C"]
    refused = [(problem.row, problem.listing_id) for problem in problems if problem.refused]
    assert refused == [(3, "B"), (5, None), (6, None)]


def test_csv_numbers_as_a_spreadsheet_writes_them(tmp_path):
    path = tmp_path / "l.csv"
    path.write_text("listing_id,maker,seller_id,listed_at,waist_in,price_eur,photos\nA,q,S,2026-01-01,32.0,,a|b\n")
    listings, problems = read_listings(path)
    assert problems == []
    assert (listings[0].waist_in, listings[0].price_eur, listings[0].photos) == (32, None, ("a", "b"))


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("gone.jsonl", None, "no such file"),
        ("l.txt", b"x", "expected a file ending in"),
        ("empty.jsonl", b"\n \n", "holds no listings"),
        ("empty.csv", b"", "holds no listings"),
        ("header.csv", b"listing_id,maker\n", "holds no listings"),
        ("other.csv", b"id,brand\n1,2\n", "no column named listing_id or maker"),
        ("bad.parquet", b"not parquet", "can't be read"),
    ],
)
def test_a_file_with_nothing_to_score_says_why_in_one_line(tmp_path, name, content, word):
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(NothingToDo, match=word) as info:
        read_listings(tmp_path / name)
    assert "\n" not in str(info.value)


def test_an_unknown_maker_is_refused_and_an_unknown_style_only_noted(tmp_path):
    rows = [a_row(), a_row(listing_id="L2", maker="nobody"), a_row(listing_id="L3", style_number="QM-99")]
    listings, _ = read_listings(write_jsonl(tmp_path, *rows))
    kept, problems = check_against_sheets(listings, SHEETS)
    assert [one.listing_id for one in kept] == ["L1", "L3"]
    assert [(problem.listing_id, problem.refused) for problem in problems] == [("L2", True), ("L3", False)]


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)
ROWS = st.lists(
    st.dictionaries(st.sampled_from([*a_row()]), JSON_VALUES)
    | st.fixed_dictionaries(
        {"listing_id": st.sampled_from(["A", "B", "C"]), "maker": st.sampled_from(["quillmere", "x"])},
        optional={"photos": JSON_VALUES, "price_eur": JSON_VALUES},
    ),
    min_size=1,
    max_size=8,
)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(rows=ROWS)
def test_rows_in_equal_listings_kept_plus_rows_refused(tmp_path, rows):
    listings, problems = read_listings(write_jsonl(tmp_path, *rows))
    kept, more = check_against_sheets(listings, SHEETS)
    refused = [problem for problem in problems + more if problem.refused]
    assert len(kept) + len(refused) == len(rows)
    assert len({one.listing_id for one in kept}) == len(kept)
    assert all(problem.reason and (problem.row or problem.listing_id) for problem in problems + more)
