"""A row of stitches along a seam: how many to the inch, how even, how straight, and in what thread.

The row runs from left to right in a strip cut from the photo, at a known scale. Threads stand out from denim by
colour; each stitch is a dash of thread with a short dip where the thread goes through the cloth.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.domain import Measurement
from pipeline.measures.colour import apply_gains, ciede2000, lab_from_linear, lab_from_srgb, robust_colour
from pipeline.measures.repeats import autocorrelation, bell, is_peak, top_of_peak

_MM_PER_INCH = 25.4
_FEWEST_PER_INCH, _MOST_PER_INCH = 4.0, 16.0  # beyond these no denim seam is sewn, common practice
_MIN_STITCHES = 4
_MIN_PX_PER_STITCH = 4.5  # below this the dips between stitches are not resolved
_BAND_MM = 0.7  # half the height in which a row's thread is looked for
_FEW_MM = 1.6  # how far a wandering row is followed from its straight line
_MIN_STAND_OUT = 4.0  # thread against cloth, in the cloth's own spread
_MIN_SWING = 3.5  # stitch against dip, in the swing that cloth alone shows
_LEAST_SWING = 0.4  # a dip counts from this share of the row's middle swing
_COLOUR_FLOOR = 1.0  # CIEDE2000: cameras and JPEG move a colour by about this much


@dataclass(frozen=True, slots=True)
class StitchRow:
    """What a row of stitches shows.

    `per_inch` counts stitches over the whole row. `spacing_variation` is the spread of the spacing over its mean
    (0 is machine-even), `largest_gap` the widest spacing over the median one, `wander_mm` the root mean square
    distance of the stitches from a straight line.
    """

    per_inch: Measurement
    spacing_variation: float
    largest_gap: float
    wander_mm: float
    stitches: int


def measure_stitches(
    strip: NDArray[np.uint8],
    px_per_mm: float,
    scale_sigma: float = 0.03,
    thread_srgb: NDArray[np.uint8] | None = None,
) -> StitchRow | None:
    """Measure the strongest row of stitches in a strip.

    Args:
        strip: sRGB uint8, shape (height, width, 3), the row running from left to right within some 10 degrees.
        px_per_mm: scale along the row.
        scale_sigma: relative standard uncertainty of the scale.
        thread_srgb: the thread's expected colour, shape (3,); what stands out from the cloth when left out.

    Returns:
        The row's figures; None when the stitches cannot be told apart.

    Raises:
        ValueError: if the scale is not positive or the strip is not RGB.
    """
    if strip.ndim != 3 or strip.shape[2] != 3:
        raise ValueError(f"expected a strip of shape (height, width, 3), got {strip.shape}")
    if not px_per_mm > 0:
        raise ValueError(f"expected a positive scale in px per mm, got {px_per_mm}")
    if not _could_resolve(strip, px_per_mm):
        return None
    contrast = _thread_contrast(strip, thread_srgb)
    line = None if contrast is None else _trace(contrast, px_per_mm)
    if contrast is None or line is None:
        return None
    centres = _stitch_centres(contrast, line, px_per_mm)
    return None if centres is None else _row(centres, px_per_mm, scale_sigma)


def thread_colour(strip: NDArray[np.uint8], thread_srgb: NDArray[np.uint8] | None = None) -> NDArray[np.float64] | None:
    """The colour of the stitches in a strip: the pixels that stand out most.

    Args:
        strip: sRGB uint8, shape (height, width, 3).
        thread_srgb: as for `measure_stitches`.

    Returns:
        Linear light, shape (3,); None when nothing stands out from the cloth.
    """
    contrast = _thread_contrast(strip, thread_srgb)
    if contrast is None:
        return None
    return robust_colour(strip, contrast >= np.quantile(contrast, 0.99) * 0.85)


def thread_difference(
    tab_thread: NDArray[np.float64], pocket_thread: NDArray[np.float64], gains: NDArray[np.float64] | None = None
) -> Measurement:
    """CIEDE2000 between the tab's thread and the pocket's own.

    Args:
        tab_thread: linear light, shape (3,), as from `thread_colour`.
        pocket_thread: linear light, shape (3,).
        gains: white-balance gains for both, as from `balance_gains`. None where nothing in the photo tells the light:
            the two threads share it.

    Returns:
        The difference; unit "dE00".
    """
    threads = np.stack([tab_thread, pocket_thread])
    tab_lab, pocket_lab = lab_from_linear(threads if gains is None else apply_gains(threads, gains))
    difference = ciede2000(tab_lab, pocket_lab)
    return Measurement(float(difference), float(np.hypot(_COLOUR_FLOOR, 0.1 * difference)), "dE00")


def _could_resolve(strip: NDArray[np.uint8], px_per_mm: float) -> bool:
    height, width = strip.shape[:2]
    longest, shortest = (_MM_PER_INCH / rate * px_per_mm for rate in (_FEWEST_PER_INCH, _MOST_PER_INCH))
    return width >= _MIN_STITCHES * shortest and longest >= _MIN_PX_PER_STITCH and height >= 5


def _thread_contrast(strip: NDArray[np.uint8], thread_srgb: NDArray[np.uint8] | None) -> NDArray[np.float64] | None:
    """How far each pixel lies from the cloth towards the thread, in the cloth's own spread; shape (height, width)."""
    away = lab_from_srgb(strip)
    cloth = np.median(away.reshape(-1, 3), axis=0)
    away = away - cloth
    axis = _odd_axis(away.reshape(-1, 3)) if thread_srgb is None else lab_from_srgb(thread_srgb) - cloth
    length = float(np.linalg.norm(axis))
    if length < 1e-6:
        return None
    along = away @ (axis / length)
    centre = np.median(along)
    spread = 1.4826 * np.median(np.abs(along - centre)) + 0.5  # half a unit: never trust cloth without any grain
    contrast = np.asarray((along - centre) / spread, dtype=np.float64)
    return contrast if np.quantile(contrast, 0.98) >= _MIN_STAND_OUT else None


def _odd_axis(away: NDArray[np.float64]) -> NDArray[np.float64]:
    """From the cloth to the pixels that lie oddest against its own spread."""
    common = np.cov(away[np.linalg.norm(away, axis=1) <= np.quantile(np.linalg.norm(away, axis=1), 0.7)].T)
    whitened = away @ np.linalg.inv(common + 0.5 * np.eye(3))
    oddness = (whitened * away).sum(axis=1)
    odd = away[oddness >= np.quantile(oddness, 0.97)]
    lean = np.median(odd, axis=0)
    return np.asarray(lean, dtype=np.float64)


def _trace(contrast: NDArray[np.float64], px_per_mm: float) -> NDArray[np.float64] | None:
    """Height of the row for each column, px: a smooth path near the straight line with the most thread on it.

    Returns:
        Shape (2, width): the straight line and the path; None when no row stands out.
    """
    height, width = contrast.shape
    thread = np.clip(contrast - 2, 0, 12)
    line = _strongest_line(thread, px_per_mm)
    rows = np.arange(height, dtype=np.float64)[:, None]
    for reach in (_FEW_MM, _FEW_MM, _BAND_MM * 1.4):
        near = thread * (np.abs(rows - line) <= max(reach * px_per_mm, 1.5))
        mass = near.sum(axis=0)
        if (mass > 0).sum() < width / 4:
            return None
        centroid = (near * rows).sum(axis=0) / np.maximum(mass, 1e-9)
        slope, start = np.polyfit(np.arange(width), centroid, 1, w=np.sqrt(mass))
        line = start + slope * np.arange(width, dtype=np.float64)
    near = thread * (np.abs(rows - line) <= max(_FEW_MM * px_per_mm, 1.5))
    window = bell(2.0 * px_per_mm)
    mass = np.convolve(near.sum(axis=0), window, mode="same")
    path = np.convolve((near * rows).sum(axis=0), window, mode="same") / np.maximum(mass, 1e-9)
    return np.stack([line, np.where(mass > 1e-6, path, line)])


def _strongest_line(thread: NDArray[np.float64], px_per_mm: float) -> NDArray[np.float64]:
    """The straight line, within 10 degrees of level, that carries the most thread."""
    height, width = thread.shape
    columns, blur = np.arange(width), bell(0.3 * px_per_mm)
    most, found = -1.0, (height / 2, 0.0)
    for slope in np.tan(np.radians(np.linspace(-10, 10, 21))):
        shift = np.rint(slope * (columns - width / 2)).astype(int)
        source = np.arange(height)[:, None] + shift
        inside = (source >= 0) & (source < height)
        profile = np.where(inside, thread[np.clip(source, 0, height - 1), columns], 0.0).sum(axis=1)
        profile = np.convolve(profile, blur, mode="same")[:height]
        if profile.max() > most:
            most, found = float(profile.max()), (float(profile.argmax()), float(slope))
    return np.asarray(found[0] + found[1] * (columns - width / 2), dtype=np.float64)


def _stitch_centres(
    contrast: NDArray[np.float64], line: NDArray[np.float64], px_per_mm: float
) -> NDArray[np.float64] | None:
    """Centres of the stitches, shape (n, 2): along the row and off its straight line, px."""
    straight, path = line
    signal = _sample(contrast, path, px_per_mm)
    period = _period(signal, px_per_mm)
    if period is None or period < _MIN_PX_PER_STITCH:
        return None
    smooth = np.convolve(signal, bell(0.16 * period), mode="same")
    swing = _swing(smooth, period)
    stitches = _dashes(smooth, _LEAST_SWING * swing)
    cloth = _cloth_swing(contrast, path, period, px_per_mm)
    if len(stitches) < _MIN_STITCHES or swing < _MIN_SWING * cloth or swing < 0.12 * np.quantile(smooth, 0.9):
        return None
    columns = np.clip(np.rint(stitches).astype(int), 0, len(path) - 1)
    return np.column_stack([stitches, (path - straight)[columns]])


def _sample(contrast: NDArray[np.float64], path: NDArray[np.float64], px_per_mm: float) -> NDArray[np.float64]:
    """Thread along a path: mean contrast within half a stitch's thickness of it."""
    reach = max(1, round(0.35 * px_per_mm))
    rows = np.rint(path)[None, :].astype(np.intp) + np.arange(-reach, reach + 1)[:, None]
    band = contrast[np.clip(rows, 0, len(contrast) - 1), np.arange(contrast.shape[1])]
    return np.asarray(band.mean(axis=0), dtype=np.float64)


def _period(signal: NDArray[np.float64], px_per_mm: float) -> float | None:
    """Stitch spacing in px from the autocorrelation of the row; None when it shows no repeat."""
    correlation = autocorrelation(signal, 2.5 * px_per_mm)
    lags = np.arange(len(signal))
    allowed = (lags >= _MM_PER_INCH / _MOST_PER_INCH * px_per_mm) & (
        lags <= _MM_PER_INCH / _FEWEST_PER_INCH * px_per_mm
    )
    inner = is_peak(correlation) & allowed & (lags <= len(signal) / 3)
    if not inner.any():
        return None
    best = correlation[inner].max()
    if best < 0.08:
        return None
    first = int(lags[inner & (correlation >= 0.75 * best)][0])  # twice the spacing repeats too: take the shortest
    return top_of_peak(correlation, first)


def _dashes(smooth: NDArray[np.float64], least_swing: float) -> NDArray[np.float64]:
    """Centres of the stitches that have a dip on either side, px along the row.

    A dip counts where the signal falls and rises again by `least_swing`; a stitch cut off by the strip's end is left
    out, as its centre is not known.
    """
    dips = _dips(smooth, least_swing)
    centres = []
    for left, right in pairwise(dips):
        stitch = smooth[left : right + 1]
        level = (stitch.max() + max(stitch[0], stitch[-1])) / 2
        weight = np.maximum(stitch - level, 0.0)
        centres.append(left + float(weight @ np.arange(len(stitch)) / weight.sum()))
    return np.array(centres)


def _dips(smooth: NDArray[np.float64], least_swing: float) -> list[int]:
    """Where the lowest points lie between rises of at least `least_swing`."""
    dips: list[int] = []
    low = high = 0
    is_falling = False
    for at, value in enumerate(smooth):
        if is_falling:
            low = at if value < smooth[low] else low
            if value - smooth[low] > least_swing:
                dips.append(low)
                high, is_falling = at, False
        else:
            high = at if value > smooth[high] else high
            if smooth[high] - value > least_swing:
                low, is_falling = at, True
    return dips


def _swing(smooth: NDArray[np.float64], period: float) -> float:
    """Middle difference between the highest and the lowest point of each spacing."""
    count = int(len(smooth) // period)
    pieces = [smooth[int(i * period) : int((i + 1) * period)] for i in range(count)]
    return float(np.median([np.ptp(piece) for piece in pieces])) if pieces else 0.0


def _cloth_swing(contrast: NDArray[np.float64], path: NDArray[np.float64], period: float, px_per_mm: float) -> float:
    """The same swing where there is only cloth, above and below the row."""
    swings = []
    for away in (-2.5, 2.5):
        rows = path + away * px_per_mm
        if rows.min() >= 0 and rows.max() <= len(contrast) - 1:
            cloth = np.convolve(_sample(contrast, rows, px_per_mm), bell(0.16 * period), mode="same")
            swings.append(_swing(cloth, period))
    return min(swings, default=0.5)


def _row(centres: NDArray[np.float64], px_per_mm: float, scale_sigma: float) -> StitchRow:
    along_mm, off_mm = centres.T / px_per_mm
    gaps = np.diff(along_mm)
    mean, middle = float(gaps.mean()), float(np.median(gaps))
    per_inch = _MM_PER_INCH / mean
    variation = float(gaps.std(ddof=1) / mean)
    off_line = off_mm - np.polyval(np.polyfit(along_mm, off_mm, 1), along_mm)
    # Over n even gaps only the two ends can be misplaced; uneven ones vary like any mean.
    relative = np.hypot(variation / np.sqrt(len(gaps)), scale_sigma)
    return StitchRow(
        per_inch=Measurement(per_inch, float(per_inch * relative), "per inch"),
        spacing_variation=variation,
        largest_gap=float(gaps.max()) / middle,
        wander_mm=float(np.sqrt((off_line**2).mean())),
        stitches=len(centres),
    )
