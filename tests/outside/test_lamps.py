"""Colours under lamps against other ways from a colour to a spectrum, and the lamps of training against colour-science.

Sources: Smits 1999 (spectra from RGB), Mallett and Yuksel 2019 (the same, linear), CIE 15 (lamps), Lam 1985
(Bradford's cones), NPL (camera sensitivities, as colour-science carries them).
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from pipeline.evaluate.lamp_camera import LAMPS, camera_under_lamps
from pipeline.measures.colour import ciede2000, lab_from_linear, linear_from_srgb, rgb_from_hex

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # colour-science warns of optional packages on import
    import colour

SHEET = {
    "tan": "#B98B57",
    "thread": "#B9762F",
    "blind print": "#7A4E2A",
    "tab": "#1F5E57",
    "tag": "#F4F2EC",
    "ink": "#151515",
}
SPAN = colour.SpectralShape(400, 700, 5)


def values(spectrum) -> np.ndarray:
    return spectrum.copy().align(SPAN).values


@pytest.fixture(scope="module")
def camera():
    return camera_under_lamps()


@pytest.mark.parametrize("lamp", ["A", "D50", "D75", "F2", "F11"])
@pytest.mark.parametrize("name", SHEET)
def test_another_spectrum_of_the_same_colour_looks_alike_under_each_lamp(camera, lamp, name):
    # Two reflectances of one colour part under a lamp: metamerism. Ours and Smits's stay within 3 CIEDE2000, where the
    # lamp itself, not balanced, moves a light colour by 5 to 30.
    rgb = linear_from_srgb(rgb_from_hex(SHEET[name]))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of Smits's uneven wavelengths
        reflectance = values(colour.recovery.RGB_to_sd_Smits1999(rgb))
    sensor = values(colour.MSDS_CAMERA_SENSITIVITIES["Nikon 5100 (NPL)"])
    raw = (sensor * values(colour.SDS_ILLUMINANTS[LAMPS[lamp]])[:, None]).T @ reflectance
    by_day = camera.raw["D65"] / camera.raw["D65"].sum(axis=1, keepdims=True)
    theirs = np.linalg.solve(by_day, raw / camera.raw[lamp].sum(axis=1))
    ours = camera.change(lamp, adapted=1.0) @ rgb
    assert ciede2000(lab_from_linear(np.clip(ours, 0, 1)), lab_from_linear(np.clip(theirs, 0, 1))) < 3


@pytest.mark.parametrize(("lamp", "kelvin"), [("A", 2856), ("D50", 5003), ("D65", 6504), ("D75", 7504), ("F2", 4230)])
def test_white_under_a_lamp_has_the_lamps_own_colour_temperature(camera, lamp, kelvin):
    # CIE 15, correlated colour temperatures. The camera is no observer, so only to within 8%.
    white = camera.change(lamp) @ np.ones(3)
    xy = colour.XYZ_to_xy(colour.models.RGB_COLOURSPACE_sRGB.matrix_RGB_to_XYZ @ white)
    assert colour.temperature.xy_to_CCT(xy, method="McCamy 1992") == pytest.approx(kelvin, rel=0.08)


def test_the_lamps_of_training_are_those_of_the_published_spectra():
    pytest.importorskip("torch")
    from pipeline.train.lamp_light import LAMP_RAW

    span = colour.SpectralShape(380, 780, 5)
    sky = colour.temperature.CCT_to_xy_CIE_D(12000)
    own = {
        "2300 K": colour.sd_blackbody(2300, span),
        "3500 K": colour.sd_blackbody(3500, span),
        "shade": colour.sd_CIE_illuminant_D_series(sky),
    }
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(span).values
    sensor = observer @ colour.adaptation.CHROMATIC_ADAPTATION_TRANSFORMS["Bradford"].T
    basis = colour.recovery.MSDS_BASIS_FUNCTIONS_sRGB_MALLETT2019.copy().align(span).values

    def raw(spectrum) -> np.ndarray:
        return (sensor * spectrum.copy().align(span).values[:, None]).T @ basis

    by_day = raw(colour.SDS_ILLUMINANTS["D65"]).sum(axis=1)
    for name, ours in LAMP_RAW.items():
        theirs = raw(own[name] if name in own else colour.SDS_ILLUMINANTS[name]) / by_day[:, None]
        np.testing.assert_allclose(ours, theirs / theirs[1].sum(), atol=6e-5, err_msg=name)
