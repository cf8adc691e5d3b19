"""How strongly evidence speaks, in words and as a bar that runs both ways.

The words are the verbal scale for likelihood ratios of the ENFSI guideline for evaluative reporting in forensic science
(2015): 1 to 2 no support, to 10 weak, to 100 moderate, to 1,000 moderately strong, to 10,000 strong, to 1,000,000 very
strong, beyond that extremely strong. A ratio below 1 speaks for the other side, by its inverse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

# Upper end of each band, as log10 of the ratio. A ratio on an end belongs to the band below it.
_BANDS = (
    (math.log10(2), ""),
    (1.0, "weak"),
    (2.0, "moderate"),
    (3.0, "moderately strong"),
    (4.0, "strong"),
    (6.0, "very strong"),
)
_BEYOND = "extremely strong"
BAR_LOG10_LR = 4.0  # a single sign's bar is full at this; signs are bounded to it
TOTAL_LOG10_LR = 6.0  # and that of all evidence at this


@dataclass(frozen=True, slots=True)
class Strength:
    """What a likelihood ratio says. `x` and `width` place the bar on a scale 200 wide, middle at 100."""

    words: str
    side: str  # "against", "for" (a genuine pair), or "neither"
    x: float
    width: float
    number: str  # the ratio's log10, with its sign


def strength(log10_lr: float, full: float = BAR_LOG10_LR) -> Strength:
    """Words and bar for a ratio; `full` is where the bar ends."""
    band = next((word for end, word in _BANDS if abs(log10_lr) <= end), _BEYOND)
    side = "neither" if not band else "against" if log10_lr > 0 else "for"
    words = f"{band} support {side} genuine" if band else "no support either way"
    length = 100 * min(1.0, abs(log10_lr) / full)
    number = f"{log10_lr:+.1f}".replace("-", "\N{MINUS SIGN}")
    return Strength(words, side, round(100 - length if log10_lr < 0 else 100, 1), round(length, 1), number)
