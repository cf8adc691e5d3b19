"""Where each digit of a print stands on a crop, as an upright window round it; training and scanning cut alike."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

DIGIT_SIDE_PX = 48  # of a cut window: the digit reader's input
DIGIT_CONTEXT = 2.6  # side of a window in steps from digit to digit: its neighbours show beside it
_LEAST_STEP_PX = 1.0  # digits nearer to each other than this are no print that could be read


@dataclass(frozen=True, slots=True)
class DigitWindow:
    """A square with the digit upright in its middle: centre and side in px of the crop, angle in radians.

    The angle is that from the crop's x to the direction of reading, clockwise as y points down.
    """

    x: float
    y: float
    angle: float
    side: float

    def cut(self, crop: NDArray[np.uint8], side_px: int = DIGIT_SIDE_PX) -> NDArray[np.uint8]:
        """The window as an upright picture uint8 RGB (side_px, side_px, 3); beyond the crop its edge goes on."""
        scale = self.side / side_px
        across, down = math.cos(self.angle) * scale, math.sin(self.angle) * scale
        middle = (side_px - 1) / 2
        to_crop = np.array(
            [
                [across, -down, self.x - across * middle + down * middle],
                [down, across, self.y - down * middle - across * middle],
            ]
        )
        return np.asarray(
            cv2.warpAffine(
                crop,
                to_crop,
                (side_px, side_px),
                flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_REPLICATE,
            ),
            np.uint8,
        )

    def widened(self, factor: float) -> DigitWindow:
        """Round the same digit, its side so many times as long."""
        return replace(self, side=self.side * factor)


def digit_windows(middles: NDArray[np.floating]) -> Sequence[DigitWindow]:
    """The windows of one field's digits, in order of reading; none where the places are no line of print.

    Args:
        middles: of the digits in px of the crop, shape (2 or more, 2).
    """
    steps = np.diff(np.asarray(middles, np.float64), axis=0)
    step = float(np.hypot(steps[:, 0], steps[:, 1]).mean())
    if not math.isfinite(step) or step < _LEAST_STEP_PX:
        return ()
    angles = _angles(np.unwrap(np.arctan2(steps[:, 1], steps[:, 0])))
    return [
        DigitWindow(float(x), float(y), float(angle), DIGIT_CONTEXT * step)
        for (x, y), angle in zip(middles, angles, strict=True)
    ]


def _angles(between: NDArray[np.float64]) -> NDArray[np.float64]:
    """Which way each digit is read, from the ways between neighbours (n - 1,): print may run along an arc."""
    inner = (between[:-1] + between[1:]) / 2
    if not len(inner):
        return np.repeat(between, 2)
    first, last = 2 * between[0] - inner[0], 2 * between[-1] - inner[-1]
    return np.concatenate([[first], inner, [last]])
