"""A tab's seam drawn with scikit-image at a known scale; the measures know nothing of it."""

from __future__ import annotations

import numpy as np
from skimage.draw import ellipse
from skimage.filters import gaussian
from skimage.transform import downscale_local_mean

from pipeline.measures.seam_strip import Seam

DENIM, TOBACCO = (52, 66, 98), (185, 118, 47)
TAB_MM, LENGTH_MM, HEIGHT_MM, SEAM_MM = 21.0, 84.0, 22.0, 5.0
_FINE = 4


def draw_seam(rng, *, per_inch=8.0, px_per_mm=5.0, jitter=0.03, thread=TOBACCO):
    """A photo with the seam from left to right at `SEAM_MM`, the pocket below, two rows of thread 2 and 8 mm onto it.

    The tab lies in the middle of the length.
    """
    fine, spacing = _FINE * px_per_mm, 25.4 / per_inch
    shape = int(HEIGHT_MM * px_per_mm) * _FINE, int(LENGTH_MM * px_per_mm) * _FINE
    picture = np.full((*shape, 3), DENIM, dtype=float)
    for inset in (2.0, 8.0):
        hole = rng.uniform(0, spacing)
        while hole < LENGTH_MM:
            stitch = spacing * max(0.4, 1 + jitter * rng.normal())
            middle = hole + stitch / 2
            y, x = (SEAM_MM + inset) * fine, middle * fine
            picture[ellipse(y, x, 0.45 * fine, stitch / 2 * fine, shape=shape)] = thread
            picture[ellipse(y, (hole + stitch) * fine, 0.4 * fine, 0.4 * fine, shape=shape)] *= 0.5  # the needle's hole
            hole += stitch
    picture = downscale_local_mean(picture, (_FINE, _FINE, 1))
    picture = gaussian(picture, 0.15 * px_per_mm, channel_axis=2) + rng.normal(0, 3, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


def seam_of(px_per_mm=5.0, scale_sigma=0.02, onto_pocket=1.0):
    """Where `draw_seam` has the tab; `onto_pocket` -1 takes the other side for the pocket."""
    left, right = (LENGTH_MM - TAB_MM) / 2 * px_per_mm, (LENGTH_MM + TAB_MM) / 2 * px_per_mm
    y = SEAM_MM * px_per_mm
    middle = ((left + right) / 2, y + onto_pocket * 10)
    return Seam((left, y), (right, y), middle, px_per_mm, scale_sigma, TAB_MM)
