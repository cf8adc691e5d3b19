"""Greedy k-centre against the best choice there is."""

from __future__ import annotations

import itertools

import numpy as np

from pipeline.train.coreset import greedy_centres


def left_over(points: np.ndarray, picked: np.ndarray) -> float:
    """Distance of the point farthest from those picked."""
    return float(np.linalg.norm(points[:, None] - points[None, picked], axis=2).min(axis=1).max())


def test_greedy_centres_leave_at_most_twice_what_the_best_choice_leaves():
    # Gonzalez 1985: a 2-approximation, whatever the points; the best is found by trying all choices.
    for seed in range(12):
        points = np.random.default_rng(seed).normal(size=(11, 2)).astype(np.float32)
        best = min(left_over(points, np.array(some)) for some in itertools.combinations(range(11), 3))
        found = left_over(points, greedy_centres(points, 3, first=seed % 11))
        assert best <= found + 1e-6
        assert found <= 2 * best + 1e-5


def test_on_a_line_the_worked_case_holds():
    # Points 0, 1, 9, 10 from 0: farthest 10, then 9 and 1 lie equally far (1) from those picked.
    points = np.array([[0.0], [1.0], [9.0], [10.0]], np.float32)
    assert greedy_centres(points, 2).tolist() == [0, 3]
    assert left_over(points, greedy_centres(points, 2)) == 1.0


def test_no_point_is_picked_twice_and_never_more_than_there_are():
    points = np.random.default_rng(0).normal(size=(40, 5)).astype(np.float32)
    picked = greedy_centres(points, 60)
    assert sorted(picked) == list(range(40))
