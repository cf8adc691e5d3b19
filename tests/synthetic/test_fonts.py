"""Every font that may be drawn carries what is written with it."""

from __future__ import annotations

import string

import numpy as np
import pytest

from synthetic.lettering import font_files, letter_middles, line_of_text

WRITTEN = string.ascii_uppercase + string.digits + "%"
MISSING = "\ue123"  # a code point for private use: fonts draw their empty box


@pytest.mark.parametrize("path", font_files(), ids=lambda path: path.stem)
def test_a_font_has_its_own_glyph_for_every_letter_and_digit(path):
    shapes = {char: line_of_text(char, path).mask for char in WRITTEN}
    empty = line_of_text(MISSING, path).mask
    for char, mask in shapes.items():
        assert mask.max() > 200, char
        assert mask.shape != empty.shape or (mask != empty).any(), char
    assert len({(mask.shape, mask.tobytes()) for mask in shapes.values()}) == len(WRITTEN)


def test_there_are_many_fonts_in_a_fixed_order():
    names = [path.stem for path in font_files()]
    assert names == sorted(set(names))
    assert len(names) >= 30


@pytest.mark.parametrize("tracking", [0.0, 0.25])
def test_letters_stand_where_the_line_puts_them(tracking):
    # two lines that differ in one letter of the same width: the change lies round that letter's middle
    path = next(p for p in font_files() if p.stem == "DejaVuSansMono")
    plain = line_of_text("HHHHHH", path, tracking).mask
    for at in range(1, 5):
        other = line_of_text("H" * at + "N" + "H" * (5 - at), path, tracking).mask
        changed = np.abs(other.astype(int) - plain).sum(0)
        found = (changed * (np.arange(len(changed)) + 0.5)).sum() / changed.sum()
        middle = (letter_middles("HHHHHH", path, tracking)[at] + 0.5) * plain.shape[1]
        assert abs(found - middle) < 0.15 * plain.shape[1] / 6


def test_wider_tracking_spreads_letters_and_a_stroke_thickens_them():
    path = font_files()[0]
    plain = line_of_text("QUAY", path)
    spread = line_of_text("QUAY", path, 0.25).width - line_of_text("QUAY", path, 0.001).width  # neither is kerned
    assert spread == pytest.approx(3 * 0.25, abs=0.06)
    assert np.count_nonzero(line_of_text("QUAY", path, 0.0, 4).mask) > 1.2 * np.count_nonzero(plain.mask)


def test_a_stroke_below_nothing_thins_level_strokes_alone_and_loses_none():
    path = next(p for p in font_files() if p.stem == "SourceSerifPro-Regular")
    plain, fine = line_of_text("IH", path).mask, line_of_text("IH", path, 0.0, -2).mask
    assert fine.shape == plain.shape
    bar = slice(plain.shape[0] * 2 // 5, plain.shape[0] * 3 // 5)
    column = plain.shape[1] * 3 // 4  # through the bar of the H
    assert np.count_nonzero(fine[bar, column] > 200) < np.count_nonzero(plain[bar, column] > 200)
    assert fine[bar, column].max() > 60
    row = plain.shape[0] // 4  # above the bar: stems only
    assert (fine[row] == plain[row]).all()
