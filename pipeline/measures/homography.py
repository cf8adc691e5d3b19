"""A plane seen by a camera: the 3 x 3 matrix that carries points of one picture into another.

Weighted least squares in the destination: a direct linear start (Hartley's normalisation), then Gauss-Newton.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

_MIN_POINTS = 4
_STEPS = 30
_FLAT = 1e-3  # smallest share of spread across the main direction before points count as on one line


def apply_homography(matrix: NDArray[np.float64], xy: ArrayLike) -> NDArray[np.float64]:
    """Carry points through a homography.

    Args:
        matrix: shape (3, 3).
        xy: points, shape (n, 2).

    Returns:
        Points, shape (n, 2), in the units of the destination.
    """
    points = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    carried = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(carried[:, :2] / carried[:, 2:], dtype=np.float64)


def fit_homography(src_xy: ArrayLike, dst_xy: ArrayLike, weights: ArrayLike | None = None) -> NDArray[np.float64]:
    """Fit the homography that carries `src_xy` to `dst_xy`.

    Minimises the sum of weight times squared distance in the destination.

    Args:
        src_xy: points, shape (n, 2), n >= 4.
        dst_xy: where they should land, shape (n, 2).
        weights: one positive number a point, shape (n,): 1 / sigma^2 in destination units. Equal when left out.

    Returns:
        The matrix, shape (3, 3), with its last element 1.

    Raises:
        ValueError: if there are fewer than four points, shapes differ, a number is not finite, a weight is not
            positive, or the points lie on one line.
    """
    src, dst = np.asarray(src_xy, dtype=np.float64), np.asarray(dst_xy, dtype=np.float64)
    weight = np.ones(len(src)) if weights is None else np.asarray(weights, dtype=np.float64)
    _check(src, dst, weight)
    to_src, to_dst = _normaliser(src), _normaliser(dst)
    near_src, near_dst = apply_homography(to_src, src), apply_homography(to_dst, dst)
    root_weight = np.sqrt(weight / weight.max())
    start = _direct_linear(near_src, near_dst, root_weight)
    refined = _gauss_newton(start, near_src, near_dst, root_weight)
    matrix = np.linalg.inv(to_dst) @ refined @ to_src
    return np.asarray(matrix / matrix[2, 2], dtype=np.float64)


def _check(src: NDArray[np.float64], dst: NDArray[np.float64], weight: NDArray[np.float64]) -> None:
    if src.ndim != 2 or src.shape[1:] != (2,) or src.shape != dst.shape or weight.shape != (len(src),):
        raise ValueError(f"expected (n, 2), (n, 2) and (n,), got {src.shape}, {dst.shape} and {weight.shape}")
    if len(src) < _MIN_POINTS:
        raise ValueError(f"a homography needs at least {_MIN_POINTS} points, got {len(src)}")
    if not (np.isfinite(src).all() and np.isfinite(dst).all() and np.isfinite(weight).all() and (weight > 0).all()):
        raise ValueError("points must be finite and weights positive")
    for name, points in (("source", src), ("destination", dst)):
        spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
        if spread[1] < _FLAT * spread[0] or spread[0] == 0:
            raise ValueError(f"the {name} points lie on one line")


def _normaliser(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shift to the centroid and scale to a mean distance of sqrt(2), so the linear start is well conditioned."""
    centre = points.mean(axis=0)
    scale = np.sqrt(2) / np.linalg.norm(points - centre, axis=1).mean()
    return np.array([[scale, 0, -scale * centre[0]], [0, scale, -scale * centre[1]], [0, 0, 1]])


def _direct_linear(
    src: NDArray[np.float64], dst: NDArray[np.float64], root_weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    homogeneous, zero = np.column_stack([src, np.ones(len(src))]), np.zeros((len(src), 3))
    rows_x = np.hstack([homogeneous, zero, -dst[:, :1] * homogeneous])
    rows_y = np.hstack([zero, homogeneous, -dst[:, 1:] * homogeneous])
    rows = np.vstack([rows_x * root_weight[:, None], rows_y * root_weight[:, None]])
    matrix = np.linalg.svd(rows)[2][-1].reshape(3, 3)
    return np.asarray(matrix / matrix[2, 2], dtype=np.float64)


def _gauss_newton(
    start: NDArray[np.float64], src: NDArray[np.float64], dst: NDArray[np.float64], root_weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    matrix, cost = start, _cost(start, src, dst, root_weight)
    for _ in range(_STEPS):
        step = np.linalg.lstsq(*_linearised(matrix, src, dst, root_weight), rcond=None)[0]
        tried = matrix + np.append(step, 0.0).reshape(3, 3)
        tried_cost = _cost(tried, src, dst, root_weight)
        if not tried_cost < cost:  # no gain, or not a number: keep what there is
            break
        gained, matrix, cost = cost - tried_cost, tried, tried_cost
        if gained <= 1e-15 * cost:
            break
    return matrix


def _cost(
    matrix: NDArray[np.float64], src: NDArray[np.float64], dst: NDArray[np.float64], root_weight: NDArray[np.float64]
) -> float:
    return float((((dst - apply_homography(matrix, src)) * root_weight[:, None]) ** 2).sum())


def _linearised(
    matrix: NDArray[np.float64], src: NDArray[np.float64], dst: NDArray[np.float64], root_weight: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Jacobian and residual of the carried points, each row times its root weight."""
    homogeneous = np.column_stack([src, np.ones(len(src))])
    depth = homogeneous @ matrix[2]
    carried = homogeneous @ matrix[:2].T / depth[:, None]
    unit, zero = homogeneous / depth[:, None], np.zeros((len(src), 3))
    rows_x = np.hstack([unit, zero, -carried[:, :1] * unit[:, :2]])
    rows_y = np.hstack([zero, unit, -carried[:, 1:] * unit[:, :2]])
    jacobian = np.vstack([rows_x * root_weight[:, None], rows_y * root_weight[:, None]])
    residual = ((dst - carried) * root_weight[:, None]).T.ravel()
    return jacobian, residual
