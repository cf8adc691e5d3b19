"""Stitches to the inch, on seams that `tests.measures.seams` draws."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.transform import rotate

from pipeline.measures.seam_stitches import stitches_per_inch
from pipeline.measures.seam_strip import Seam, seam_strip
from tests.measures.seams import DENIM, draw_seam, seam_of


@pytest.mark.parametrize("px_per_mm", [4.0, 6.0])
@pytest.mark.parametrize("per_inch", [6, 8, 10])
def test_stitches_that_touch_each_other_are_counted_to_the_inch(per_inch, px_per_mm):
    for seed in range(3):
        photo = draw_seam(np.random.default_rng(seed), per_inch=per_inch, px_per_mm=px_per_mm)
        count = stitches_per_inch(seam_strip(photo, seam_of(px_per_mm)))
        assert count.value == pytest.approx(per_inch, rel=0.05)
        assert count.unit == "stitches per inch"


def test_a_wrong_scale_lies_within_the_stated_uncertainty():
    photo = draw_seam(np.random.default_rng(0))
    seam = seam_of(px_per_mm=5.0, scale_sigma=0.06)
    wrong = Seam(seam.top, seam.bottom, seam.onto_pocket, 5.0 * 1.06, 0.06, seam.tab_mm)
    count = stitches_per_inch(seam_strip(photo, wrong))
    assert abs(count.value - 8) < 2 * count.sigma
    assert count.sigma > 0.06 * 8


@pytest.mark.parametrize("degrees", [25, 90, 180])
def test_a_turned_photo_counts_the_same(degrees):
    photo = draw_seam(np.random.default_rng(1))
    height, width = photo.shape[:2]
    turned = (255 * rotate(photo, degrees, resize=True)).astype(np.uint8)
    turn = np.radians(degrees)
    about, new = np.array([width, height]) / 2, np.array(turned.shape[1::-1]) / 2

    def moved(point):
        x, y = np.array(point) - about
        return new[0] + x * np.cos(turn) + y * np.sin(turn), new[1] - x * np.sin(turn) + y * np.cos(turn)

    seam = seam_of()
    there = Seam(moved(seam.top), moved(seam.bottom), moved(seam.onto_pocket), 5.0, 0.02, seam.tab_mm)
    straight, slanted = (stitches_per_inch(seam_strip(*pair)) for pair in ((photo, seam), (turned, there)))
    assert slanted.value == pytest.approx(straight.value, rel=0.02)


def test_stitches_too_fine_to_be_told_apart_have_no_count():
    for seed in range(5):
        photo = draw_seam(np.random.default_rng(seed), per_inch=30)
        assert stitches_per_inch(seam_strip(photo, seam_of())) is None


@pytest.mark.parametrize(
    ("photo", "seam"),
    [
        (draw_seam(np.random.default_rng(2), thread=DENIM), seam_of()),
        (draw_seam(np.random.default_rng(2), px_per_mm=1.5), seam_of(1.5)),
        (draw_seam(np.random.default_rng(2)), seam_of(onto_pocket=-1)),
        (draw_seam(np.random.default_rng(2))[:, 240:], seam_of()),
    ],
    ids=["no thread but cloth", "far too small", "the side without stitches", "cut off by the photo's edge"],
)
def test_no_strip_is_made_where_there_is_nothing_to_measure(photo, seam):
    assert seam_strip(photo, seam) is None


def test_a_panorama_wider_than_opencv_can_warp_is_measured_like_any_photo():
    photo = draw_seam(np.random.default_rng(3))
    wide = np.zeros((photo.shape[0], 40_000, 3), np.uint8)
    wide[:, 35_000 : 35_000 + photo.shape[1]] = photo
    seam = seam_of()
    there = Seam(*((x + 35_000, y) for x, y in (seam.top, seam.bottom, seam.onto_pocket)), 5.0, 0.02, seam.tab_mm)
    near, far = (stitches_per_inch(seam_strip(*pair)) for pair in ((photo, seam), (wide, there)))
    assert far.value == pytest.approx(near.value, rel=1e-3)


def test_a_seam_outside_the_photo_has_no_strip():
    photo = draw_seam(np.random.default_rng(3))
    for away in (-3000, 3000):
        seam = Seam((10.0 + away, 20.0), (115.0 + away, 20.0), (60.0 + away, 60.0), 5.0, 0.02, 21.0)
        assert seam_strip(photo, seam) is None


def test_a_seam_without_a_size_is_refused():
    with pytest.raises(ValueError, match="positive scale"):
        Seam((0, 0), (10, 0), (5, 5), 0.0, 0.02, 21.0)
