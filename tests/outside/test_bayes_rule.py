"""Bayes' rule against a published worked example.

Gigerenzer and Hoffrage (1995), "How to improve Bayesian reasoning without instruction: frequency formats",
Psychological Review 102: a condition with a share of 1%, found in 80% of those who have it and in 9.6% of
those who have not. After a finding the probability is 7.8%.
"""

from __future__ import annotations

import math

import pytest

from pipeline.evidence import assess, posterior
from tests.evidence.builders import evidence, seen, sheet, sure


def test_posterior_gives_the_published_7_8_percent():
    assert posterior(0.01, math.log10(0.80 / 0.096)) == pytest.approx(0.078, abs=0.0005)


def test_a_whole_assessment_gives_the_published_7_8_percent():
    cues = evidence().model_dump()["cues"]
    cues["tab_resewn"]["states"] = {
        "no": {"genuine": 0.904, "counterfeit": 0.20, "kind": "usual"},
        "yes": {"genuine": 0.096, "counterfeit": 0.80, "kind": "sign"},
    }
    config = evidence(prior_counterfeit=0.01, least_doubt=0.0, cues=cues)
    result = assess(seen(sure("tab_resewn", "yes")), sheet(), config)
    assert result.probability == pytest.approx(0.078, abs=0.0005)
