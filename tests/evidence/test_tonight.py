"""What a whole night shows, without labels, of the trust that its own readings deserve."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from pipeline.cues import CUES
from pipeline.domain import Assessment, CueReading, ListingReadings
from pipeline.evidence import Doubt, assess, doubt_notice, doubts_tonight
from pipeline.evidence.tonight import at_least_by_chance, believed
from pipeline.evidence.weights import cue_log10_lr, cue_table
from tests.evidence.builders import evidence, listing, seen, sheet, sure, unsure

CONFIG = evidence()
SHEETS = {"quillmere": sheet()}
doubted = st.floats(0.0005, 0.95)


def night_of(*readings: tuple[CueReading, ...]) -> list[ListingReadings]:
    return [ListingReadings(listing(listing_id=f"L{n}"), cues=cues) for n, cues in enumerate(readings)]


def coated_night(coated: int, of: int, *beside: CueReading) -> list[ListingReadings]:
    finishes = ["coated"] * coated + ["clean"] * (of - coated)
    return night_of(*((sure("button_finish", finish), *beside) for finish in finishes))


def drawn_night(count: int, counterfeit: float, seed: int = 4) -> list[ListingReadings]:
    """A night as the shares have it, read clearly and rightly."""
    rng = np.random.default_rng(seed)
    cues = [name for name in CUES if name != "unlike_genuine"]
    tables = {name: cue_table(name, CONFIG) for name in cues}
    rows = []
    for _ in range(count):
        side = "counterfeit" if rng.random() < counterfeit else "genuine"
        states = {name: rng.choice(table.states, p=getattr(table, side)) for name, table in tables.items()}
        rows.append(tuple(unsure(name, str(state), 0.98) for name, state in states.items()))
    return night_of(*rows)


def with_doubts(night, cues: tuple[CueReading, ...]) -> Assessment:
    return assess(seen(*cues), sheet(), CONFIG, doubts_tonight(night, SHEETS, CONFIG))


def doubt(false_alarms: float, is_clear: bool = True) -> Doubt:
    return Doubt(40, 16, 0.036, 13.2, false_alarms, is_clear)


def test_the_share_of_false_alarms_is_the_posterior_mean_worked_by_hand():
    # r = 0.6 * 0.001996 + 0.4 * 0.172766 = 0.070304; of 40 others 16 are coated, 40 r = 2.812 are expected,
    # so 13.188 are too many: (13.188 + 0.15) / (40 + 15) = 0.24251. Beta(0.15, 14.85) before the night.
    found = doubts_tonight(coated_night(17, 41), SHEETS, CONFIG)["button_finish"]
    assert (found.seen, found.departing) == (41, 17)
    assert found.false_alarms == pytest.approx(0.24251, abs=2e-5)
    too_many = 16 - 40 * 0.0703040
    assert found.false_alarms == pytest.approx(stats.beta(0.15 + too_many, 14.85 + 40 - too_many).mean(), abs=1e-6)
    assert found.usual_share == pytest.approx(0.8 * 0.001996 + 0.2 * 0.172766)


@pytest.mark.parametrize(("count", "of", "share"), [(0, 5, 0.1), (3, 7, 0.07), (17, 41, 0.0703), (1700, 20000, 0.08)])
def test_the_chance_of_so_many_is_the_binomials_tail(count, of, share):
    assert at_least_by_chance(count, of, share) == pytest.approx(stats.binom.sf(count - 1, of, share), rel=1e-6)


def test_a_night_as_usual_leaves_the_weights_nearly_as_they_were():
    night = drawn_night(400, counterfeit=0.2)
    tonight = doubts_tonight(night, SHEETS, CONFIG)
    assert not any(found.is_clear for found in tonight.values())
    apart = evidence(groups=())  # within a group a hair decides which of two equal signs counts in full
    for one in night[:80]:
        before = {reason.cue: reason.log10_lr for reason in assess(one, sheet(), apart).reasons}
        after = {reason.cue: reason.log10_lr for reason in assess(one, sheet(), apart, tonight).reasons}
        assert after == pytest.approx(before, abs=0.1)


def test_a_night_with_twice_the_usual_counterfeits_is_no_night_of_false_alarms():
    tonight = doubts_tonight(drawn_night(400, counterfeit=0.4), SHEETS, CONFIG)
    assert not any(found.is_clear for found in tonight.values())
    assert max(found.false_alarms for found in tonight.values()) < 0.05


def test_a_false_alarming_sign_is_held_under_its_limit_and_other_signs_are_left_alone():
    sign, other = sure("button_finish", "coated"), sure("tab_thread", "other")
    calm = with_doubts(coated_night(2, 41, sure("tab_thread", "matching")), (sign, other))
    wild = with_doubts(coated_night(17, 41, sure("tab_thread", "matching")), (sign, other))
    on_calm, on_wild = ({reason.cue: reason for reason in one.reasons} for one in (calm, wild))
    limit = np.log10(1 / 0.24251)
    assert 0 < on_wild["button_finish"].log10_lr < limit < on_calm["button_finish"].log10_lr
    assert on_wild["tab_thread"] == on_calm["tab_thread"]
    assert "counted for less: tonight 41% of the listings show this, 4% would be usual" in on_wild["button_finish"].note


def test_on_a_few_listings_only_the_belief_from_before_counts():
    for count in (1, 3):
        found = doubts_tonight(coated_night(1, count), SHEETS, CONFIG)["button_finish"]
        assert found.false_alarms == pytest.approx(0.15 / (15 + count - 1))
        assert not found.is_clear
    reason = with_doubts(coated_night(1, 1), (sure("button_finish", "coated"),)).reasons[0]
    assert "the 1 of tonight's listings that show this are few" in reason.note


def test_only_what_is_judged_in_photos_is_doubted_and_innocent_states_are_no_alarm():
    rows = [(sure("price_band", "low"), sure("photo_reuse", "other_seller"), sure("tab_word", "mark_only"))] * 30
    tonight = doubts_tonight(night_of(*rows), SHEETS, CONFIG)
    assert not {"price_band", "photo_reuse", "metal_agrees", "unlike_genuine"} & set(tonight)
    assert {"tab_position", "metal", "zip_mark", "code_match", "style_agrees", "size_agrees"} <= set(tonight)
    assert (tonight["tab_word"].seen, tonight["tab_word"].departing) == (30, 0)


def test_what_speaks_for_a_pair_is_believed_as_before():
    clean = (sure("button_finish", "clean"), sure("tab_word", "mark_only"))
    assert with_doubts(coated_night(17, 41), clean) == assess(seen(*clean), sheet(), CONFIG)


def test_without_a_night_a_sign_counts_the_log_of_the_two_shares():
    sign = assess(seen(sure("button_finish", "coated")), sheet(), evidence(least_doubt=0.0))
    assert sign.reasons[0].log10_lr == pytest.approx(np.log10(0.172766 / 0.001996))
    assert sign.reasons[0].note is None


@given(st.floats(0.51, 0.999), st.floats(1e-3, 0.4), doubted)
def test_a_surer_reading_of_a_doubted_sign_still_counts_for_more(belief, step, share):
    table = cue_table("button_finish", CONFIG)
    surer = belief + step * (1 - belief)
    less, more = (cue_log10_lr(believed(np.array([1 - b, b]), table, doubt(share)), table) for b in (belief, surer))
    assert less < more


@given(st.sampled_from(sorted(CUES)), st.lists(st.floats(1e-4, 1), min_size=5, max_size=5), doubted)
def test_doubt_never_turns_a_sign_into_evidence_for_genuine(cue, values, share):
    table = cue_table(cue, CONFIG)
    likelihood = np.array(values[: len(table.states)])
    likelihood /= likelihood.sum()
    believed_so_far = believed(likelihood, table, doubt(share))
    before, after = cue_log10_lr(likelihood, table), cue_log10_lr(believed_so_far, table)
    assert believed_so_far.sum() == pytest.approx(1)
    assert believed_so_far.max() <= believed_so_far.min() / share * (1 + 1e-9) or before <= 0
    if before > 0:
        assert -1e-12 <= after <= before + 1e-12
    else:
        assert after == before


def test_the_notice_names_the_sign_its_share_and_what_to_do():
    line = doubt_notice("button_finish", 41, 17, 0.036)
    assert '"finish of the button" is read on 17 of 41 listings (41%; 4% would be usual)' in line
    assert "label some and train" in line
