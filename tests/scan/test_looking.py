"""What becomes of found parts on which too little can be judged to call them parts."""

from __future__ import annotations

from pipeline.domain import Box, CueReading, FoundPart, PartName, PartReading
from pipeline.scan.looking import sure_or_not

FOUND = FoundPart("p.jpg", PartName.RIVET, Box(10, 10, 50, 50), 0.9)
STAMP = CueReading("rivet_stamp", {"stamped": 0.5, "blank": 0.5})
STEEL = CueReading("metal_name", {"copper": 0.02, "steel": 0.98})


def is_sure(*read: PartReading) -> list[bool]:
    return [reading.found.is_sure for reading in sure_or_not([(one, {}) for one in read])]


def test_a_part_on_which_nothing_can_be_judged_may_be_none():
    (blind,) = sure_or_not([(PartReading(FOUND), {})])
    assert not blind.found.is_sure
    assert (blind.found.box, blind.found.score) == (FOUND.box, FOUND.score)


def test_a_part_that_shows_anything_is_one():
    assert is_sure(PartReading(FOUND, (STAMP,))) == [True]
    (pocket,) = sure_or_not([(PartReading(FOUND), {"corner": (1.0, 2.0, 0.5)})])
    assert pocket.found.is_sure


def test_the_colour_of_metal_alone_makes_no_part_as_anything_grey_has_it():
    (grey,) = sure_or_not([(PartReading(FOUND, (STEEL,)), {})])
    assert not grey.found.is_sure
    assert grey.cues == ()


def test_beside_a_part_that_shows_more_a_disc_of_metal_is_one():
    assert is_sure(PartReading(FOUND, (STEEL,)), PartReading(FOUND, (STAMP,))) == [True, True]
    assert is_sure(PartReading(FOUND, (STEEL,)), PartReading(FOUND), PartReading(FOUND, (STAMP,))) == [
        True,
        False,
        True,
    ]
