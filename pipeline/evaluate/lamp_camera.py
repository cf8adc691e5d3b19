"""A photo taken in daylight as another lamp would have it, from spectra; needs colour-science of the dev extra.

Every colour of the photo is taken for the smooth reflectance of Mallett and Yuksel 2019, which is linear in linear
RGB: lamp, reflectance and a camera's measured sensitivities (NPL, in Darrodi and others 2015) then make one matrix a
lamp. The lamps are those of CIE 15. What the camera takes for white comes on top, channel by channel, as cameras do.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.measures.colour import LUMINANCE

LAMPS: Mapping[str, str] = {"A": "A", "D50": "D50", "D65": "D65", "D75": "D75", "F2": "FL2", "F11": "FL11"}
DAYLIGHT = "D65"
_CAMERA = "Nikon 5100 (NPL)"
_RANGE_NM = (400, 700, 5)

Matrix = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class LampCamera:
    """`raw` by lamp: what the sensor says of the basis reflectances red, green and blue, shape (3 channels, 3)."""

    raw: Mapping[str, Matrix]

    def change(self, lamp: str, adapted: float = 0.0, error: ArrayLike = (0.0, 0.0, 0.0)) -> Matrix:
        """What a lamp does to the linear RGB of a photo that was taken in daylight.

        Args:
            lamp: one of `LAMPS`.
            adapted: how far the camera's white balance follows the lamp: 0 stays at daylight, 1 makes white white.
            error: by which the camera misjudges each channel, natural log, shape (3,).

        Returns:
            Shape (3, 3); the luminance of white is kept.
        """
        raw, daylight = self.raw[lamp], self.raw[DAYLIGHT]
        white, white_by_day = raw.sum(axis=1), daylight.sum(axis=1)
        taken_for_white = white**adapted * white_by_day ** (1 - adapted) * np.exp(error)
        changed = np.linalg.solve(daylight / white_by_day[:, None], raw / taken_for_white[:, None])
        return np.asarray(changed / (LUMINANCE @ changed.sum(axis=1)), np.float64)


def camera_under_lamps() -> LampCamera:
    """The camera under all of `LAMPS`.

    Raises:
        ModuleNotFoundError: if colour-science is not installed.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of optional packages on import
        import colour
    span = colour.SpectralShape(*_RANGE_NM)
    basis = colour.recovery.MSDS_BASIS_FUNCTIONS_sRGB_MALLETT2019.copy().align(span).values
    sensor = colour.MSDS_CAMERA_SENSITIVITIES[_CAMERA].copy().align(span).values
    return LampCamera({
        name: np.asarray((sensor * _values(colour.SDS_ILLUMINANTS[key], span)[:, None]).T @ basis, np.float64)
        for name, key in LAMPS.items()
    })  # fmt: skip


def _values(spectrum: object, span: object) -> NDArray[np.float64]:
    """A spectrum at the wavelengths of `span`."""
    aligned = spectrum.copy().align(span)  # type: ignore[attr-defined]
    return np.asarray(aligned.values, np.float64)
