"""A ribbon drawn as a polygon with scikit-image, and its box worked out from its corners."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.draw import polygon

from pipeline.domain import Box
from pipeline.measures.colour import lab_from_srgb
from pipeline.measures.ribbon import seams_beside

DENIM, TEAL, LETTERS = (52, 66, 98), (31, 94, 87), (242, 237, 224)
SIZE_MM = (8.0, 21.0)
TEAL_LAB = lab_from_srgb(np.array(TEAL, dtype=np.uint8))


def draw_ribbon(degrees, px_per_mm=9.0, ground=TEAL):
    """A photo with a lettered ribbon in its middle; the photo, its box and its four corners, (4, 2) px."""
    rng = np.random.default_rng(0)
    photo = np.full((420, 420, 3), DENIM, dtype=float)
    along = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])
    across = np.array([-along[1], along[0]])
    stands_out, length = (side * px_per_mm / 2 for side in SIZE_MM)

    def corners(long, wide):
        return np.array([210 + a * long * along + b * wide * across for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))])

    outline = corners(length, stands_out)
    for points, colour in ((outline, ground), (corners(0.75 * length, 0.25 * stands_out), LETTERS)):
        photo[polygon(points[:, 1], points[:, 0])] = colour
    photo = np.clip(photo + rng.normal(0, 6, photo.shape), 0, 255).astype(np.uint8)
    (left, top), (right, bottom) = outline.min(axis=0), outline.max(axis=0)
    return photo, Box(left, top, right - left, bottom - top), outline


@pytest.mark.parametrize("degrees", [0, 8, 45, 75, 90, 100, 150])
def test_the_ribbons_long_sides_are_where_it_may_be_sewn_in(degrees):
    photo, box, outline = draw_ribbon(degrees)
    seams = seams_beside(photo, box, SIZE_MM, TEAL_LAB)
    assert len(seams) == 2
    sides = [{0, 1}, {2, 3}]
    for seam in seams:
        assert seam.px_per_mm == pytest.approx(9.0, rel=0.03)
        ends = [int(np.argmin(np.linalg.norm(outline - np.array(end), axis=1))) for end in (seam.top, seam.bottom)]
        sides.remove(set(ends))  # each long side once
        for end, corner in zip((seam.top, seam.bottom), ends, strict=True):
            assert np.linalg.norm(outline[corner] - np.array(end)) < 9  # a millimetre
        inside = np.array(seam.onto_pocket) - (np.array(seam.top) + np.array(seam.bottom)) / 2
        assert inside @ (np.array([210, 210]) - np.array(seam.top)) < 0  # the pocket lies away from the ribbon


def test_a_ribbon_in_the_cloths_own_colour_has_no_direction():
    photo, box, _ = draw_ribbon(20, ground=DENIM)
    assert seams_beside(photo, box, SIZE_MM, np.array([30.0, 0.0, -20.0])) == ()


def test_a_ribbon_that_the_photo_cuts_off_is_not_measured():
    photo, box, _ = draw_ribbon(90)
    half = Box(box.x, box.y, box.w, box.h / 2)
    assert seams_beside(photo[: int(box.y + box.h / 2)], half, SIZE_MM, TEAL_LAB) == ()
