"""The colour of the light from a photo, and what is done about it."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measures.colour import srgb_from_linear
from pipeline.measures.white_balance import (
    GREY_EDGE,
    GREY_WORLD,
    SHADES_OF_GREY,
    Assumption,
    beyond_denim,
    light_colour,
    relit,
    to_daylight,
)

LUMINANCE = np.array([0.2126, 0.7152, 0.0722])  # IEC 61966-2-1
TUNGSTEN = np.array([1.9, 0.85, 0.3])


def photo_of(linear: np.ndarray) -> np.ndarray:
    return np.round(255 * np.clip(srgb_from_linear(linear), 0, 1)).astype(np.uint8)


def grey_things(seed: int = 0) -> np.ndarray:
    """Smooth grey blotches, linear light, (120, 160, 1)."""
    coarse = np.random.default_rng(seed).uniform(0.05, 0.4, (12, 16))
    return np.kron(coarse, np.ones((10, 10)))[..., None]


def angle(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.degrees(np.arccos(a @ b / np.linalg.norm(a) / np.linalg.norm(b))))


@pytest.mark.parametrize("assumption", [GREY_WORLD, SHADES_OF_GREY, GREY_EDGE], ids=["world", "shades", "edge"])
def test_the_light_on_grey_things_is_found(assumption):
    light = light_colour(photo_of(grey_things() * TUNGSTEN), assumption)
    assert angle(light, TUNGSTEN) < 0.5
    assert light @ LUMINANCE == pytest.approx(1)


def test_a_cloth_that_fills_the_photo_is_taken_for_the_light_by_its_mean_but_not_by_its_grey_edges():
    # Plain blue cloth with a few grey things on it: the mean is blue, every edge between the grey things is grey.
    linear = np.broadcast_to([0.05, 0.08, 0.2], (120, 160, 3)).copy()
    linear[:60, :80] = grey_things()[:60, :80]
    linear[57:63, :] = linear[:, 77:83] = 0.1
    photo = photo_of(linear)
    assert angle(light_colour(photo, GREY_WORLD), np.ones(3)) > 12
    assert angle(light_colour(photo, Assumption(1, 1)), np.ones(3)) < 6


def test_burnt_out_places_do_not_count():
    linear = grey_things() * TUNGSTEN
    linear[30:60, 30:60] = 1.0
    assert angle(light_colour(photo_of(linear), SHADES_OF_GREY), TUNGSTEN) < 0.5
    assert angle(light_colour(photo_of(linear), GREY_EDGE), TUNGSTEN) < 0.5


@pytest.mark.parametrize("value", [0, 255], ids=["black", "burnt out"])
@pytest.mark.parametrize("assumption", [GREY_WORLD, GREY_EDGE], ids=["world", "edge"])
def test_a_photo_that_shows_nothing_has_no_light(value, assumption):
    assert light_colour(np.full((40, 40, 3), value, np.uint8), assumption) is None


def test_a_plain_photo_has_no_edges_to_tell_the_light():
    assert light_colour(np.full((40, 40, 3), (90, 100, 140), np.uint8), GREY_EDGE) is None


@pytest.mark.parametrize("wrong", [(2, 1, 0), (0, 0.5, 0), (0, 1, -1)], ids=["derivative", "norm", "blur"])
def test_an_assumption_outside_the_formula_is_refused(wrong):
    with pytest.raises(ValueError, match="derivative 0 or 1"):
        Assumption(*wrong)


@pytest.mark.parametrize("usual", [(1, 1, 1), (0.7, 0.9, 1.6), (1.4, 0.9, 0.6)], ids=["grey", "denim", "wood"])
def test_what_denim_explains_is_left_alone(usual):
    np.testing.assert_allclose(beyond_denim(usual), np.ones(3), atol=1e-9)


def test_of_a_stronger_cast_only_what_denim_does_not_explain_is_believed():
    light = np.array([2.0, 0.9, 0.3])
    rest = beyond_denim(light)
    assert np.log(rest[0] / rest[2]) == pytest.approx(np.log(2.0 / 0.3) - 1.1)
    assert rest[1] ** 2 / (rest[0] * rest[2]) == pytest.approx(1)  # green was within its own bounds
    green = beyond_denim([0.5, 1.5, 0.5])
    assert np.log(green[1] / green[0]) == pytest.approx(np.log(3) - 0.5)


def test_turning_a_light_white_turns_grey_things_grey_and_keeps_their_brightness():
    grey = grey_things()
    seen = photo_of(grey * TUNGSTEN / (LUMINANCE @ TUNGSTEN))
    back = relit(seen, to_daylight(TUNGSTEN)).astype(float)
    assert np.abs(back - photo_of(grey.repeat(3, 2))).max() <= 3  # of 255: steps of 8 bits in the dark blue


def test_a_white_light_changes_no_pixel():
    every = np.arange(256, dtype=np.uint8)[:, None].repeat(3, axis=1)
    np.testing.assert_array_equal(relit(every, np.eye(3)), every)
    np.testing.assert_array_equal(relit(every, to_daylight(np.ones(3))), every)


def test_a_light_without_any_blue_is_not_undone():
    np.testing.assert_array_equal(to_daylight([1.0, 0.3, -0.1]), np.eye(3))


def test_what_gets_too_bright_burns_out():
    assert relit(np.array([[200, 200, 200]], np.uint8), 3 * np.eye(3)).tolist() == [[255, 255, 255]]
