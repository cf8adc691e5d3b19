"""What a listing's assessment says, and what it must never do."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.config import Override
from pipeline.cues import CUES
from pipeline.domain import Box, CueReading, ListingReadings, Measurement, PartName
from pipeline.evidence import assess, log10_lrs, raw_log10_lrs
from tests.evidence.builders import evidence, listing, part, seen, sheet, shipped_evidence, sure, unsure

EXACT = evidence(least_doubt=0.0, least_spread=0.0)
cue_and_state = st.sampled_from([(cue.name, state) for cue in CUES.values() for state in cue.states])


def log10_lr(*cues: CueReading, config=EXACT) -> float:
    return assess(seen(*cues), sheet(), config).log10_lr


def with_thread_shares(shares):
    cues = EXACT.model_dump()["cues"]
    for state, (genuine, counterfeit) in shares.items():
        cues["tab_thread"]["states"][state] |= {"genuine": genuine, "counterfeit": counterfeit}
    return evidence(least_doubt=0.0, least_spread=0.0, cues=cues)


@st.composite
def any_reading(draw):
    cue, state = draw(cue_and_state)
    photo = draw(st.sampled_from(["a.jpg", "b.jpg", "c.jpg"]))
    belief = draw(st.floats(0, 1))
    return unsure(cue, state, belief, photo=photo, box=Box(draw(st.integers(0, 99)), 0, 5, 5), part=PartName.TAB)


def test_nothing_seen_leaves_the_prior():
    nothing = assess(seen(), sheet(), EXACT)
    assert (nothing.log10_lr, nothing.probability) == (0.0, pytest.approx(0.2))
    assert nothing.not_seen == tuple(CUES)
    assert nothing.reasons == ()


def test_a_sure_reading_counts_the_log_of_the_two_shares():
    config = with_thread_shares({"matching": (0.9, 0.6), "other": (0.1, 0.4)})
    assert log10_lr(sure("tab_thread", "other"), config=config) == pytest.approx(math.log10(4))


def test_an_unsure_reading_follows_the_mixture_of_states_by_hand():
    config = with_thread_shares({"matching": (0.9, 0.6), "other": (0.1, 0.4)})
    by_hand = math.log10((0.7 * 0.4 + 0.3 * 0.6) / (0.7 * 0.1 + 0.3 * 0.9))
    assert log10_lr(unsure("tab_thread", "other", 0.7), config=config) == pytest.approx(by_hand)


@given(st.lists(any_reading(), max_size=6), cue_and_state)
@settings(max_examples=60, deadline=None)
def test_unseen_cue_changes_nothing(readings, cue_state):
    cue, state = cue_state
    nothing = unsure(cue, state, 1 / len(CUES[cue].states), photo="d.jpg", part=PartName.TAB)
    assert log10_lr(*readings, nothing) == pytest.approx(log10_lr(*readings), abs=1e-9)


@given(st.lists(any_reading(), min_size=2, max_size=8), st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_order_of_photos_does_not_matter(readings, random):
    shuffled = list(readings)
    random.shuffle(shuffled)
    first, second = (assess(seen(*order), sheet(), EXACT) for order in (readings, shuffled))
    assert first.log10_lr == pytest.approx(second.log10_lr, abs=1e-9)
    assert {r.cue: (r.state, r.photo) for r in first.reasons} == {r.cue: (r.state, r.photo) for r in second.reasons}


@given(cue_and_state, st.floats(0, 1), st.floats(0, 1))
@settings(max_examples=100, deadline=None)
def test_a_less_certain_reading_moves_its_log_ratio_towards_zero(cue_state, belief, blur):
    cue, state = cue_state
    sharp = unsure(cue, state, belief)
    flat = 1 / len(sharp.likelihood)
    blurred = CueReading(cue, {name: (1 - blur) * value + blur * flat for name, value in sharp.likelihood.items()})
    clear, unclear = log10_lr(sharp), log10_lr(blurred)
    assert abs(unclear) <= abs(clear) + 1e-9
    assert unclear * clear >= -1e-12


@given(st.lists(any_reading(), max_size=40))
@settings(max_examples=60, deadline=None)
def test_bounds_are_respected(readings):
    result = assess(seen(*readings), sheet(), evidence(bound_total_log10_lr=1.5))
    assert abs(result.log10_lr) <= 1.5
    for reason in result.reasons:
        assert abs(reason.log10_lr) <= EXACT.cues[reason.cue].bound_log10_lr + 1e-9


def test_a_cues_own_bound_holds_for_a_state_of_any_kind():
    cues = EXACT.model_dump()["cues"]
    cues["tab_thread"]["bound_log10_lr"] = 0.05
    config = evidence(cues=cues, least_doubt=0.0)
    assert log10_lr(sure("tab_thread", "other"), config=config) == pytest.approx(0.05)
    assert log10_lr(sure("tab_thread", "matching"), config=config) == pytest.approx(-0.05)


@pytest.mark.parametrize("state", ["mark_only", "full"])
def test_innocent_and_usual_states_never_count_against_a_pair(state):
    cues = EXACT.model_dump()["cues"]
    for name, (genuine, counterfeit) in {
        "full": (0.1, 0.4), "mark_only": (0.1, 0.4), "cut_short": (0.4, 0.1), "wrong": (0.4, 0.1),
    }.items():  # fmt: skip
        cues["tab_word"]["states"][name] |= {"genuine": genuine, "counterfeit": counterfeit}
    assert log10_lr(sure("tab_word", state), config=evidence(cues=cues, least_doubt=0.0)) <= 0


def test_a_letter_missing_from_the_tab_outweighs_everything_else_in_order():
    in_order = [sure(name, cue.genuine_state) for name, cue in CUES.items() if name != "tab_word" and cue.view]
    result = assess(seen(*in_order, sure("tab_word", "cut_short")), sheet(), shipped_evidence())
    assert result.probability > 0.5
    assert result.reasons[0].cue == "tab_word"


def test_a_weak_sign_alone_does_not_make_a_pair_more_likely_counterfeit_than_not():
    for cue, state in (("label_motto_curve", "other"), ("price_band", "low"), ("size_agrees", "no")):
        assert assess(seen(sure(cue, state)), sheet(), shipped_evidence()).probability < 0.5


EAGER = ((-6.0, -5.0), (6.0, 7.0))  # a calibration that adds one to every sum


def test_where_nothing_speaks_against_a_pair_calibration_can_not_either():
    config = evidence(calibration=EAGER)
    assert log10_lr(config=config) == 0
    assert log10_lr(sure("tab_thread", "matching"), config=config) <= 0
    assert log10_lr(sure("tab_thread", "other"), config=config) > 1


def test_weak_signs_alone_stay_under_their_limit_and_a_sign_beside_them_lifts_it():
    config = evidence(calibration=EAGER)
    weak = [sure("price_band", "low"), sure("label_motto_curve", "other")]
    assert log10_lr(*weak, config=config) == config.weak_alone_at_most
    assert log10_lr(*weak, sure("tab_thread", "other"), config=config) > 1
    by_hand = Override(cue="price_band", state="low", log10_lr=0.5, note="a wave of cheap ones")
    assert log10_lr(*weak, config=evidence(calibration=EAGER, overrides=[by_hand])) > 1


def test_an_override_replaces_the_state_and_its_note_is_shown():
    rule = {"cue": "label_ground", "state": "dark", "log10_lr": 0.3, "note": "a genuine dark run is known"}
    config = evidence(overrides=[rule], least_doubt=0.0, least_spread=0.0)
    result = assess(seen(sure("label_ground", "dark")), sheet(), config)
    assert result.log10_lr == pytest.approx(0.3)
    assert "a genuine dark run is known" in (result.reasons[0].note or "")
    flat = CueReading("label_ground", {"tan": 1 / 3, "dark": 1 / 3, "white": 1 / 3})
    assert assess(seen(flat), sheet(), config).log10_lr == pytest.approx(0.0)


def test_reason_names_the_state_that_drives_it_even_if_a_common_state_stays_more_probable():
    result = assess(seen(unsure("tab_word", "cut_short", 0.95)), sheet(), EXACT)
    reason = result.reasons[0]
    assert reason.log10_lr > 0
    assert reason.state == "cut_short"
    natural = {s: 0.8 * w.genuine + 0.2 * w.counterfeit for s, w in EXACT.cues["tab_word"].states.items()}
    belief = {s: (0.95 if s == "cut_short" else 0.05 / 3) * share for s, share in natural.items()}
    assert reason.probability == pytest.approx(belief["cut_short"] / sum(belief.values()), rel=1e-3)


def test_reason_shows_the_clearest_photo_with_its_measurement():
    faint = unsure("tab_position", "off", 0.6, photo="faint.jpg", part=PartName.TAB)
    measured = Measurement(41.0, 0.6, "mm")
    clear = unsure("tab_position", "off", 0.99, photo="clear.jpg", part=PartName.TAB, measured=measured)
    reason = assess(seen(faint, clear), sheet(), EXACT).reasons[0]
    assert (reason.photo, reason.measured) == ("clear.jpg", measured)
    assert "41.0 ± 0.6 mm" in reason.sentence


def test_reasons_add_up_to_the_uncalibrated_sum_and_calibration_is_applied_to_it():
    readings = seen(sure("tab_thread", "other"), sure("tab_resewn", "yes"), sure("zip_mark", "own"))
    result = assess(readings, sheet(), evidence(calibration=((-6.0, -3.0), (6.0, 3.0))))
    assert result.log10_lr == pytest.approx(sum(reason.log10_lr for reason in result.reasons) / 2)


@given(st.lists(st.lists(any_reading(), max_size=6), min_size=1, max_size=4))
@settings(max_examples=30, deadline=None)
def test_numbers_alone_are_those_of_the_whole_assessments(all_readings):
    night = [seen(*readings) for readings in (*all_readings, all_readings[0])]  # the last shares what the first shows
    whole = [assess(one, sheet(), EXACT) for one in night]
    sheets = {sheet().maker: sheet()}
    assert log10_lrs(night, sheets, EXACT) == pytest.approx([one.log10_lr for one in whole])
    by_reason = [sum(reason.log10_lr for reason in one.reasons) for one in whole]
    assert raw_log10_lrs(night, sheets, EXACT) == pytest.approx(by_reason)


def test_one_clear_blank_among_stamped_rivets_still_counts():
    stamped = [unsure("rivet_stamp", "stamped", 0.995, photo="r.jpg", part=PartName.RIVET) for _ in range(3)]
    blank = unsure("rivet_stamp", "blank", 0.995, photo="r.jpg", part=PartName.RIVET, box=Box(5, 5, 9, 9))
    readings = ListingReadings(listing(), parts=tuple(part(PartName.RIVET, reading) for reading in (*stamped, blank)))
    reason = assess(readings, sheet(), EXACT).reasons[0]
    assert (reason.state, reason.box) == ("blank", Box(5, 5, 9, 9))
    assert reason.log10_lr > 0.3
    all_stamped = assess(ListingReadings(listing(), parts=readings.parts[:3]), sheet(), EXACT).reasons[0]
    assert all_stamped.log10_lr < 0


def test_metal_and_motto_are_judged_against_the_style():
    raw = [
        CueReading("metal_name", {"copper": 0.02, "steel": 0.98}),
        CueReading("motto_curve", {"arch_up": 0.9, "straight": 0.05, "arch_down": 0.05}),
    ]
    copper_style = {r.cue: r for r in assess(seen(*raw, style_number="QM-21"), sheet(), EXACT).reasons}
    assert copper_style["metal"].state == "other"
    assert copper_style["label_motto_curve"].state == "as_style"
    steel_style = {r.cue: r for r in assess(seen(*raw, style_number="QM-34"), sheet(), EXACT).reasons}
    assert steel_style["metal"].state == "as_style"
    assert steel_style["label_motto_curve"].state == "other"
    assert {"metal", "label_motto_curve"} <= set(assess(seen(*raw), sheet(), EXACT).not_seen)


def test_an_unknown_cue_or_state_is_refused_by_name():
    with pytest.raises(ValueError, match="no such cue: pocket_colour"):
        assess(seen(CueReading("pocket_colour", {"blue": 1.0})), sheet(), EXACT)
    with pytest.raises(ValueError, match="tab_thread: no such state: green"):
        assess(seen(CueReading("tab_thread", {"green": 1.0})), sheet(), EXACT)


def test_every_sentence_is_polite():
    for name, cue in CUES.items():
        for state in cue.states:
            for reason in assess(seen(sure(name, state)), sheet(), EXACT).reasons:
                assert not {"fake", "fraud", "guilty", "criminal"} & set(reason.sentence.lower().split())
                assert reason.sentence.endswith(".")
