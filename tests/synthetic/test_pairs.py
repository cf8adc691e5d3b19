"""What is true of invented pairs: counterfeits depart, genuine ones only innocently."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from pipeline.cues import LISTED_CUES
from synthetic.looks import LOOKS
from synthetic.pair import (
    DEPARTURES,
    INNOCENT_SHARES,
    balanced_states,
    cues_without_place,
    make_pair,
    natural_states,
    other_word,
)
from tests.evidence.builders import sheet
from tests.synthetic.builders import a_pair

# What an honest pair may show besides the genuine state of a cue.
INNOCENT = {
    ("tab_word", "mark_only"),
    ("zip_mark", "approved"),
    ("label_motto_curve", "other"),
    ("size_agrees", "no"),
    ("style_agrees", "no"),
    ("metal_agrees", "no"),
    ("price_band", "low"),
}


def departures(states: dict[str, str]) -> set[tuple[str, str]]:
    return {(cue, state) for cue, state in states.items() if state != LISTED_CUES[cue].genuine_state}


def many(counterfeit: bool, count: int) -> list[dict[str, str]]:
    rng = np.random.default_rng(11)
    return [natural_states(rng, sheet(), counterfeit) for _ in range(count)]


def test_one_genuine_tab_in_a_hundred_carries_only_the_mark():
    # common practice: about one genuine tab in a hundred
    count = 20000
    share = sum(states["tab_word"] == "mark_only" for states in many(False, count)) / count
    assert sheet().tab.mark_only_share == 0.01
    assert share == pytest.approx(0.01, abs=3 * np.sqrt(0.01 * 0.99 / count))


def test_genuine_pairs_depart_only_innocently():
    seen = Counter(pair for states in many(False, 5000) for pair in departures(states))
    assert set(seen) == INNOCENT
    for cue, share in INNOCENT_SHARES.items():
        assert seen[cue, LISTED_CUES[cue].states[1]] / 5000 == pytest.approx(share, abs=4 * np.sqrt(share / 5000))


def test_counterfeits_depart_in_one_to_six_cues():
    numbers = []
    for states in many(True, 4000):
        departed = departures(states)
        assert departed - {("zip_mark", "approved"), ("tab_word", "mark_only")}
        numbers.append(len(departed - INNOCENT))
    assert max(numbers) == 6
    assert Counter(numbers)[1] > 400


@pytest.mark.parametrize("style", ["QM-21", "QM-28"])  # with a button fly, with a zip
def test_a_counterfeit_departs_only_in_what_its_style_has(style):
    rng, zips = np.random.default_rng(15), 0
    without = cues_without_place(sheet(), style)
    for _ in range(3000):
        states = natural_states(rng, sheet(), True, without)
        pair = make_pair(rng, sheet(), states, True, LOOKS["window"], style)
        assert pair.style == style
        departed = departures(pair.states) - {("zip_mark", "approved"), ("tab_word", "mark_only")}
        assert departed
        zips += ("zip_mark", "other") in departed
    assert (zips > 0) == (style == "QM-28")


def test_no_counterfeit_departs_into_an_innocent_mark():
    assert all(state != "mark_only" for state, _ in DEPARTURES["tab_word"])


def test_training_pairs_show_every_departing_state_equally_often():
    rng = np.random.default_rng(12)
    rows = [balanced_states(rng, 0.5) for _ in range(3000)]
    for name, cue in LISTED_CUES.items():
        counts = Counter(row[name] for row in rows)
        genuine = ("own", "approved") if name == "zip_mark" else (cue.genuine_state,)
        others = [state for state in cue.states if state not in genuine]
        assert sum(counts[s] for s in genuine) / 3000 == pytest.approx(0.5, abs=0.04)
        for state in others:
            assert counts[state] / 3000 == pytest.approx(0.5 / len(others), abs=0.04)


def test_print_follows_the_states():
    for seed in range(40):
        pair = a_pair(seed)
        assert pair.code == pair.tag_code
        assert (pair.printed_style, pair.printed_waist, pair.printed_leg) == (pair.style, pair.waist_in, pair.leg_in)
        assert pair.metal == sheet().styles[pair.style].rivet_metal
        assert pair.tab_text == sheet().tab.word
        assert abs(pair.tab_offset_mm) < sheet().tab.tolerance
        off = a_pair(
            seed, code_match="differ", style_agrees="no", size_agrees="no", metal="other", tab_word="cut_short",
            tab_position="off", zip_mark="other",
        )  # fmt: skip
        assert off.code != off.tag_code
        assert off.printed_style != off.style
        assert (off.printed_waist, off.printed_leg) != (off.waist_in, off.leg_in)
        assert off.metal != sheet().styles[off.style].rivet_metal
        assert off.tab_text == sheet().tab.word[:-1]
        assert abs(off.tab_offset_mm) > sheet().tab.tolerance
        if sheet().styles[off.style].fly == "zip":
            assert off.zip_text not in (*sheet().zip.marks, "")


def test_another_word_is_never_the_word_nor_the_word_cut_short():
    rng = np.random.default_rng(13)
    words = {other_word(rng, ("QUILLMERE",)) for _ in range(3000)}
    assert not words & {"QUILLMERE", "QUILLMER"}
    assert len(words) > 1000


def test_a_pair_looks_the_same_on_every_photo():
    pair = a_pair(3)
    assert pair.rng(5).random() == pair.rng(5).random()
    assert pair.rng(5).random() != pair.rng(6).random()
    again = make_pair(np.random.default_rng(9), sheet(), pair.states, False, LOOKS["lamp"])
    assert again == make_pair(np.random.default_rng(9), sheet(), pair.states, False, LOOKS["lamp"])
