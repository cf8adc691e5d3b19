"""How many stitches to the inch hold a tab.

A photo of a pocket shows stitches a few pixels long that touch each other, so single ones can seldom be told apart.
What tells is that they repeat: a row's colour correlates with itself one stitch on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.domain import Measurement
from pipeline.measures.repeats import Floats, autocorrelation, bell, is_peak, top_of_peak
from pipeline.measures.seam_strip import SeamStrip

_MM_PER_INCH = 25.4
_FEWEST, _MOST = 5.0, 13.0  # stitches to the inch that are looked for: seams of jeans have 6 to 12, common practice
_WANDER_MM, _THREAD_MM = 0.9, 0.4  # half of where a row may lie off its line, and of what is thread in it
_PATH_MM, _SHADE_MM = 1.5, 2.0  # over which a row's path is smoothed, and beyond which a change is one of shade
_LEAST_PX_PER_STITCH = 6.0
_LEAST_REPEAT = 0.3  # correlation one stitch on: drawn rows of 6, 8 and 10 to the inch beyond it err by 9% at most
_ALMOST_BEST = 0.6  # two stitches on the row repeats, too: the shortest repeat that is almost the best counts
_REPEATS = (2, 3)
_ONE_ROW_SIGMA = 0.015  # of a count over some ten even stitches


def stitches_per_inch(strip: SeamStrip) -> Measurement | None:
    """How many stitches to the inch hold the tab, if they are even: ten uneven ones may repeat by chance.

    Returns:
        Unit "stitches per inch"; None where the rows do not repeat clearly, being blurred or too small.
    """
    repeats = [autocorrelation(_thread_along(strip, row), _SHADE_MM * strip.px_per_mm) for row in strip.rows]
    found = _spacing(np.mean(repeats, axis=0), strip.px_per_mm)
    if found is None:
        return None
    spacing_px, spread = found
    rate = _MM_PER_INCH * strip.px_per_mm / spacing_px
    relative = float(np.sqrt(spread**2 + _ONE_ROW_SIGMA**2 + strip.scale_sigma**2))
    return Measurement(rate, rate * relative, "stitches per inch")


def _thread_along(strip: SeamStrip, row: Floats) -> Floats:
    """How far a row's colour lies from the cloth's towards its own mean, column by column, where the thread runs."""
    heights, columns = _band(strip, row, _WANDER_MM)
    near = strip.away[heights, columns]
    mean = near.mean(axis=(0, 1))
    mean /= max(float(np.linalg.norm(mean)), 1e-6)
    thread, window = np.maximum(near @ mean, 0.0), bell(_PATH_MM * strip.px_per_mm)
    mass = np.convolve(thread.sum(axis=0), window, mode="same")
    off = np.convolve(((heights - row) * thread).sum(axis=0), window, mode="same")
    path = row + off / np.maximum(mass, 1e-6)
    return np.asarray((strip.away[_band(strip, path, _THREAD_MM)] @ mean).mean(axis=0), np.float64)


def _band(strip: SeamStrip, path: Floats, half_mm: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Indices of the pixels within `half_mm` of a path of heights, shape (heights, columns) each."""
    reach = max(1, round(half_mm * strip.px_per_mm))
    heights = np.rint(path)[None].astype(np.intp) + np.arange(-reach, reach + 1)[:, None]
    return np.clip(heights, 0, len(strip.away) - 1), np.broadcast_to(np.arange(len(path)), heights.shape)


def _spacing(repeat: Floats, px_per_mm: float) -> tuple[float, float] | None:
    """Spacing of the stitches in px, with its relative spread over several; `repeat` is their autocorrelation."""
    lags = np.arange(len(repeat))
    least = max(_MM_PER_INCH / _MOST * px_per_mm, _LEAST_PX_PER_STITCH)
    most = min(_MM_PER_INCH / _FEWEST * px_per_mm, 0.45 * len(repeat))
    peaks = is_peak(repeat) & (lags <= most)
    best = float(repeat[peaks & (lags >= least)].max(initial=0.0))
    if best < _LEAST_REPEAT:
        return None
    first = int(lags[peaks & (repeat >= _ALMOST_BEST * best)][0])
    if first < least or repeat[first] < _LEAST_REPEAT:  # what repeats is finer than stitches, or weak
        return None
    if repeat[round(0.4 * first) : round(0.6 * first) + 1].mean() > 0:  # half a stitch on there is a dip, if it is one
        return None
    spacings = [top_of_peak(repeat, first)]
    for times in _REPEATS:
        reach = max(1, int(0.2 * spacings[0]))
        low = round(times * spacings[0]) - reach
        if low + 2 * reach + 1 < 0.6 * len(repeat):
            at = low + int(repeat[low : low + 2 * reach + 1].argmax())
            if low < at < low + 2 * reach and repeat[at] > _LEAST_REPEAT / 2:
                spacings.append(top_of_peak(repeat, at) / times)
    mean = float(np.mean(spacings))
    return mean, float(np.ptp(spacings)) / 2 / mean
