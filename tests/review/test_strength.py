"""Words for likelihood ratios, by the ENFSI guideline for evaluative reporting in forensic science (2015), table 1."""

from __future__ import annotations

import math

import pytest

from pipeline.review.strength import strength

SCALE = [  # a ratio in each band of the published table, and its words
    (1.5, "no support either way"),
    (5, "weak support against genuine"),
    (50, "moderate support against genuine"),
    (500, "moderately strong support against genuine"),
    (5_000, "strong support against genuine"),
    (500_000, "very strong support against genuine"),
    (5_000_000, "extremely strong support against genuine"),
]


@pytest.mark.parametrize(("ratio", "words"), SCALE)
def test_each_band_of_the_published_scale_has_its_words(ratio, words):
    assert strength(math.log10(ratio)).words == words


@pytest.mark.parametrize(("ratio", "words"), SCALE)
def test_the_inverse_ratio_says_as_much_for_the_other_side(ratio, words):
    assert strength(-math.log10(ratio)).words == words.replace("against", "for")


def test_the_bar_runs_from_the_middle_to_the_side_that_is_spoken_for():
    against, for_it = strength(2.0, full=4), strength(-2.0, full=4)
    assert (against.x, against.x + against.width) == (100, 150)
    assert (for_it.x, for_it.x + for_it.width) == (50, 100)


def test_the_bar_ends_where_the_scale_ends():
    assert strength(9.0).width == 100
    assert strength(-9.0).x == 0
