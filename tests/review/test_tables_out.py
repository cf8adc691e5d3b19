"""Tables to take away."""

from __future__ import annotations

import csv
import io

import pyarrow.parquet as pq
import pytest

from pipeline.review.tables_out import as_csv, as_parquet


def read_back(data):
    return list(csv.reader(io.StringIO(data.decode(), newline="")))


# The characters are OWASP's list for CSV injection (owasp.org, "CSV Injection").
@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n"])
def test_no_cell_begins_as_a_formula(start):
    cell = read_back(as_csv([{"words": f"{start}HYPERLINK(1)"}], ["words"]))[1][0]
    assert cell == f"'{start}HYPERLINK(1)"


@pytest.mark.parametrize("text", ["plain", "a=b", 'says "so", twice', "line\nbreak", "  spaced"])
def test_harmless_text_comes_out_as_it_went_in(text):
    assert read_back(as_csv([{"words": text}], ["words"]))[1] == [text]


@pytest.mark.parametrize("before", ["\t", "\r", "\n", " \t", "\u00a0", "\u2003", "\ufeff", "\u200b", "\x0b", "\r\n "])
@pytest.mark.parametrize("start", ["=", "+", "-", "@"])
def test_no_blank_hides_the_start_of_a_formula(before, start):
    cell = read_back(as_csv([{"words": f"{before}{start}1+1"}], ["words"]))[1][0]
    assert cell.startswith("'")


@pytest.mark.parametrize("apart", [";", "\t"])
@pytest.mark.parametrize("text", ["a;=1+1;", "a; @SUM(1)", "a\t=1+1\t", 'a;"=1+1";', "a\n=1+1", "a;\u200b=1+1"])
def test_no_formula_appears_where_a_spreadsheet_parts_cells_otherwise(apart, text):
    data = as_csv([{"id": "x", "words": text}], ["id", "words"]).decode()
    rows = csv.reader(io.StringIO(data, newline=""), delimiter=apart)
    assert not [cell for row in rows for cell in row if cell.strip().lstrip("\u200b").startswith(("=", "+", "-", "@"))]


def test_a_formula_behind_spaces_or_quotes_does_not_slip_through():
    rows = read_back(as_csv([{"words": "  =1+1"}, {"words": '",=1+1'}], ["words"]))
    assert [row[0] for row in rows[1:]] == ["'  =1+1", '",=1+1']
    assert all(len(row) == 1 for row in rows)


def test_numbers_stay_numbers_and_nothing_is_an_empty_cell():
    assert read_back(as_csv([{"a": -1.5, "b": None}], ["a", "b"]))[1] == ["-1.5", ""]


def test_parquet_keeps_text_and_numbers_as_they_are():
    data = as_parquet([{"a": "=1", "b": 2}, {"a": None, "b": 3}], ["a", "b"])
    assert pq.read_table(io.BytesIO(data)).to_pylist() == [{"a": "=1", "b": 2}, {"a": None, "b": 3}]
