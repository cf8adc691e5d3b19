"""The order of the queue."""

from __future__ import annotations

import random

from pipeline.domain import Assessment
from pipeline.ranking import rank


def test_most_suspicious_first_and_ties_by_evidence_then_by_id():
    best = Assessment("z", 3.0, 0.9)
    strong, weak = Assessment("y", 2.0, 0.5), Assessment("a", 1.0, 0.5)
    twins = [Assessment(name, 0.0, 0.1) for name in ("b", "c", "d")]
    expected = (best, strong, weak, *twins)
    for seed in range(5):
        shuffled = random.Random(seed).sample(expected, len(expected))
        assert rank(shuffled) == expected


def test_an_empty_night_gives_an_empty_queue():
    assert rank([]) == ()
