from __future__ import annotations

import numpy as np
import pytest
from skimage.draw import rectangle

from pipeline.measures.colour import balance_gains, ciede2000, lab_from_srgb, linear_from_srgb, srgb_from_linear
from pipeline.measures.label import (
    artwork_rating,
    ground_colour,
    ground_difference,
    print_colour,
    rules_out_a_warm_lamp,
)

TAN, ARTWORK = np.array([0xB9, 0x8B, 0x57]), np.array([0x7A, 0x4E, 0x2A])
TAN_LAB, ARTWORK_LAB = (lab_from_srgb(rgb.astype(np.uint8)) for rgb in (TAN, ARTWORK))


def draw_label(rng, *, ground=TAN, artwork=ARTWORK, fade=0.0, light=(1.0, 1.0, 1.0)):
    """A ground with bars of print; `fade` 0..1 takes the print towards the ground."""
    label = np.full((120, 180, 3), ground, dtype=float)
    for at in range(20, 160, 14):
        label[rectangle((30, at), (60, at + 6))] = artwork + fade * (np.asarray(ground) - artwork)
    label = np.clip(label + rng.normal(0, 4, label.shape), 0, 255) / 255
    seen = srgb_from_linear(np.clip(linear_from_srgb(label) * light, 0, 1))
    return np.rint(seen * 255).astype(np.uint8)


def rating(label, gains=None):
    ground = ground_colour(label, gains=gains)
    printed = print_colour(label, ground, TAN_LAB, ARTWORK_LAB, gains)
    return artwork_rating(ground, printed, TAN_LAB, ARTWORK_LAB)


def test_the_ground_is_read_through_the_print():
    ground = ground_colour(draw_label(np.random.default_rng(0)))
    assert ciede2000(ground, TAN_LAB) < 1


@pytest.mark.parametrize(
    ("ground", "low", "high"), [(TAN, 0, 3), ((60, 42, 30), 20, 60), ((236, 234, 228), 20, 60)],
    ids=["tan", "dark", "white"],
)  # fmt: skip
def test_other_grounds_lie_far_from_the_sheets(ground, low, high):
    seen = ground_colour(draw_label(np.random.default_rng(1), ground=ground))
    assert low <= ground_difference(seen, TAN_LAB, is_balanced=True).value <= high


def test_balancing_brings_a_tan_label_under_a_yellow_lamp_nearer_home():
    # This lamp acts on red, green and blue, not on cones as the correction has it, so that something is left over.
    lamp = (1.1, 0.9, 0.55)
    label = draw_label(np.random.default_rng(2), light=lamp)
    tag = np.array([0xF4, 0xF2, 0xEC]) / 255.0
    gains = balance_gains(linear_from_srgb(tag) * lamp, linear_from_srgb(tag))
    before, after = ground_colour(label), ground_colour(label, gains=gains)
    assert ciede2000(before, TAN_LAB) > 4
    assert ciede2000(after, TAN_LAB) < 0.65 * ciede2000(before, TAN_LAB)


def test_without_balance_the_ground_is_less_certain():
    assert ground_difference(TAN_LAB, TAN_LAB, False).sigma > ground_difference(TAN_LAB, TAN_LAB, True).sigma


def test_denim_that_looks_blue_rules_a_warm_lamp_out_and_brownish_or_grey_cloth_does_not():
    denim, black = linear_from_srgb(np.array([[52, 66, 98], [40, 40, 42]], dtype=np.uint8))
    tungsten = (1.7, 0.95, 0.35)  # about what CIE A does to a camera that keeps its daylight balance
    assert rules_out_a_warm_lamp(denim)
    assert not rules_out_a_warm_lamp(denim * tungsten)
    assert not rules_out_a_warm_lamp(black)


def test_a_darker_photo_moves_the_difference_less_than_another_ground_does():
    # A stop more or less is what a phone's meter errs by (common practice).
    dim_lab = ground_colour(draw_label(np.random.default_rng(6), light=(0.5, 0.5, 0.5)))
    dark_lab = ground_colour(draw_label(np.random.default_rng(6), ground=(60, 42, 30)))
    dim, dark = (ground_difference(lab, TAN_LAB, is_balanced=False).value for lab in (dim_lab, dark_lab))
    assert dark > 2 * dim


def test_unfaded_artwork_rates_near_five_and_fading_lowers_it_step_by_step():
    ratings = [rating(draw_label(np.random.default_rng(3), fade=fade)).value for fade in (0.0, 0.2, 0.4, 0.6)]
    assert ratings[0] > 4.0
    assert ratings == sorted(ratings, reverse=True)
    assert ratings[0] - ratings[-1] > 1.5


def test_a_dimmer_photo_hardly_changes_the_rating():
    # Contrast with the ground is what counts: both get darker together.
    bright = rating(draw_label(np.random.default_rng(4))).value
    dim = rating(draw_label(np.random.default_rng(4), light=(0.85, 0.85, 0.85))).value
    assert dim == pytest.approx(bright, abs=1.0)


def test_a_label_without_print_has_no_print_colour():
    plain = draw_label(np.random.default_rng(5), artwork=TAN)
    printed = print_colour(plain, ground_colour(plain), TAN_LAB, ARTWORK_LAB)
    assert printed is None or artwork_rating(TAN_LAB, printed, TAN_LAB, ARTWORK_LAB).value < 2.0


def test_a_burnt_out_label_has_no_ground_colour():
    assert ground_colour(np.full((40, 60, 3), 255, dtype=np.uint8)) is None
