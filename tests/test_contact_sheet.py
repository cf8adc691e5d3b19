from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline.contact_sheet import write_contact_sheet
from pipeline.contact_sheet._content import CROP_WH, Clue, crop_with_context, printable
from pipeline.contact_sheet._heat import with_heat
from pipeline.domain import CAUTION, Assessment, Box, HeatMap, Listing, Photo, PhotoRequest, Reason

HOSTILE = '<script>alert(1)</script> \u202eevil\x1b[31m "quoted" & more'


def a_listing(listing_id: str, **changes: object) -> Listing:
    return Listing(listing_id, "S", "2026-01-01", "quillmere", **({"title": HOSTILE, "photos": ("a.png",)} | changes))


def an_assessment(listing_id: str) -> Assessment:
    seen = Reason("tab_word", "cut_short", 0.99, 3.2, "a letter missing " + HOSTILE, "a.png", Box(40, 30, 20, 10))
    gone = Reason("rivet_stamp", "stamped", 0.9, -0.4, "rivet carries its stamp", "missing.png", Box(1, 1, 5, 5))
    said = Reason("price_band", "low", 0.8, 0.5, "price low")
    silent = Reason("zip_mark", "own", 0.9, 0.0, "ZIP SAYS NOTHING")
    return Assessment(
        listing_id, 3.3, 0.9951, (silent, said, gone, seen), ("code_match",), (PhotoRequest("care_tag", (), 0.2, "x"),)
    )


@pytest.fixture
def night(tmp_path: Path) -> Path:
    pixels = np.full((120, 160, 3), 60, np.uint8)
    pixels[30:40, 40:60] = (250, 10, 10)
    Image.fromarray(pixels).save(tmp_path / "a.png")
    return tmp_path


class Page(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []
        self.alts: list[str] = []
        self.words = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [value or "" for name, value in attrs if name in ("src", "href")]
        self.alts += [value or "" for name, value in attrs if name == "alt"]

    def handle_data(self, data: str) -> None:
        self.words += data


def test_the_page_escapes_the_sellers_text_and_loads_nothing(night):
    _, page = write_contact_sheet(night / "out", [an_assessment("<b>L1")], {"<b>L1": a_listing("<b>L1")}, night)
    read = Page(page.read_text(encoding="utf-8"))
    assert "script" not in read.tags
    assert "b" in read.tags
    assert "<b>L1" in read.words
    assert "<script>alert(1)</script> evil" in read.words
    assert not {"\u202e", "\x1b"} & set(read.words)
    assert read.alts == ['a letter missing <script>alert(1)</script> evil [31m "quoted" & more']
    assert read.links
    assert all(link.startswith("data:image/jpeg;base64,") for link in read.links)


def test_the_page_shows_caution_reasons_by_strength_and_the_photo_to_ask_for(night):
    _, page = write_contact_sheet(night / "out", [an_assessment("L1")], {"L1": a_listing("L1")}, night)
    words = Page(page.read_text(encoding="utf-8")).words
    assert CAUTION in words
    assert ">0.99" in words
    places = [words.index(text) for text in ("tab word: cut short", "price band: low", "rivet stamp: stamped")]
    assert places == sorted(places)
    assert "ZIP SAYS NOTHING" not in words
    assert "+3.20" in words
    assert "\N{MINUS SIGN}0.40" in words
    assert "the care tag inside, flat and sharp" in words
    assert "code against code" in words


def test_the_picture_is_1600_wide_and_holds_the_crop_of_the_part(night):
    picture, _ = write_contact_sheet(night / "out", [an_assessment("L1")], {"L1": a_listing("L1")}, night)
    with Image.open(picture) as image:
        pixels = np.asarray(image.convert("RGB")).astype(int)
    assert pixels.shape[1] == 1600
    assert ((pixels[..., 0] > 200) & (pixels[..., 1] < 60) & (pixels[..., 2] < 60)).sum() > 300


@pytest.mark.parametrize("count", [0, 1, 7])
def test_any_number_of_listings_can_be_drawn(night, count):
    queue = [Assessment(f"L{n}", -0.5, 0.1) for n in range(count)]
    picture, page = write_contact_sheet(night / "out", queue, {}, night, top=5)
    with Image.open(picture) as image:
        assert image.height > 300 + 300 * (min(count, 5) - 1)
    assert Page(page.read_text(encoding="utf-8")).tags.count("li") == max(1, min(count, 5))


def test_a_very_long_word_does_not_run_out_of_its_column(night):
    wide = Assessment("W" * 300, 1.0, 0.5, (Reason("price_band", "low", 0.8, 0.5, "x" * 500),))
    picture, _ = write_contact_sheet(night / "out", [wide], {"W" * 300: a_listing("W" * 300, title="y" * 900)}, night)
    assert picture.is_file()


@pytest.mark.parametrize(
    "box",
    [Box(40, 30, 20, 10), Box(0, 0, 8, 8), Box(150, 110, 10, 10), Box(0, 0, 160, 120), None],
    ids=["inside", "corner", "other corner", "whole photo", "no box"],
)
def test_a_crop_shows_its_box_and_some_surroundings(box):
    pixels = np.full((120, 160, 3), 60, np.uint8)
    if box is not None:
        x, y, w, h = (int(side) for side in (box.x, box.y, box.w, box.h))
        pixels[y : y + h, x : x + w] = (250, 10, 10)
    tile = np.asarray(crop_with_context(Photo("a", pixels), box)).astype(int)
    assert tile.shape == (CROP_WH[1], CROP_WH[0], 3)
    red = ((tile[..., 0] > 200) & (tile[..., 2] < 60)).mean()
    assert red == 0 if box is None else red > 0.005
    if box is not None and box.w < 160:
        assert red < 0.5


@pytest.mark.parametrize("box", [Box(0, 0, 8, 8), Box(150, 110, 10, 10)], ids=["first corner", "last corner"])
def test_a_crop_at_the_edge_is_moved_inside_the_photo(box):
    tile = np.asarray(crop_with_context(Photo("a", np.full((120, 160, 3), 60, np.uint8)), box)).astype(int)
    assert (tile == 60).all(axis=-1).mean() > 0.9  # the photo's grey nearly everywhere, but for the outline


@pytest.mark.parametrize(("log10_lr", "bar"), [(0.0, 0.0), (1.5, 0.5), (-3.0, -1.0), (5.0, 1.0), (-9.0, -1.0)])
def test_the_bar_runs_both_ways_and_stops_at_its_end(log10_lr, bar):
    assert Clue("", "", log10_lr, None).bar == pytest.approx(bar)


def test_text_is_made_printable_and_short():
    assert printable("a\n\tb\x00c\u202ed", 20) == "a b c d"
    assert printable("x" * 50, 10) == "x" * 9 + "…"


def test_a_heat_map_is_tinted_and_outlined_where_the_part_is_odd():
    grid = np.zeros((12, 16), int)
    grid[3:6, 10:13] = 90  # px 100 to 130 across, 30 to 60 down
    heat = HeatMap(Box(0, 0, 160, 120), tuple(tuple(int(v) for v in row) for row in grid))
    plain = Image.new("RGB", (160, 120), (60, 60, 60))
    drawn = np.asarray(with_heat(plain, heat, Box(0, 0, 160, 120))).astype(int)
    changed = (drawn != 60).any(axis=-1)
    rows, columns = np.nonzero(changed)
    assert rows.min() == pytest.approx(30, abs=6)
    assert rows.max() == pytest.approx(60, abs=6)
    assert columns.min() == pytest.approx(100, abs=6)
    assert columns.max() == pytest.approx(130, abs=6)
    assert drawn[45, 115, 0] > drawn[45, 115, 1] + 30  # tinted
    white, dark = (drawn > 240).all(axis=-1), (drawn < 30).all(axis=-1)
    assert white.sum() > 60  # told without colour: a light line with a dark rim
    assert dark.sum() > 30


def test_the_heat_lies_on_the_same_place_of_a_tile_that_shows_a_window():
    grid = np.zeros((10, 10), int)
    grid[4, 4] = 99  # the middle at px 45, 45 of 100
    heat = HeatMap(Box(100, 200, 100, 100), tuple(tuple(int(v) for v in row) for row in grid))
    drawn = np.asarray(with_heat(Image.new("RGB", (80, 80), (60, 60, 60)), heat, Box(125, 225, 40, 40))).astype(int)
    rows, columns = np.nonzero((drawn != 60).any(axis=-1))
    assert (columns.mean(), rows.mean()) == pytest.approx((40, 40), abs=2)
