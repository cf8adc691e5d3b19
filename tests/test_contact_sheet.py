from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline.contact_sheet import write_contact_sheet
from pipeline.contact_sheet._content import Clue, printable
from pipeline.domain import CAUTION, Assessment, Box, Listing, PhotoRequest, Reason

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


@pytest.mark.parametrize(("log10_lr", "bar"), [(0.0, 0.0), (1.5, 0.5), (-3.0, -1.0), (5.0, 1.0), (-9.0, -1.0)])
def test_the_bar_runs_both_ways_and_stops_at_its_end(log10_lr, bar):
    assert Clue("", "", log10_lr, None).bar == pytest.approx(bar)


def test_text_is_made_printable_and_short():
    assert printable("a\n\tb\x00c\u202ed", 20) == "a b c d"
    assert printable("x" * 50, 10) == "x" * 9 + "…"
