"""How far a share may lie from what was counted."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Share:
    """A share `hits / n` with its 95% Wilson interval; all None where n is 0."""

    hits: int
    n: int
    share: float | None
    low: float | None
    high: float | None


def wilson(hits: int, n: int) -> Share:
    """Wilson's score interval for a share, 95% (Wilson 1927).

    Args:
        hits: 0..n.
        n: how many in all.
    """
    if n == 0:
        return Share(0, 0, None, None, None)
    return Share(hits, n, hits / n, *wilson_interval(hits, n))


def wilson_interval(successes: float, trials: float, z: float = 1.959963984540054) -> tuple[float, float]:
    """Interval for a share from counts, by Wilson's score; z = 1.96 gives 95%. No trials give (0, 1).

    Where rows weigh unlike, counts may be effective ones, which are no whole numbers.

    Raises:
        ValueError: if there are more successes than trials, or fewer than none.
    """
    if not 0 <= successes <= trials:
        raise ValueError(f"successes must lie in 0..{trials}, got {successes}")
    if trials == 0:
        return 0.0, 1.0
    share = successes / trials
    scale = 1 + z**2 / trials
    centre = (share + z**2 / (2 * trials)) / scale
    half = z * math.sqrt(share * (1 - share) / trials + z**2 / (4 * trials**2)) / scale
    return max(centre - half, 0.0), min(centre + half, 1.0)
