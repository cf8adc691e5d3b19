"""Found parts are paired with labelled ones by part, photo and overlap."""

from __future__ import annotations

from pipeline.domain import Box, FoundPart, PartName, PartReading
from pipeline.evaluate.labelled import LabelledPart, photo_key
from pipeline.evaluate.matching import match_parts


def labelled(x: float, part: PartName = PartName.TAB, photo: str = "photos/a.jpg") -> LabelledPart:
    return LabelledPart(photo, part, Box(x, 0, 10, 10), {})


def found(x: float, part: PartName = PartName.TAB, photo: str = "photos/a.jpg") -> PartReading:
    return PartReading(FoundPart(photo, part, Box(x, 0, 10, 10), 0.9))


def test_each_labelled_part_gets_the_found_part_that_lies_on_it_best():
    near, nearer = found(2), found(1)
    assert match_parts([labelled(0)], [near, nearer]) == [(labelled(0), nearer)]


def test_a_found_part_is_used_once():
    only = found(1)
    assert match_parts([labelled(0), labelled(1)], [only]) == [(labelled(0), None), (labelled(1), only)]


def test_another_part_another_photo_or_too_little_overlap_is_no_match():
    for other in (found(0, PartName.ZIP), found(0, photo="photos/b.jpg"), found(4)):
        assert match_parts([labelled(0)], [other]) == [(labelled(0), None)]


def test_paths_from_the_folder_and_from_its_photos_mean_the_same_photo():
    assert photo_key("photos/L1/0.jpg") == photo_key("L1/0.jpg") == photo_key("./photos/L1/0.jpg")
    assert photo_key("photos/L1/0.jpg") != photo_key("photos/L2/0.jpg")
