"""Two models on the same rows: real losses are found, noise is not taken for one."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("torch")

from pipeline.improve.paired import CUE_FIGURES, Rows, differences


def rows(rng, gap_in_use: float, gap_candidate: float, listings: int = 150) -> Rows:
    """Two photos a listing, a third departing; how far both models tell them apart, on shared noise."""
    departs = np.repeat(rng.random(listings) < 1 / 3, 2)
    shared = rng.normal(0, 1, 2 * listings)

    def score(gap: float) -> np.ndarray:
        logit = gap * (2 * departs - 1) + shared + rng.normal(0, 0.3, 2 * listings)
        return 1 / (1 + np.exp(-logit))

    return Rows(score(gap_in_use), score(gap_candidate), departs, np.repeat(np.arange(listings), 2))


def test_a_cue_that_got_worse_is_refused_and_one_that_got_better_is_not():
    rng = np.random.default_rng(1)
    worse = differences([("thread", rows(rng, 2.0, 1.0), CUE_FIGURES)], draws=1000)
    assert [one.is_worse for one in worse] == [True, True]
    better = differences([("thread", rows(rng, 1.0, 2.0), CUE_FIGURES)], draws=1000)
    assert [one.is_worse for one in better] == [False, False]
    assert all(one.is_better for one in better)


@pytest.mark.slow
def test_of_many_candidates_that_are_as_good_few_are_refused_though_each_has_ten_cues():
    # The bounds hold together at 95%, each side: of 20 candidates one is refused by chance, five hardly ever; bounds
    # that held cue by cue would refuse eight.
    rng = np.random.default_rng(2)
    refused = 0
    for _ in range(20):
        jobs = [(f"cue {k}", rows(rng, 1.5, 1.5, 60), CUE_FIGURES[:1]) for k in range(10)]
        refused += any(one.is_worse for one in differences(jobs, draws=400))
    assert refused <= 4


def test_the_photos_of_one_pair_are_no_independent_witnesses():
    rng = np.random.default_rng(3)
    one = rows(rng, 1.5, 1.2, 60)
    copies = Rows(*(np.repeat(x, 5) for x in (one.in_use, one.candidate, one.departs, one.listing)))
    width = {
        name: (told := differences([("x", of, CUE_FIGURES[:1])], draws=1000)[0]).high - told.low
        for name, of in (("photos", one), ("photos five times over", copies))
    }
    assert width["photos five times over"] == pytest.approx(width["photos"], rel=0.15)


def test_too_few_of_a_kind_are_not_judged():
    departs = np.array([True] * 4 + [False] * 50)
    scores = np.linspace(0, 1, 54)
    assert not Rows(scores, scores, departs, np.arange(54)).can_be_told()
