"""Strips are drawn here with scikit-image, six times oversampled; the measure knows nothing of it."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.draw import ellipse
from skimage.filters import gaussian
from skimage.transform import downscale_local_mean, rotate

from pipeline.measures.colour import ciede2000, lab_from_linear, lab_from_srgb, linear_from_srgb
from pipeline.measures.stitches import measure_stitches, thread_colour, thread_difference

DENIM, TOBACCO, RED = (52, 66, 98), (185, 118, 47), (170, 40, 40)


def draw_strip(rng, *, per_inch=8.0, px_per_mm=3.0, jitter=0.0, wander_mm=0.0, skip_after=None, lean_mm=1.5,
               thread=TOBACCO, cloth=DENIM, length_mm=60, height_mm=9, noise=10.0):  # fmt: skip
    """A row of dashes from hole to hole on noisy cloth; returns the picture and where the stitches' middles are, mm."""
    fine, spacing = 6 * px_per_mm, 25.4 / per_inch
    shape = int(height_mm * px_per_mm) * 6, int(length_mm * px_per_mm) * 6
    picture = np.full((*shape, 3), cloth, dtype=float)
    hole, middles, phase = 0.3 * spacing, [], rng.uniform(0, 6)
    while True:
        stitch = spacing * max(0.5, 1 + jitter * rng.normal())
        if hole + stitch > length_mm:
            break
        x = hole + stitch / 2
        y = height_mm / 2 + lean_mm * (x / length_mm - 0.5) + wander_mm * np.sqrt(2) * np.sin(x / 7 + phase)
        dash = ellipse(y * fine, x * fine, 0.32 * fine, (stitch - 0.55) / 2 * fine, shape=shape)
        picture[dash] = np.array(thread) + rng.normal(0, 8)
        middles.append((x, y))
        hole += stitch + (1.2 * spacing if skip_after == len(middles) else 0)
    picture = downscale_local_mean(picture, (6, 6, 1))
    twill = gaussian(rng.normal(size=picture.shape[:2]), 0.35 * px_per_mm)
    picture = gaussian(picture + (noise * twill / twill.std())[..., None], 0.6, channel_axis=2)
    picture += rng.normal(0, noise / 3, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8), np.array(middles)


@pytest.mark.parametrize("px_per_mm", [2.0, 3.0, 5.0])
@pytest.mark.parametrize("per_inch", [6, 8, 10])
def test_even_stitches_are_counted_to_the_inch(per_inch, px_per_mm):
    for seed in range(3):
        strip, _ = draw_strip(np.random.default_rng(seed), per_inch=per_inch, px_per_mm=px_per_mm)
        row = measure_stitches(strip, px_per_mm)
        assert row.per_inch.value == pytest.approx(per_inch, rel=0.02)
        assert row.spacing_variation < 0.06
        assert row.largest_gap < 1.15
        assert row.wander_mm < 0.1


def test_a_wrong_scale_lies_within_the_stated_uncertainty():
    strip, _ = draw_strip(np.random.default_rng(0), per_inch=8, px_per_mm=3.0)
    row = measure_stitches(strip, 3.0 * 1.05, scale_sigma=0.05)
    assert abs(row.per_inch.value - 8) < 2 * row.per_inch.sigma
    assert row.per_inch.sigma == pytest.approx(0.05 * 8, rel=0.15)


@pytest.mark.parametrize("seed", range(3))
def test_uneven_spacing_shows_as_its_own_variation(seed):
    strip, middles = draw_strip(np.random.default_rng(seed), jitter=0.18, px_per_mm=5.0)
    gaps = np.diff(middles[:, 0])
    row = measure_stitches(strip, 5.0)
    assert row.spacing_variation == pytest.approx(gaps.std(ddof=1) / gaps.mean(), abs=0.03)
    assert row.spacing_variation > 0.07


@pytest.mark.parametrize("px_per_mm", [2.0, 4.0])
def test_a_gap_shows_as_the_largest_spacing(px_per_mm):
    strip, middles = draw_strip(np.random.default_rng(1), skip_after=6, px_per_mm=px_per_mm)
    gaps = np.diff(middles[:, 0])
    assert measure_stitches(strip, px_per_mm).largest_gap == pytest.approx(gaps.max() / np.median(gaps), abs=0.15)


@pytest.mark.parametrize("wander_mm", [0.3, 0.6])
def test_a_wandering_line_is_measured_in_mm(wander_mm):
    strip, middles = draw_strip(np.random.default_rng(2), wander_mm=wander_mm, px_per_mm=3.0)
    off = middles[:, 1] - np.polyval(np.polyfit(*middles.T, 1), middles[:, 0])
    assert measure_stitches(strip, 3.0).wander_mm == pytest.approx(np.sqrt((off**2).mean()), abs=0.08)


def test_a_leaning_row_is_no_wandering_one():
    strip, _ = draw_strip(np.random.default_rng(3), lean_mm=4.0)
    row = measure_stitches(strip, 3.0)
    assert row.wander_mm < 0.1
    assert row.per_inch.value == pytest.approx(8, rel=0.02)


def test_knowing_the_thread_finds_it_beside_a_stronger_row_in_another():
    rng = np.random.default_rng(4)
    ours, _ = draw_strip(rng, per_inch=8, thread=(150, 104, 55))
    other, _ = draw_strip(rng, per_inch=11, thread=(60, 200, 120))
    both = np.vstack([other, ours])
    assert measure_stitches(both, 3.0).per_inch.value == pytest.approx(11, rel=0.03)
    row = measure_stitches(both, 3.0, thread_srgb=np.array(TOBACCO, dtype=np.uint8))
    assert row.per_inch.value == pytest.approx(8, rel=0.03)


@pytest.mark.parametrize(
    ("options", "px_per_mm"),
    [({"thread": DENIM}, 3.0), ({"px_per_mm": 0.6}, 0.6), ({"per_inch": 10, "px_per_mm": 1.4}, 1.4)],
    ids=["no thread but cloth", "far too small", "too small for so many stitches"],
)
def test_what_cannot_be_told_apart_is_not_measured(options, px_per_mm):
    for seed in range(3):
        strip, _ = draw_strip(np.random.default_rng(seed), **options)
        assert measure_stitches(strip, px_per_mm) is None


def test_a_plain_stripe_is_no_row_of_stitches():
    rng = np.random.default_rng(5)
    stripe = np.full((27, 180, 3), DENIM, dtype=float)
    stripe[12:15] = TOBACCO
    stripe = np.clip(stripe + rng.normal(0, 6, stripe.shape), 0, 255).astype(np.uint8)
    assert measure_stitches(stripe, 3.0) is None


def test_a_blurred_row_is_not_measured():
    strip, _ = draw_strip(np.random.default_rng(6), px_per_mm=3.0)
    smeared = gaussian(strip, (0, 9, 0), preserve_range=True).astype(np.uint8)
    assert measure_stitches(smeared, 3.0) is None


def test_a_row_turned_across_the_strip_is_not_measured_as_one():
    strip, _ = draw_strip(np.random.default_rng(7), px_per_mm=3.0, height_mm=60)
    across = rotate(strip, 90, preserve_range=True).astype(np.uint8)
    assert measure_stitches(across, 3.0) is None


def test_wrong_input_is_refused():
    with pytest.raises(ValueError, match="positive scale"):
        measure_stitches(np.zeros((10, 50, 3), dtype=np.uint8), 0.0)
    with pytest.raises(ValueError, match=r"shape \(height, width, 3\)"):
        measure_stitches(np.zeros((10, 50), dtype=np.uint8), 3.0)


@pytest.mark.parametrize("thread", [TOBACCO, RED, (225, 220, 210)], ids=["tobacco", "red", "ecru"])
def test_the_threads_colour_is_read_off_the_strip(thread):
    strip, _ = draw_strip(np.random.default_rng(8), thread=thread, px_per_mm=6.0, noise=6)
    expected = lab_from_srgb(np.array(thread, dtype=np.uint8))
    assert ciede2000(lab_from_linear(thread_colour(strip)), expected) < 6


def test_plain_cloth_has_no_thread_colour():
    strip, _ = draw_strip(np.random.default_rng(9), thread=DENIM)
    assert thread_colour(strip) is None


def test_another_thread_differs_and_the_same_one_does_not():
    rng = np.random.default_rng(10)
    pocket, same, other = (
        thread_colour(draw_strip(rng, thread=thread, px_per_mm=4.0)[0]) for thread in (TOBACCO, TOBACCO, RED)
    )
    alike, unlike = thread_difference(same, pocket), thread_difference(other, pocket)
    assert alike.value < 3 * alike.sigma
    assert unlike.value > 5 * unlike.sigma
    assert unlike.unit == "dE00"


def test_a_shared_cast_is_taken_off_both_threads():
    tab, pocket = linear_from_srgb(np.array([TOBACCO, RED], dtype=np.uint8))
    plain = thread_difference(tab, pocket).value
    assert thread_difference(tab, pocket, gains=np.ones(3)).value == pytest.approx(plain)
    assert thread_difference(tab, pocket, gains=np.array([1.4, 1.0, 0.6])).value != pytest.approx(plain, rel=0.01)
