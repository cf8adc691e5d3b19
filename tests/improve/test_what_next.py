"""Which crops teach most: unsure ones, and each unlike the others."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.cluster import kmeans_plusplus

pytest.importorskip("torch")

from pipeline.improve.what_next import far_apart


def test_sure_crops_lie_in_the_middle_and_are_hardly_chosen():
    rng = np.random.default_rng(1)
    sure, unsure = rng.normal(0, 0.01, (900, 8)), rng.normal(0, 1, (100, 8))
    chosen = far_apart(np.concatenate([sure, unsure]).astype(np.float32), 20, rng)
    assert sum(place >= 900 for place in chosen) >= 18


def test_of_many_alike_and_few_others_the_others_are_chosen_too():
    rng = np.random.default_rng(2)
    alike = np.array([5.0, 0, 0]) + rng.normal(0, 0.05, (200, 3))
    others = np.array([[0, 5.0, 0], [0, 0, 5.0], [-5.0, 0, 0]])
    chosen = far_apart(np.concatenate([alike, others]).astype(np.float32), 4, rng)
    assert {200, 201, 202} < set(chosen)


def test_the_choice_spreads_as_well_as_the_librarys_own_seeding():
    # scikit-learn's kmeans_plusplus (Arthur & Vassilvitskii 2007) without local trials, mean over 30 seeds.
    places = np.random.default_rng(3).normal(0, 1, (300, 6)).astype(np.float32)

    def left_over(chosen) -> float:
        return ((places[:, None] - places[chosen][None]) ** 2).sum(2).min(1).mean()

    mine = np.mean([left_over(far_apart(places, 15, np.random.default_rng(seed))) for seed in range(30)])
    theirs = np.mean(
        [left_over(kmeans_plusplus(places, 15, random_state=seed, n_local_trials=1)[1]) for seed in range(30)]
    )
    assert mine == pytest.approx(theirs, rel=0.05)


def test_no_crop_is_offered_twice_and_no_more_than_there_are():
    places = np.array([[1.0, 0], [1.0, 0], [0, 1.0]], np.float32)
    assert sorted(far_apart(places, 10, np.random.default_rng(0))) in ([0, 2], [1, 2])
    assert far_apart(np.zeros((0, 2), np.float32), 3, np.random.default_rng(0)) == []
