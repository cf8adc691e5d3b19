"""The thread along a tab's seam: how many stitches to the inch, and what colour at the tab and beside it.

A photo of a pocket shows stitches a few pixels long that touch each other, so single ones can seldom be told apart.
What tells is that they repeat: a row's colour correlates with itself one stitch on.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.domain import Measurement
from pipeline.measures.colour import ciede2000, robust_colour
from pipeline.measures.repeats import Floats, autocorrelation, bell, is_peak, top_of_peak
from pipeline.measures.seam_strip import LEAST_STAND_OUT, Flags, SeamStrip
from pipeline.measures.stitches import thread_difference

_MM_PER_INCH = 25.4
_FEWEST, _MOST = 5.0, 13.0  # stitches to the inch that are looked for: seams of jeans have 6 to 12, common practice
_WANDER_MM, _THREAD_MM = 0.9, 0.4  # half of where a row may lie off its line, and of what is thread in it
_PATH_MM, _SHADE_MM = 1.5, 2.0  # over which a row's path is smoothed, and beyond which a change is one of shade
_LEAST_PX_PER_STITCH = 6.0
_LEAST_REPEAT = (
    0.3  # correlation one stitch on: of drawn rows of 6, 8 and 10 to the inch those beyond err by 9% at most
)
_ALMOST_BEST = 0.6  # two stitches on the row repeats, too: the shortest repeat that is almost the best counts
_REPEATS = (2, 3)
_ONE_ROW_SIGMA = 0.015  # of a count over some ten even stitches
_LEAST_POCKET_MM = 8.0  # of the pocket's own stitches in view
_MOST_SHADE = 6.0  # CIEDE2000 of the cloth at the tab from the cloth beside it: shadow and glare colour the thread, too
_ROWS_APART, _ROWS_APART_SHARE = 6.0, 0.5  # CIEDE2000 by which two rows may tell different things
_THREAD_SHARE = 0.25  # of the pixels along a row, those farthest from the cloth's colour


def stitches_per_inch(strip: SeamStrip) -> Measurement | None:
    """How many stitches to the inch hold the tab, if they are even: ten uneven ones may repeat by chance.

    Returns:
        Unit "stitches per inch"; None where the rows do not repeat clearly, being blurred or too small.
    """
    columns = np.flatnonzero(strip.is_tab)
    along = np.arange(columns[0], columns[-1] + 1)
    shade_px = _SHADE_MM * strip.px_per_mm
    repeats = [autocorrelation(_thread_along(strip, row, along), shade_px) for row in strip.tab_rows]
    found = _spacing(np.mean(repeats, axis=0), strip.px_per_mm)
    if found is None:
        return None
    spacing_px, spread = found
    rate = _MM_PER_INCH * strip.px_per_mm / spacing_px
    relative = float(np.sqrt(spread**2 + _ONE_ROW_SIGMA**2 + strip.scale_sigma**2))
    return Measurement(rate, rate * relative, "stitches per inch")


def thread_colours(strip: SeamStrip) -> tuple[Floats, Floats] | None:
    """The colour of the thread at the tab, and of the pocket's own above and below it.

    Returns:
        Linear light, shape (3,) each; None where too little of either is in the photo or stands out from the cloth,
        where the light differs between the two, and where two rows at the tab tell different things.
    """
    if not strip.pocket_rows or strip.is_pocket.sum() < _LEAST_POCKET_MM * strip.px_per_mm:
        return None
    tab_cloth, pocket_cloth = strip.cloth_in(strip.is_tab), strip.cloth_in(strip.is_pocket)
    if ciede2000(tab_cloth + strip.cloth_lab, pocket_cloth + strip.cloth_lab) > _MOST_SHADE:
        return None
    pocket = _thread_in(strip, strip.pocket_rows[0], strip.is_pocket, pocket_cloth)
    threads = [_thread_in(strip, row, strip.is_tab, tab_cloth) for row in strip.tab_rows]
    at_tab = [thread for thread in threads if thread is not None]
    if pocket is None or not at_tab:
        return None
    if _disagree([thread_difference(colour, pocket[1]).value for _, colour in at_tab]):
        return None
    return max(at_tab, key=lambda one: one[0])[1], pocket[1]


def _disagree(differences: Sequence[float]) -> bool:
    """Whether one row differs from the pocket's thread and another does not, or one was mistaken for a row."""
    most = max(differences)
    return most - min(differences) > max(_ROWS_APART, _ROWS_APART_SHARE * most)


def _thread_along(strip: SeamStrip, row: Floats, columns: NDArray[np.intp]) -> Floats:
    """How far a row's colour lies from the cloth's towards its own mean, column by column, where the thread runs."""
    heights, across = strip.band(row, columns, _WANDER_MM)
    near = strip.away[heights, across]
    mean = near.mean(axis=(0, 1))
    mean /= max(float(np.linalg.norm(mean)), 1e-6)
    thread, window = np.maximum(near @ mean, 0.0), bell(_PATH_MM * strip.px_per_mm)
    mass = np.convolve(thread.sum(axis=0), window, mode="same")
    off = np.convolve(((heights - row[columns]) * thread).sum(axis=0), window, mode="same")
    path = row.copy()
    path[columns] += off / np.maximum(mass, 1e-6)
    return np.asarray((strip.away[strip.band(path, columns, _THREAD_MM)] @ mean).mean(axis=0), np.float64)


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
    if (
        first < least or repeat[first] < _LEAST_REPEAT
    ):  # what repeats is finer than stitches, or the shorter repeat weak
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


def _thread_in(strip: SeamStrip, row: Floats, zone: Flags, cloth: Floats) -> tuple[float, Floats] | None:
    """How far a row's thread stands out in a zone, CIELAB, and its colour: of the pixels farthest from the cloth."""
    band = strip.band(row, np.flatnonzero(zone), _WANDER_MM)
    near = strip.away[band] - cloth
    mean = near.mean(axis=(0, 1))
    length = float(np.linalg.norm(mean))
    if length < 1:
        return None
    departs = near @ (mean / length)
    is_thread = departs >= np.quantile(departs, 1 - _THREAD_SHARE)
    colour = robust_colour(strip.pixels[band][is_thread])
    stand_out = float(departs[is_thread].mean())
    return None if colour is None or stand_out < LEAST_STAND_OUT else (stand_out, colour)
