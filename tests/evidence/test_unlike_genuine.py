"""A part unlike the genuine ones: how much it may say, when it is silent, and in which words."""

from __future__ import annotations

import pytest

from pipeline.domain import Assessment, Box, CueReading, HeatMap, Measurement, PartName
from pipeline.evidence import assess
from tests.evidence.builders import ListingReadings, evidence, listing, part, seen, sheet, unsure

HEAT = HeatMap(Box(0, 0, 10, 10), ((0, 99), (3, 4)))


def odd(kind: PartName, per_cent: float = 0.4, belief: float = 0.95) -> CueReading:
    measured = Measurement(per_cent, 0.4, "% of genuine parts")
    return unsure(
        "unlike_genuine", "unlike", belief, part=kind, photo="a.jpg", box=Box(1, 2, 3, 4), measured=measured, heat=HEAT
    )


def assessed(*parts: tuple[PartName, tuple[CueReading, ...]]) -> Assessment:
    readings = ListingReadings(listing(), tuple(part(kind, *cues) for kind, cues in parts))
    return assess(readings, sheet(), evidence())


def reason_of(assessment: Assessment):
    return next((reason for reason in assessment.reasons if reason.cue == "unlike_genuine"), None)


def test_an_odd_part_alone_is_a_reason_to_look_and_no_more():
    plain, with_odd = assessed((PartName.ZIP, ())), assessed((PartName.ZIP, (odd(PartName.ZIP),)))
    assert with_odd.log10_lr > plain.log10_lr + 0.1
    assert with_odd.log10_lr <= evidence().weak_alone_at_most
    assert with_odd.probability < 0.5
    reason = reason_of(with_odd)
    assert reason.sentence.startswith(
        "Zip unlike the genuine ones seen so far (no more than 1 in 250 of them looks this unlike the others)."
    )
    assert reason.heat == HEAT


@pytest.mark.parametrize(("cue", "state"), [("tab_resewn", "yes"), ("tab_word", "mark_only")])
def test_an_oddity_that_a_listed_cue_names_is_not_counted_twice(cue, state):
    # The mark alone is rare and innocent: nobody may be suspected for it.
    named = unsure(cue, state, 0.99, part=PartName.TAB, photo="a.jpg")
    alone = assessed((PartName.TAB, (named,)))
    both = assessed((PartName.TAB, (named, odd(PartName.TAB))))
    assert both.log10_lr == pytest.approx(alone.log10_lr)
    assert reason_of(both) is None
    elsewhere = assessed((PartName.TAB, (named,)), (PartName.ZIP, (odd(PartName.ZIP),)))
    assert elsewhere.log10_lr > alone.log10_lr


def test_a_part_whose_listed_cues_are_in_order_may_still_be_odd():
    fine = unsure("zip_mark", "own", 0.99, part=PartName.ZIP, photo="a.jpg")
    assert reason_of(assessed((PartName.ZIP, (fine, odd(PartName.ZIP))))).log10_lr > 0.1


def test_parts_like_the_genuine_ones_carry_no_heat_map():
    kinds = (PartName.ZIP, PartName.TAB, PartName.LABEL)  # a single part like the others says next to nothing
    like = assessed(*((kind, (odd(kind, 80.0, 0.2),)) for kind in kinds))
    assert reason_of(like).state == "like"
    assert reason_of(like).heat is None
    assert reason_of(like).log10_lr < 0


def test_nothing_compared_is_nothing_seen():
    assert "unlike_genuine" in assess(seen(), sheet(), evidence()).not_seen
