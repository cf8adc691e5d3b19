"""Facts of the trade, stated as common practice; no published source."""

from __future__ import annotations

import pytest

from pipeline.evidence import assess
from tests.evidence.builders import seen, sheet, shipped_evidence, sure


def test_about_one_genuine_tab_in_a_hundred_carries_only_the_mark():
    assert sheet().tab.mark_only_share == 0.01
    assert shipped_evidence().cues["tab_word"].states["mark_only"].genuine == pytest.approx(0.01, abs=0.005)


def test_a_tab_with_only_the_mark_never_pushes_towards_counterfeit():
    result = assess(seen(sure("tab_word", "mark_only")), sheet(), shipped_evidence())
    reason = next(reason for reason in result.reasons if reason.cue == "tab_word")
    assert reason.state == "mark_only"
    assert reason.log10_lr <= 0.01


def test_the_tab_sits_an_inch_and_a_quarter_below_the_pocket_top():
    assert sheet().tab.top_below_pocket_top == pytest.approx(1.25 * 25.4, abs=0.5)


def test_a_tab_word_that_lacks_its_last_letter_is_a_sure_sign():
    assert assess(seen(sure("tab_word", "cut_short")), sheet(), shipped_evidence()).log10_lr > 2


def test_the_motto_curve_is_never_decisive():
    for state in ("as_style", "other"):
        assert abs(assess(seen(sure("label_motto_curve", state)), sheet(), shipped_evidence()).log10_lr) < 0.61
