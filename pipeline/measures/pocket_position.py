"""How far below the pocket's top edge the tab sits, in millimetres along the seam, with its uncertainty.

The pocket's outline is known from the sheet, so its corners tell how the camera sees the pocket's plane. All that is
known goes into one weighted least-squares fit: the corners and the tab's two seam points as found in the photo, the
tab's own length, the lie of the side corners (which the sheet leaves open), and how strongly sellers usually tilt a
camera. With all corners in view the outline decides; with few, the tab's length and the usual tilt stand in, and the
uncertainty grows by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.domain import Measurement
from pipeline.measures.homography import fit_homography

CORNERS = ("top_left", "top_right", "bottom_right", "bottom_tip", "bottom_left")
SEAM_POINTS = ("tab_top", "tab_bottom")

Keypoint = tuple[float, float, float]  # x, y, standard deviation, all in px

_MM = 100.0  # the fit works in units of 100 mm, so that all its numbers are of order one
_TAB_LENGTH_SIGMA_MM = 1.0  # woven ribbon and folding, common practice
_SQUARE_SIGMA = 0.2  # a camera tilted by some 35 degrees shortens one direction by a fifth
_TILT_SIGMA = 0.12  # sine of the tilt over the distance, per 100 mm: 30 degrees at 40 cm
_MODEL_FLOOR_MM = 0.5  # cloth is not a plane
_WORST_SIGMA_MM = 12.0  # beyond this the number says nothing about a tolerance of a few mm
_GROSS_SHARE = 0.01  # measurements that are plainly wrong, such as on another pocket: assumed
_TRUST = 4.0  # degrees of freedom by which the stated sigmas are trusted: a few residuals alone tell little
_FAR_MM = 100.0  # no tab is farther off than this
_LM_STEPS = 60
_N_HOMOGRAPHY = 8
_NUDGE = 1e-5
_SCALE_FLOOR = 0.01  # cloth is not a plane
_WORST_SCALE_SIGMA = 0.08  # a scale known worse makes seven stitches of eight
_SIDE, _TAB_AT, _TAB_LENGTH = 8, 9, 10  # where the other three unknowns stand in the parameter vector


@dataclass(frozen=True, slots=True)
class PocketPlan:
    """The pocket and its tab as the sheet gives them, in mm.

    `side_fraction` is the height of the side corners below the top edge as a share of the whole height; the sheet
    says "shallow V" only, so it is fitted, with this as its expected value and `side_fraction_sigma` its spread.

    Raises:
        ValueError: if a length is not positive.
    """

    width_top: float
    width_bottom: float
    height: float
    tab_top: float
    tab_length: float
    tab_tolerance: float
    side_fraction: float = 0.86
    side_fraction_sigma: float = 0.04

    def __post_init__(self) -> None:
        """Refuse lengths that cannot be."""
        lengths = (self.width_top, self.width_bottom, self.height, self.tab_top, self.tab_length, self.tab_tolerance)
        if min(lengths) <= 0:
            raise ValueError(f"a pocket plan needs positive lengths in mm, got {lengths}")

    def corner_mm(self, name: str, side_fraction: float) -> tuple[float, float]:
        """A corner on the flat pocket: x from the middle to the right, y down from the top edge, in mm."""
        side = side_fraction * self.height
        return {
            "top_left": (-self.width_top / 2, 0.0),
            "top_right": (self.width_top / 2, 0.0),
            "bottom_right": (self.width_bottom / 2, side),
            "bottom_tip": (0.0, self.height),
            "bottom_left": (-self.width_bottom / 2, side),
        }[name]

    def seam_mm(self, along: float, side_fraction: float) -> tuple[float, float]:
        """The point of the right-hand seam that lies `along` mm below the top right corner."""
        top, bottom = self.corner_mm("top_right", side_fraction), self.corner_mm("bottom_right", side_fraction)
        share = along / float(np.hypot(bottom[0] - top[0], bottom[1] - top[1]))
        return top[0] + share * (bottom[0] - top[0]), top[1] + share * (bottom[1] - top[1])


@dataclass(frozen=True, slots=True)
class SeamInPhoto:
    """The tab's stretch of the seam: its ends in photo px, from a tab as long as the plan has it.

    `onto_pocket` is a point of the pocket beside it, px; `px_per_mm` the scale along the seam, with its relative
    standard uncertainty `scale_sigma`.
    """

    top: tuple[float, float]
    bottom: tuple[float, float]
    onto_pocket: tuple[float, float]
    px_per_mm: float
    scale_sigma: float


@dataclass(frozen=True, slots=True, eq=False)
class PocketFit:
    """How one photo shows the plan's pocket; from `fit_pocket`."""

    _plan: PocketPlan
    _solution: NDArray[np.float64]
    _covariance: NDArray[np.float64]
    _misfit: float
    _origin_px: NDArray[np.float64]
    _spread_px: float

    def tab_position(self) -> Measurement | None:
        """Millimetres from the pocket's top edge to the tab's, along the seam; None when hardly known."""
        return _as_measurement(self._solution, self._covariance, self._misfit)

    def seam(self) -> SeamInPhoto | None:
        """Where the tab's seam runs and at which scale; None when the scale is hardly known."""
        top, bottom, onto_pocket = self._seam_points(self._solution)
        scale = self._scale(self._solution)
        nudges = np.eye(len(self._solution)) * _NUDGE
        slope = np.array([self._scale(self._solution + n) - self._scale(self._solution - n) for n in nudges])
        slope /= 2 * _NUDGE
        sigma = np.sqrt(max(float(slope @ self._covariance @ slope), 0.0) * max(self._misfit, 1.0)) / scale
        sigma = float(np.hypot(sigma, _SCALE_FLOOR))
        if not (sigma <= _WORST_SCALE_SIGMA and np.isfinite(top).all() and np.isfinite(bottom).all()):
            return None
        (x0, y0), (x1, y1), (x2, y2) = (point.tolist() for point in (top, bottom, onto_pocket))
        return SeamInPhoto((x0, y0), (x1, y1), (x2, y2), scale, sigma)

    def _seam_points(self, solution: NDArray[np.float64]) -> NDArray[np.float64]:
        """The ends of the tab and a point beside it on the pocket, photo px, shape (3, 2)."""
        side, at_mm = float(solution[_SIDE]), float(solution[_TAB_AT]) * _MM
        ends = [self._plan.seam_mm(at_mm + along, side) for along in (0.0, self._plan.tab_length)]
        middle = (0.0, (ends[0][1] + ends[1][1]) / 2)
        return _carried(solution, np.array([*ends, middle]) / _MM) * self._spread_px + self._origin_px

    def _scale(self, solution: NDArray[np.float64]) -> float:
        """Px per mm along the tab's stretch of the seam."""
        top, bottom, _ = self._seam_points(solution)
        return float(np.hypot(*(bottom - top))) / self._plan.tab_length


def tab_position(keypoints: Mapping[str, Keypoint], plan: PocketPlan) -> Measurement | None:
    """Measure the distance from the pocket's top edge to the tab's upper edge along the right-hand seam.

    Args, None and errors as for `fit_pocket`; None, too, when the distance is hardly known.
    """
    fit = fit_pocket(keypoints, plan)
    return None if fit is None else fit.tab_position()


def fit_pocket(keypoints: Mapping[str, Keypoint], plan: PocketPlan) -> PocketFit | None:
    """Find how the camera sees the plan's pocket.

    Args:
        keypoints: name -> (x, y, sigma), px in the photo. Names as in `CORNERS` and `SEAM_POINTS`; leave out what
            is not seen. Right means the seam the tab is sewn into.
        plan: the sheet's pocket.

    Returns:
        None when the tab's top or too much of the pocket is not seen, or the points do not look like the plan's
        pocket.

    Raises:
        ValueError: if a name is unknown, or a sigma is not positive.
    """
    _check(keypoints)
    if not _is_enough(keypoints):
        return None
    names = tuple(keypoints)
    seen_px = np.array([keypoints[name][:2] for name in names])
    sigma_px = np.array([keypoints[name][2] for name in names])
    spread_px = float(np.ptp(seen_px, axis=0).max())
    if not np.isfinite(seen_px).all() or spread_px == 0:
        return None
    origin = seen_px.mean(axis=0)
    problem = _Problem(names, (seen_px - origin) / spread_px, sigma_px / spread_px, plan)
    found = _least_squares(problem.residuals, problem.start())
    return None if found is None else PocketFit(plan, *found, origin, spread_px)


def position_likelihood(measurement: Measurement, plan: PocketPlan) -> dict[str, float]:
    """How well the measured height fits a tab in its place, and one that is off.

    In place: a normal spread, a third of the tolerance wide, with some spread evenly, all within the tolerance. Off:
    anywhere beyond it, evenly up to 20 mm and thinning out after. Both are blurred by the measurement's uncertainty,
    so an uncertain one says little; one in a hundred is taken to be plainly wrong.

    Args:
        measurement: from `tab_position`, mm.
        plan: the sheet's pocket.

    Returns:
        `in_place` and `off`, summing to 1, no prior mixed in.
    """
    deviation = np.arange(-_FAR_MM, _FAR_MM, 0.1) + 0.05
    inside = np.abs(deviation) <= plan.tab_tolerance
    bell = np.where(inside, np.exp(-0.5 * (3 * deviation / plan.tab_tolerance) ** 2), 0.0)
    beyond = np.where(inside, 0.0, np.exp(-np.maximum(np.abs(deviation) - 20.0, 0.0) / 5.0))
    in_place = 0.8 * bell / bell.sum() + 0.2 * inside / inside.sum()
    gap = (measurement.value - plan.tab_top - deviation) / measurement.sigma
    blur = np.exp(-0.5 * gap**2) / (np.sqrt(2 * np.pi) * measurement.sigma)
    blur = (1 - _GROSS_SHARE) * blur + _GROSS_SHARE / (2 * _FAR_MM)
    fits = float(in_place @ blur), float(beyond / beyond.sum() @ blur)
    return {"in_place": fits[0] / sum(fits), "off": fits[1] / sum(fits)}


def _check(keypoints: Mapping[str, Keypoint]) -> None:
    unknown = set(keypoints) - set(CORNERS) - set(SEAM_POINTS)
    if unknown:
        raise ValueError(f"unknown keypoints {sorted(unknown)}; expected some of {CORNERS + SEAM_POINTS}")
    if any(not sigma > 0 for _, _, sigma in keypoints.values()):
        raise ValueError("every keypoint needs a positive sigma in px")


def _is_enough(keypoints: Mapping[str, Keypoint]) -> bool:
    """The tab's top is a must, and a length to measure by: the tab's own, or three corners' distances."""
    corners = sum(name in keypoints for name in CORNERS)
    return "tab_top" in keypoints and (corners >= 3 or "tab_bottom" in keypoints)


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """Unknowns: eight of the homography (100 mm -> scaled px), side fraction, tab top and tab length (100 mm)."""

    names: tuple[str, ...]
    seen: NDArray[np.float64]
    sigma: NDArray[np.float64]
    plan: PocketPlan

    def plan_points(self, side: float, tab_at: float, tab_length: float) -> NDArray[np.float64]:
        """Where the seen points lie on the flat pocket, in 100 mm."""
        along = {"tab_top": tab_at * _MM, "tab_bottom": (tab_at + tab_length) * _MM}
        points = [
            self.plan.seam_mm(along[name], side) if name in along else self.plan.corner_mm(name, side)
            for name in self.names
        ]
        return np.array(points) / _MM

    def residuals(self, parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        """Each gap between what is seen or expected and what the parameters say, in standard deviations."""
        side, tab_at, tab_length = parameters[_SIDE:]
        points = self.plan_points(side, tab_at, tab_length)
        (a, b, _, d, e, _, g, h) = parameters[:_N_HOMOGRAPHY]
        seen = ((_carried(parameters, points) - self.seen) / self.sigma[:, None]).ravel()
        across, down = np.hypot(a, d), np.hypot(b, e)
        expected = [
            (side - self.plan.side_fraction) / self.plan.side_fraction_sigma,
            (tab_length * _MM - self.plan.tab_length) / _TAB_LENGTH_SIGMA_MM,
            np.log(across / down) / _SQUARE_SIGMA,
            (a * b + d * e) / (across * down) / _SQUARE_SIGMA,
            g / _TILT_SIGMA,
            h / _TILT_SIGMA,
        ]
        return np.concatenate([seen, expected])

    def start(self) -> NDArray[np.float64]:
        """Begin where a genuine pocket would lie: a homography through four or more points, else a similarity."""
        rest = np.array([self.plan.side_fraction, self.plan.tab_top / _MM, self.plan.tab_length / _MM])
        points = self.plan_points(*rest)
        corners = np.array([name in CORNERS for name in self.names])
        if corners.sum() >= 4:
            try:
                matrix = fit_homography(points[corners], self.seen[corners], self.sigma[corners] ** -2.0)
            except ValueError:
                matrix = _similarity(points, self.seen)
        else:
            matrix = _similarity(points, self.seen)
        return np.concatenate([matrix.ravel()[:_N_HOMOGRAPHY], rest])


def _carried(parameters: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points of the flat pocket (100 mm) through the parameters' homography, shape (n, 2), in scaled px."""
    (a, b, c, d, e, f, g, h) = parameters[:_N_HOMOGRAPHY]
    depth = 1 + points @ np.array([g, h])
    across, down = points @ np.array([a, b]) + c, points @ np.array([d, e]) + f
    return np.asarray(np.column_stack([across, down]) / depth[:, None], np.float64)


def _similarity(src: NDArray[np.float64], dst: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn, scale and shift; mirrored where that fits better (a mirrored photo has its seam on the left)."""
    candidates = []
    for flip in (1.0, -1.0):
        z, w = src[:, 0] * flip + 1j * src[:, 1], dst[:, 0] + 1j * dst[:, 1]
        z_mid, w_mid = z.mean(), w.mean()
        turn = (np.conj(z - z_mid) @ (w - w_mid)) / (np.abs(z - z_mid) ** 2).sum()
        shift = w_mid - turn * z_mid
        error = float((np.abs(turn * z + shift - w) ** 2).sum())
        matrix = np.array(
            [
                [turn.real * flip, -turn.imag, shift.real],
                [turn.imag * flip, turn.real, shift.imag],
                [0.0, 0.0, 1.0],
            ]
        )
        candidates.append((error, matrix))
    return min(candidates, key=lambda pair: pair[0])[1]


def _least_squares(
    residuals: Callable[[NDArray[np.float64]], NDArray[np.float64]], start: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], float] | None:
    """Levenberg and Marquardt's damped Gauss-Newton.

    Returns:
        Solution, its covariance for residuals of unit variance, and the mean squared residual per degree of freedom,
        with some trust that it is 1.
    """
    here, value, damping = start, residuals(start), 1e-3
    for _ in range(_LM_STEPS):
        jacobian = _jacobian(residuals, here, value)
        normal, slope = jacobian.T @ jacobian, jacobian.T @ value
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-9), -slope)
        tried = residuals(here + step)
        if np.isfinite(tried).all() and tried @ tried < value @ value:
            settled = damping < 1 and value @ value - tried @ tried < 1e-9 * (1 + value @ value)
            here, value, damping = here + step, tried, damping / 10
            if settled:
                break
        elif damping > 1e9:
            break
        else:
            damping *= 10
    jacobian = _jacobian(residuals, here, value)
    if not np.isfinite(jacobian).all():
        return None
    spare = len(value) - len(here)
    covariance = np.asarray(np.linalg.pinv(jacobian.T @ jacobian), dtype=np.float64)
    return here, covariance, (float(value @ value) + _TRUST) / (spare + _TRUST)


def _jacobian(
    residuals: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    at: NDArray[np.float64],
    value: NDArray[np.float64],
) -> NDArray[np.float64]:
    """The slopes of the residuals, whose `value` there is known."""
    step = 1e-7
    return np.column_stack([(residuals(at + nudge) - value) / step for nudge in np.eye(len(at)) * step])


def _as_measurement(
    solution: NDArray[np.float64], covariance: NDArray[np.float64], misfit: float
) -> Measurement | None:
    """The tab's height with an uncertainty widened where the points fit worse than their sigmas say."""
    spread_mm = _MM * float(np.sqrt(covariance[_TAB_AT, _TAB_AT] * max(misfit, 1.0)))
    sigma = float(np.hypot(spread_mm, _MODEL_FLOOR_MM))
    if not sigma <= _WORST_SIGMA_MM:
        return None
    return Measurement(value=_MM * float(solution[_TAB_AT]), sigma=sigma, unit="mm")
