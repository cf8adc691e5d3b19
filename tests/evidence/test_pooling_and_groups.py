"""Several readings of one cue, and cues that move together."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.config import Group
from pipeline.domain import CueReading, PartName
from pipeline.evidence.groups import share_out
from pipeline.evidence.pooling import pool
from tests.evidence.builders import evidence, sure, unsure

STATES = ("matching", "other")


def log_odds(*beliefs: float, **changes: object) -> float:
    readings = [unsure("tab_thread", "other", belief) for belief in beliefs]
    matching, other = pool(readings, STATES, evidence(least_doubt=0.0, **changes))
    return float(np.log(other / matching))


@pytest.mark.parametrize(("repeat_views", "worth"), [(1.0, 4.0), (0.5, 2.0), (0.0, 1.0)])
def test_four_equal_photos_are_worth_four_to_the_power_of_repeat_views(repeat_views, worth):
    assert log_odds(0.8, 0.8, 0.8, 0.8, repeat_views=repeat_views) == pytest.approx(worth * np.log(4))


def test_a_flat_photo_beside_a_clear_one_changes_nothing():
    assert log_odds(0.9, 0.5, 0.5) == pytest.approx(log_odds(0.9))


def test_two_photos_that_contradict_each_other_equally_say_nothing():
    assert log_odds(0.9, 0.1) == pytest.approx(0.0, abs=1e-12)


def test_a_second_photo_that_agrees_strengthens_the_first():
    assert log_odds(0.9, 0.7) > log_odds(0.9)


def test_no_reading_is_believed_beyond_the_least_doubt():
    matching, other = pool([sure("tab_thread", "other")], STATES, evidence(least_doubt=0.02))
    assert (matching, other) == (pytest.approx(0.01), pytest.approx(0.99))


def test_pooling_nothing_is_refused():
    with pytest.raises(ValueError, match="at least one reading"):
        pool([], STATES, evidence())


LRS = {"a": 1.0, "b": 0.6, "c": -0.4, "d": -0.1, "alone": 0.7}


@pytest.mark.parametrize(
    ("overlap", "total"),
    [
        pytest.param(0.0, 1.0 + 0.6 - 0.4 - 0.1 + 0.7, id="no overlap: plain sum"),
        pytest.param(1.0, 1.0 - 0.4 + 0.7, id="full overlap: strongest alone, each way"),
        pytest.param(0.5, 1.0 + 0.3 - 0.4 - 0.05 + 0.7, id="half"),
    ],
)
def test_overlap_lets_the_strongest_speak_in_full(overlap, total):
    group = Group(name="g", cues=("a", "b", "c", "d", "unseen"), overlap=overlap)
    counted = share_out(LRS, [group])
    assert sum(counted.values()) == pytest.approx(total)
    assert counted["alone"] == LRS["alone"]
    assert list(counted) == list(LRS)


def test_two_cues_changing_places_make_no_jump():
    group = [Group(name="g", cues=("a", "b"), overlap=0.6)]
    before = sum(share_out({"a": 1.0, "b": 1.0 - 1e-9}, group).values())
    after = sum(share_out({"a": 1.0, "b": 1.0 + 1e-9}, group).values())
    assert before == pytest.approx(after, abs=1e-7)


def unlike(part: PartName, belief: float, photo: str = "a.jpg") -> CueReading:
    return unsure("unlike_genuine", "unlike", belief, part=part, photo=photo)


def test_one_odd_part_stands_out_among_parts_that_are_as_they_should_be():
    states = ("like", "unlike")
    plain = [unlike(kind, 0.3) for kind in (PartName.LABEL, PartName.ZIP, PartName.RIVET)]
    odd = unlike(PartName.TAB, 0.95)
    alone = pool([odd], states, evidence())[1]
    beside = pool([odd, *plain], states, evidence())[1]
    assert beside < alone
    assert beside > 0.7
    # Seen as photos of one thing, the three would have talked the fourth down.
    assert beside > pool([odd, *plain], states, evidence(part_sets={}))[1] + 0.05


def test_more_photos_of_one_part_do_not_count_as_more_parts():
    views = [unlike(PartName.LABEL, 0.3, photo) for photo in ("b.jpg", "c.jpg", "d.jpg")]
    parts = [unlike(kind, 0.3) for kind in (PartName.LABEL, PartName.ZIP, PartName.RIVET)]
    odd, states = unlike(PartName.TAB, 0.95), ("like", "unlike")
    assert pool([odd, *views], states, evidence())[1] > pool([odd, *parts], states, evidence())[1]
