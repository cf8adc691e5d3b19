"""The camera here is OpenCV's pinhole; the measure knows nothing of it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pipeline.domain import Measurement
from pipeline.measures.pocket_position import (
    CORNERS,
    SEAM_POINTS,
    PocketPlan,
    fit_pocket,
    position_likelihood,
    tab_position,
)

PLAN = PocketPlan(width_top=160, width_bottom=135, height=175, tab_top=32, tab_length=21, tab_tolerance=3)
ALL = CORNERS + SEAM_POINTS


def photograph(tab_top_mm, rng, *, sigma_px=1.0, tilt_deg=30.0, side_mm=150.0, tab_mm=21.0, names=ALL):
    """Keypoints of a flat pocket seen by a pinhole camera half a metre away."""
    down = np.array([-12.5, side_mm]) / np.hypot(12.5, side_mm)
    flat = {
        "top_left": (-80, 0), "top_right": (80, 0), "bottom_right": (67.5, side_mm), "bottom_tip": (0, 175),
        "bottom_left": (-67.5, side_mm),
        "tab_top": np.array([80, 0]) + tab_top_mm * down,
        "tab_bottom": np.array([80, 0]) + (tab_top_mm + tab_mm) * down,
    }  # fmt: skip
    lean, spin = rng.uniform(0, 2 * np.pi), rng.uniform(-0.5, 0.5)
    tilt = cv2.Rodrigues(np.radians(tilt_deg) * np.array([np.cos(lean), np.sin(lean), 0]))[0]
    turn = cv2.Rodrigues(tilt @ cv2.Rodrigues(np.array([0, 0, spin]))[0])[0]
    camera = np.array([[1400, 0, 700], [0, 1400, 900], [0, 0, 1.0]])
    points = np.array([[*flat[name], 0.0] for name in names])
    xy = cv2.projectPoints(points, turn, np.array([0.0, -80, 500]), camera, None)[0][:, 0]
    xy = xy + rng.normal(0, sigma_px, xy.shape)
    return {name: (float(x), float(y), sigma_px) for name, (x, y) in zip(names, xy, strict=True)}


def test_the_tab_is_measured_within_half_a_millimetre_when_the_whole_pocket_is_seen_sharply():
    rng = np.random.default_rng(0)
    errors = [tab_position(photograph(at, rng, sigma_px=0.5), PLAN).value - at for at in np.linspace(12, 52, 40)]
    assert np.median(np.abs(errors)) < 0.5


@pytest.mark.parametrize(
    ("missing", "median_mm"),
    [
        ((), 0.6),
        (("bottom_tip",), 1.5),
        (("top_left",), 2.0),
        (("top_left", "bottom_left"), 2.0),
        (("bottom_right", "bottom_tip", "bottom_left"), 2.0),
        (("top_left", "bottom_right", "bottom_tip", "bottom_left"), 2.5),
        (("tab_bottom",), 0.8),
    ],
    ids=["none", "tip", "left top", "left side", "lower half", "all but the near corner", "tab's lower edge"],
)
def test_the_stated_uncertainty_covers_the_error_with_corners_missing(missing, median_mm):
    rng = np.random.default_rng(1)
    names = tuple(name for name in ALL if name not in missing)
    scores, errors = [], []
    for _ in range(60):
        at, side, tab = rng.uniform(15, 50), rng.normal(150, 6), rng.normal(21, 0.5)
        seen = photograph(at, rng, sigma_px=1.5, tilt_deg=rng.uniform(0, 35), side_mm=side, tab_mm=tab, names=names)
        found = tab_position(seen, PLAN)
        errors.append(found.value - at)
        scores.append(errors[-1] / found.sigma)
    assert np.median(np.abs(errors)) < median_mm
    assert 0.3 < np.sqrt(np.mean(np.square(scores))) < 1.4  # 1 would be a perfectly told uncertainty


def test_fewer_corners_and_vaguer_ones_are_less_certain():
    sharp = tab_position(photograph(32, np.random.default_rng(2)), PLAN)
    vague = tab_position(photograph(32, np.random.default_rng(2), sigma_px=5), PLAN)
    three = ("top_right", "bottom_right", "bottom_tip", *SEAM_POINTS)
    few = tab_position(photograph(32, np.random.default_rng(2), names=three), PLAN)
    assert sharp.sigma < vague.sigma
    assert sharp.sigma < few.sigma


@pytest.mark.parametrize("missing", [(), ("bottom_right", "bottom_left")], ids=["none", "side corners"])
def test_a_mirrored_photo_measures_the_same(missing):
    names = tuple(name for name in ALL if name not in missing)
    for seed in range(60):
        seen = photograph(40, np.random.default_rng(seed), names=names, tilt_deg=20)
        mirrored = {name: (-x, y, sigma) for name, (x, y, sigma) in seen.items()}
        assert tab_position(mirrored, PLAN).value == pytest.approx(tab_position(seen, PLAN).value, abs=0.05)


def test_a_tab_of_unusual_length_does_not_pull_its_own_position():
    usual = tab_position(photograph(32, np.random.default_rng(8), sigma_px=0.5), PLAN)
    longer = tab_position(photograph(32, np.random.default_rng(8), sigma_px=0.5, tab_mm=24), PLAN)
    assert longer.value == pytest.approx(usual.value, abs=0.4)
    assert longer.sigma < 2 * usual.sigma


def test_points_that_fit_worse_than_they_claim_are_less_certain():
    boasting, honest = [], []
    for seed in range(10):
        seen = photograph(32, np.random.default_rng(seed), sigma_px=4.0)
        boasting.append(tab_position({name: (x, y, 0.5) for name, (x, y, _) in seen.items()}, PLAN).sigma)
        honest.append(tab_position(photograph(32, np.random.default_rng(seed), sigma_px=0.5), PLAN).sigma)
    assert np.mean(boasting) > 1.5 * np.mean(honest)


def test_turning_and_scaling_the_photo_changes_nothing():
    seen = photograph(40, np.random.default_rng(5))
    turned = {name: (-2 * y, 2 * x, 2 * sigma) for name, (x, y, sigma) in seen.items()}
    assert tab_position(turned, PLAN).value == pytest.approx(tab_position(seen, PLAN).value, abs=0.02)


@pytest.mark.parametrize(
    "names",
    [(), CORNERS, SEAM_POINTS, ("top_left", *SEAM_POINTS), ("top_left", "top_right", "tab_top")],
    ids=["nothing", "no tab", "no pocket", "one far corner", "no tab length and two corners"],
)
def test_too_little_in_view_gives_no_measurement(names):
    seen = photograph(32, np.random.default_rng(6), names=names) if names else {}
    assert tab_position(seen, PLAN) is None


def test_two_corners_that_do_not_fix_the_seam_give_no_measurement():
    names = ("top_left", "bottom_tip", *SEAM_POINTS)
    assert tab_position(photograph(32, np.random.default_rng(6), names=names), PLAN) is None


def test_points_that_are_no_pocket_give_no_measurement():
    rng = np.random.default_rng(7)
    scattered = {name: (*rng.uniform(0, 1000, 2), 1.0) for name in ALL}
    assert tab_position(scattered, PLAN) is None


def test_all_points_in_one_place_give_no_measurement():
    assert tab_position(dict.fromkeys(ALL, (10.0, 10.0, 1.0)), PLAN) is None


def test_unknown_names_and_bad_sigmas_are_refused():
    with pytest.raises(ValueError, match="unknown keypoints"):
        tab_position({"left_knee": (0, 0, 1)}, PLAN)
    with pytest.raises(ValueError, match="positive sigma"):
        tab_position({"top_left": (0, 0, 0)}, PLAN)
    with pytest.raises(ValueError, match="positive lengths"):
        PocketPlan(160, 135, 0, 32, 21, 3)


@pytest.mark.parametrize(
    ("value", "sigma", "low", "high"),
    [(32, 0.6, 0.9, 1.0), (33.5, 0.6, 0.8, 1.0), (42, 1.0, 0.0, 0.02), (20, 1.0, 0.0, 0.02), (32, 12, 0.5, 0.75)],
    ids=["right on", "within the tolerance", "a centimetre low", "over a centimetre high", "hardly measured"],
)
def test_likelihood_follows_the_tolerance(value, sigma, low, high):
    likelihood = position_likelihood(Measurement(value, sigma, "mm"), PLAN)
    assert low <= likelihood["in_place"] <= high
    assert sum(likelihood.values()) == pytest.approx(1)


def test_a_less_certain_measurement_says_less():
    def log_ratio(value, sigma):
        likelihood = position_likelihood(Measurement(value, sigma, "mm"), PLAN)
        return abs(np.log(likelihood["in_place"] / likelihood["off"]))

    for value in (32.0, 44.0):
        ratios = [log_ratio(value, sigma) for sigma in (0.5, 1, 2, 4, 8)]
        assert ratios == sorted(ratios, reverse=True)


def test_a_value_far_outside_all_pockets_still_gives_a_distribution():
    likelihood = position_likelihood(Measurement(500, 0.5, "mm"), PLAN)
    assert likelihood["in_place"] == pytest.approx(0.5, abs=0.01)


def test_the_scale_along_the_tabs_seam_is_that_of_the_camera_within_its_uncertainty():
    rng = np.random.default_rng(9)
    errors, scores = [], []
    for _ in range(30):
        at = rng.uniform(15, 50)
        true = photograph(at, np.random.default_rng(0), sigma_px=1e-6, tilt_deg=0)
        seen = photograph(at, np.random.default_rng(0), sigma_px=1.0, tilt_deg=0)
        ends = np.array([true[name][:2] for name in SEAM_POINTS])
        seam = fit_pocket(seen, PLAN).seam()
        scale = np.hypot(*(ends[1] - ends[0])) / PLAN.tab_length
        errors.append(seam.px_per_mm / scale - 1)
        scores.append(errors[-1] / seam.scale_sigma)
        assert np.hypot(*(np.array(seam.top) - ends[0])) < 8
        assert np.hypot(*(np.array(seam.bottom) - ends[1])) < 8
    assert np.median(np.abs(errors)) < 0.02
    assert np.mean(np.abs(scores) < 2) > 0.9


def test_the_pocket_lies_on_its_own_side_of_the_seam_in_a_mirrored_photo_too():
    seen = photograph(32, np.random.default_rng(1), tilt_deg=0)
    mirrored = {name: (1400 - x, y, sigma) for name, (x, y, sigma) in seen.items()}
    plain, other = fit_pocket(seen, PLAN).seam(), fit_pocket(mirrored, PLAN).seam()
    assert plain.onto_pocket[0] < plain.top[0]
    assert other.onto_pocket[0] > other.top[0]


def test_a_scale_that_is_hardly_known_places_no_seam():
    vague = photograph(32, np.random.default_rng(3), sigma_px=25, names=("tab_top", "tab_bottom"))
    fit = fit_pocket(vague, PLAN)
    assert fit is None or fit.seam() is None
