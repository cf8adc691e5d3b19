"""How unlike the genuine parts seen so far a found part is: a cue's reading with a heat map."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.classify.genuine_memory import (
    Floats,
    GenuineMemory,
    PartMemory,
    mapped,
    nearest_distances,
    p_value,
    spot_score,
    unlike_ratio,
)
from pipeline.cues import UNLIKE_GENUINE
from pipeline.cutting import Square
from pipeline.domain import HOT, Box, CueReading, FoundPart, HeatMap, Measurement, PartName

# Sides of the region that is compared, in sides of the part's box: a tab's seam, sewn on beside it, is judged with it.
_REACH = {part: 1.7 if part is PartName.TAB else 1.05 for part in PartName}
_WARMEST = 100


def compared(part: PartName, cells: int, square: Square, box: Box, photo_wh: tuple[int, int]) -> NDArray[np.bool_]:
    """Which cells of a crop's grid are compared: those with their middle on the part and in the photo.

    Args:
        part: which part.
        cells: of the grid's side.
        square: what the crop covers.
        box: the part's, photo px.
        photo_wh: the photo's size, px.

    Returns:
        Shape (cells, cells), rows from top to bottom.
    """
    middles = (np.arange(cells) + 0.5) / cells * square.side
    x, y = square.x + middles, square.y + middles
    reach = _REACH[part] / 2
    across = (np.abs(x - box.x - box.w / 2) <= reach * box.w) & (x > 0) & (x < photo_wh[0])
    down = (np.abs(y - box.y - box.h / 2) <= reach * box.h) & (y > 0) & (y < photo_wh[1])
    return np.asarray(down[:, None] & across[None])


def unlike_genuine(
    memory: GenuineMemory, found: FoundPart, features: Floats, square: Square, photo_wh: tuple[int, int]
) -> CueReading | None:
    """Compare a found part with the genuine ones.

    Args:
        memory: of genuine parts.
        found: the part; whoever asks has made sure that its crop shows it clearly.
        features: the part network's, shape (channels, cells, cells).
        square: what the crop covers.
        photo_wh: the photo's size, px.

    Returns:
        None where the memory knows no such part, or none of it lies in the photo.
    """
    known = memory.parts.get(found.part)
    where = compared(found.part, features.shape[1], square, found.box, photo_wh)
    if known is None or not where.any():
        return None
    distances = nearest_distances(mapped(features.transpose(1, 2, 0)[where], memory.mapping), known.features)
    p = p_value(spot_score(distances, memory.card.spot), known.genuine)
    ratio = unlike_ratio(p, memory.card.unlike_shape)
    return CueReading(
        UNLIKE_GENUINE,
        {"like": 1 / (1 + ratio), "unlike": ratio / (1 + ratio)},
        photo=found.photo,
        part=found.part,
        box=found.box,
        measured=_in_per_cent(p, len(known.genuine), found.part),
        heat=_heat(distances, where, square, known, memory.card.hot_share) if ratio > 1 else None,
    )


def _in_per_cent(p: float, genuine: int, part: PartName) -> Measurement:
    """The p-value with its sampling error."""
    sigma = float(np.sqrt(p * (1 - p) / (genuine + 1)))
    return Measurement(100 * p, 100 * sigma, f"% of genuine parts ({part.value}) as unlike the others")


def _heat(distances: Floats, where: NDArray[np.bool_], square: Square, known: PartMemory, hot_share: float) -> HeatMap:
    """The distances on the grid: `HOT` where the share `hot_share` of genuine parts comes to, 0 at half of that."""
    hot = max(float(np.quantile(known.genuine, 1 - hot_share)), 1e-6)
    grid = np.zeros(where.shape, np.int64)
    grid[where] = np.clip(np.round(HOT * (2 * distances / hot - 1)), 0, _WARMEST).astype(np.int64)
    rows = tuple(tuple(int(value) for value in row) for row in grid)
    return HeatMap(Box(square.x, square.y, square.side, square.side), rows)
