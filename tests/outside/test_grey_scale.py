"""ISO 105: the physical grey scale of part A02 against the formula of part A05, and its table of half steps."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measures.grey_scale import fading_difference, grey_scale_rating, half_step

# ISO 105-A02:1993 (EN 20105-A02:1994), 2.4: CIELAB difference of each pair of grey chips, and its tolerance.
CHIPS_A02 = [
    (5.0, 0.0, 0.2),
    (4.5, 0.8, 0.2),
    (4.0, 1.7, 0.3),
    (3.5, 2.5, 0.35),
    (3.0, 3.4, 0.4),
    (2.5, 4.8, 0.5),
    (2.0, 6.8, 0.6),
    (1.5, 9.6, 0.7),
    (1.0, 13.6, 1.0),
]

# ISO 105-A05:1996, table 1, from memory: the difference from which each half step holds.
HALF_STEPS_A05 = [
    (0.00, 5.0), (0.40, 4.5), (1.25, 4.0), (2.10, 3.5), (2.95, 3.0), (4.10, 2.5), (5.80, 2.0), (8.20, 1.5),
    (11.60, 1.0),
]  # fmt: skip


@pytest.mark.parametrize(("rating", "difference", "tolerance"), CHIPS_A02)
def test_each_pair_of_the_physical_scales_chips_gets_its_own_rating(rating, difference, tolerance):
    chip, lighter = (41.0, 0.0, 0.0), (41.0 + difference, 0.0, 0.0)  # grey of luminance 12, as the scale has it
    measured = float(fading_difference(chip, lighter))
    assert measured == pytest.approx(difference)
    assert float(grey_scale_rating(measured)) == pytest.approx(rating, abs=0.05)
    for edge in (max(difference - tolerance, 0), difference, difference + tolerance):
        assert half_step(edge) == rating


@pytest.mark.parametrize(("start", "rating"), HALF_STEPS_A05)
def test_half_steps_change_where_the_standards_table_says(start, rating):
    assert half_step(start) == rating
    if start > 0:
        assert half_step(start - 0.01) == min(rating + 0.5, 5.0)


def test_the_two_branches_of_the_formula_meet_at_rating_three():
    # ISO 105-A05:1996: 5 - d / 1.7 up to 3.40, 5 - log(d / 0.85) / log 2 above.
    np.testing.assert_allclose(grey_scale_rating([3.40, 3.40 + 1e-9]), 3.0, atol=1e-6)


def test_a_change_of_chroma_is_weighted_by_chroma_as_in_the_standard():
    # Worked by hand at hue 100 degrees, half a turn from 280, so that the term for blues is nil:
    # chroma 30 -> 20, mean 25: 10 / (1 + (20 * 25 / 1000)^2) = 8. Weights from memory of ISO 105-A05:1996.
    at = np.radians(100)
    before, after = ([50, c * np.cos(at), c * np.sin(at)] for c in (30, 20))
    assert float(fading_difference(before, after)) == pytest.approx(8.0, abs=1e-6)


def test_a_change_of_hue_is_weighted_less_than_one_of_chroma():
    # Worked by hand: two colours of chroma 50, hues 90 and 106.26 degrees: chord 2 * 50 * sin(8.13) = 14.142;
    # / (1 + (10 * 50 / 1000)^2) = 11.314.
    turn = 2 * np.arcsin(np.sqrt(2) / 10)
    before, after = ([50, 50 * np.cos(h), 50 * np.sin(h)] for h in (np.pi / 2, np.pi / 2 + turn))
    assert float(fading_difference(before, after)) == pytest.approx(10 * np.sqrt(2) / 1.25, abs=1e-6)


def test_the_term_for_blues_moves_part_of_a_chroma_change_into_hue():
    # Worked by hand at hue 280: chroma 30 -> 20, D = -10 * 25 / 100 = -2.5; chroma (-10 + 2.5) / 1.25 = -6;
    # hue 2.5 / 1.0625 = 2.353; together 6.445.
    at = np.radians(280)
    before, after = ([50, c * np.cos(at), c * np.sin(at)] for c in (30, 20))
    assert float(fading_difference(before, after)) == pytest.approx(np.hypot(6, 2.5 / 1.0625), abs=1e-6)
