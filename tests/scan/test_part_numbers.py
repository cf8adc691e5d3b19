"""Numbers beside the network's words, on photos drawn with known truth; the network's say is made up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.classify.heads import POCKET_POINTS
from pipeline.classify.part_reader import ReadPart
from pipeline.config import ReferenceSheet
from pipeline.domain import Box, CueReading, FoundPart, PartName, PartReading, Photo
from pipeline.measures.white_balance import relit
from pipeline.scan.part_numbers import figures_of, with_numbers
from pipeline.scan.tab_place import plan_of, tabs_on_pockets
from synthetic.arrays import NumpyArrays
from synthetic.pair import Pair
from synthetic.views import annotate
from tests.evidence.builders import sheet
from tests.synthetic.builders import a_pair, a_view

EVEN, TAN = {"even": 0.98, "uneven": 0.02}, {"tan": 0.8, "dark": 0.1, "white": 0.1}
TUNGSTEN = np.diag([1.7, 0.95, 0.35])  # about what CIE A does to a camera that keeps its daylight balance


def shot(
    kind: str, pair: Pair, part: PartName, seed: int = 3, **cues: dict[str, float]
) -> tuple[Photo, list[ReadPart]]:
    """A drawn photo, sharp and evenly lit, with one part that the network judged so, and the pocket's points."""
    view = a_view(kind, pair, seed)
    notes = {note.part: note for note in annotate(view)}
    found = FoundPart("p.jpg", part, notes[part].box, 0.9)
    readings = tuple(CueReading(cue, likelihood, "p.jpg", part, found.box) for cue, likelihood in cues.items())
    read = [ReadPart(PartReading(found, readings), {})]
    if part is PartName.TAB and kind == "back_pocket":
        pocket = notes[PartName.POCKET]
        points = {name: (float(x), float(y), 1.0) for name, (x, y) in zip(POCKET_POINTS, pocket.keypoints, strict=True)}
        read.append(ReadPart(PartReading(FoundPart("p.jpg", PartName.POCKET, pocket.box, 0.9)), points))
    return Photo("p.jpg", view.draw(NumpyArrays())), read


def numbers(photo: Photo, read: list[ReadPart], of: ReferenceSheet | None = None) -> list[PartReading]:
    used = of or sheet()
    return with_numbers(photo, [one.reading for one in read], tabs_on_pockets(read, plan_of(used)), figures_of(used))


def measured(reading: PartReading, cue: str):
    return next(one.measured for one in reading.cues if one.cue == cue)


def with_stitches(per_inch: float) -> ReferenceSheet:
    pocket = sheet().pocket.model_copy(update={"stitches_per_inch": per_inch})
    return sheet().model_copy(update={"pocket": pocket})


@pytest.mark.parametrize("kind", ["tab", "back_pocket"])
@pytest.mark.parametrize("per_inch", [6, 8])
def test_the_stitches_that_were_drawn_are_counted_if_they_repeat_clearly(kind, per_inch):
    counts = []
    for seed in (1, 2, 3, 4):
        pair = replace(a_pair(seed=seed), sheet=with_stitches(per_inch))
        photo, read = shot(kind, pair, PartName.TAB, seed, tab_stitch_spacing=EVEN)
        counts.append(measured(numbers(photo, read)[0], "tab_stitch_spacing"))
    found = [count for count in counts if count is not None]
    assert len(found) >= 2
    for count in found:
        assert count.value == pytest.approx(per_inch, rel=0.1)
        assert abs(count.value - per_inch) < 2 * count.sigma


def test_a_row_that_the_network_finds_uneven_is_not_counted():
    even, uneven = (
        measured(
            numbers(*shot("tab", a_pair(seed=1), PartName.TAB, 1, tab_stitch_spacing=said))[0], "tab_stitch_spacing"
        )
        for said in (EVEN, {"even": 0.1, "uneven": 0.9})
    )
    assert even is not None
    assert uneven is None


def test_a_number_changes_nothing_that_was_read():
    photo, read = shot("tab", a_pair(seed=1), PartName.TAB, 1, tab_stitch_spacing=EVEN)
    (after,) = numbers(photo, read)
    assert all(cue.measured for cue in after.cues)
    assert tuple(replace(cue, measured=None) for cue in after.cues) == read[0].reading.cues
    assert (after.found, after.texts) == (read[0].reading.found, ())


def test_parts_on_which_no_such_cue_could_be_judged_stay_as_they_are():
    photo, read = shot("tab", a_pair(seed=4), PartName.TAB, tab_word={"full": 1.0})
    assert numbers(photo, read)[0] is read[0].reading


def test_a_box_at_the_photos_edge_or_as_large_as_the_photo_has_no_number():
    photo, read = shot("tab", a_pair(seed=4), PartName.TAB, tab_stitch_spacing=EVEN)
    width, height = photo.size_wh
    for box in (Box(0, 0, width, height), Box(0, 0, 2, 2), Box(width - 3, height - 9, 3, 9)):
        moved = replace(read[0].reading, found=replace(read[0].reading.found, box=box))
        assert all(cue.measured is None for cue in numbers(photo, [ReadPart(moved, {})])[0].cues)


def label(state: str) -> tuple[Photo, list[ReadPart]]:
    return shot("label", a_pair(seed=4, label_ground=state), PartName.LABEL, label_ground=TAN)


def test_the_ground_of_a_label_lies_near_the_sheets_or_far_from_it():
    near = measured(numbers(*label("tan"))[0], "label_ground")
    far = [measured(numbers(*label(state))[0], "label_ground") for state in ("dark", "white")]
    assert near.value < sheet().label.ground_lab_tolerance
    assert all(one.value > near.value + 2 * one.sigma for one in far)


def test_a_white_label_under_a_warm_lamp_is_not_called_near_the_sheets_tan():
    photo, read = label("white")
    yellow = Photo(photo.path, relit(photo.pixels, TUNGSTEN))
    assert measured(numbers(yellow, read)[0], "label_ground") is None
