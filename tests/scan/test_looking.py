"""What becomes of a found part on which nothing can be judged."""

from __future__ import annotations

from pipeline.domain import Box, CueReading, FoundPart, PartName, PartReading
from pipeline.scan.looking import as_sure

FOUND = FoundPart("p.jpg", PartName.BUTTON_BACK, Box(10, 10, 50, 50), 0.9)


def test_a_part_on_which_nothing_can_be_judged_may_be_none():
    blind = as_sure(PartReading(FOUND), {})
    assert not blind.found.is_sure
    assert (blind.found.box, blind.found.score) == (FOUND.box, FOUND.score)


def test_a_part_that_shows_anything_is_one():
    cue = CueReading("rivet_stamp", {"stamped": 0.5, "blank": 0.5})
    assert as_sure(PartReading(FOUND, (cue,)), {}).found.is_sure
    assert as_sure(PartReading(FOUND), {"corner": (1.0, 2.0, 0.5)}).found.is_sure
