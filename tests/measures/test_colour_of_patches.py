from __future__ import annotations

import numpy as np
import pytest

from pipeline.measures.colour import (
    apply_gains,
    balance_gains,
    ciede2000,
    lab_from_srgb,
    linear_from_srgb,
    rgb_from_hex,
    robust_colour,
    without_exposure,
)


def test_hex_is_read_as_red_green_blue():
    assert rgb_from_hex("#B9762F").tolist() == [0xB9, 0x76, 0x2F]


@pytest.mark.parametrize("text", ["B9762F", "#B9762", "#B9762G", "", "##B9762", "#+1+1+1"])
def test_what_is_no_colour_is_refused(text):
    with pytest.raises(ValueError, match="expected a colour such as"):
        rgb_from_hex(text)


def test_bytes_and_unit_floats_give_the_same_lab():
    rgb = np.array([[185, 118, 47], [0, 0, 0], [255, 255, 255]], dtype=np.uint8)
    np.testing.assert_allclose(lab_from_srgb(rgb), lab_from_srgb(rgb / 255.0))


def test_differences_broadcast_over_a_picture():
    picture = np.zeros((4, 5, 3))
    assert ciede2000(picture, np.array([50.0, 0, 0])).shape == (4, 5)


def test_a_patch_keeps_its_colour_under_glints_and_noise():
    rng = np.random.default_rng(0)
    patch = np.clip(np.array([120, 90, 60]) + rng.normal(0, 8, (40, 40, 3)), 0, 255).astype(np.uint8)
    patch[:3] = 255  # clipped glint
    patch[3:6] = 235  # bright, not clipped
    plain = lab_from_srgb(np.array([120, 90, 60], dtype=np.uint8))
    found = lab_from_srgb(patch.reshape(-1, 3).mean(axis=0).astype(np.uint8))
    robust = robust_colour(patch)
    from_light = np.median(ciede2000(plain, lab_from_srgb(_srgb(robust))))
    assert from_light < 1.5 < ciede2000(plain, found)


def _srgb(light):
    table = linear_from_srgb(np.arange(256, dtype=np.uint8)[:, None].repeat(3, axis=1))[:, 0]
    return np.array([np.abs(table - value).argmin() for value in light], dtype=np.uint8)


def test_only_masked_pixels_count():
    patch = np.full((10, 10, 3), 200, dtype=np.uint8)
    patch[:, :5] = 50
    mask = np.zeros((10, 10), dtype=bool)
    mask[:, :5] = True
    np.testing.assert_allclose(robust_colour(patch, mask), linear_from_srgb(np.full(3, 50, dtype=np.uint8)))


@pytest.mark.parametrize("value", [255, 0], ids=["burnt out", "black"])
def test_a_patch_without_usable_pixels_has_no_colour(value):
    assert robust_colour(np.full((20, 20, 3), value, dtype=np.uint8)) is None


def test_an_empty_mask_has_no_colour():
    assert robust_colour(np.full((9, 9, 3), 90, dtype=np.uint8), np.zeros((9, 9), dtype=bool)) is None


def test_gains_bring_the_reference_itself_home():
    true, seen = np.array([0.3, 0.2, 0.1]), np.array([0.2, 0.2, 0.125])
    np.testing.assert_allclose(apply_gains(seen, balance_gains(seen, true)), true)


def test_a_cast_too_strong_to_be_believed_is_only_undone_up_to_the_limit():
    true, seen = np.array([0.3, 0.2, 0.1]), np.array([0.03, 0.02, 0.9])
    gains = balance_gains(seen, true, limit=3)
    assert gains.max() == 3.0
    assert gains.min() == pytest.approx(1 / 3)


def test_no_gains_leave_colours_alone():
    light = np.random.default_rng(0).uniform(0, 1, (5, 3))
    np.testing.assert_allclose(apply_gains(light, np.ones(3)), light, atol=1e-12)


def test_a_colour_too_dark_to_trust_gives_no_gains():
    assert balance_gains([0.002, 0.001, 0.001], [0.3, 0.2, 0.1]) is None
    assert balance_gains([0.3, 0.2, 0.1], [0.0, 0.0, 0.0]) is None


def test_a_limit_below_one_is_refused():
    with pytest.raises(ValueError, match="at least 1"):
        balance_gains([0.3, 0.2, 0.1], [0.3, 0.2, 0.1], limit=0.5)


def test_gains_without_exposure_leave_the_luminance_of_grey():
    gains = without_exposure([1.5, 1.0, 0.75])
    grey = apply_gains(np.full(3, 0.4), gains)
    assert grey @ [0.2126, 0.7152, 0.0722] == pytest.approx(0.4)
    np.testing.assert_allclose(gains / gains[1], [1.5, 1, 0.75])
