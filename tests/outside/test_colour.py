"""Colour against published tables and two other implementations (scikit-image, colour-science)."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
import skimage.color

from pipeline.measures.colour import (
    apply_gains,
    balance_gains,
    ciede2000,
    lab_from_linear,
    lab_from_srgb,
    linear_from_srgb,
    matrix_of_gains,
    srgb_from_linear,
)
from pipeline.measures.white_balance import GREY_EDGE, GREY_WORLD, SHADES_OF_GREY, light_colour, to_daylight

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # colour-science warns of optional packages on import
    import colour

# Sharma, Wu and Dalal (2005), The CIEDE2000 color-difference formula, Color Research and Application 30(1), table 1.
SHARMA_WU_DALAL_2005 = [
    ((50.0000, 2.6772, -79.7751), (50.0000, 0.0000, -82.7485), 2.0425),
    ((50.0000, 3.1571, -77.2803), (50.0000, 0.0000, -82.7485), 2.8615),
    ((50.0000, 2.8361, -74.0200), (50.0000, 0.0000, -82.7485), 3.4412),
    ((50.0000, -1.3802, -84.2814), (50.0000, 0.0000, -82.7485), 1.0000),
    ((50.0000, -1.1848, -84.8006), (50.0000, 0.0000, -82.7485), 1.0000),
    ((50.0000, -0.9009, -85.5211), (50.0000, 0.0000, -82.7485), 1.0000),
    ((50.0000, 0.0000, 0.0000), (50.0000, -1.0000, 2.0000), 2.3669),
    ((50.0000, -1.0000, 2.0000), (50.0000, 0.0000, 0.0000), 2.3669),
    ((50.0000, 2.4900, -0.0010), (50.0000, -2.4900, 0.0009), 7.1792),
    ((50.0000, 2.4900, -0.0010), (50.0000, -2.4900, 0.0010), 7.1792),
    ((50.0000, 2.4900, -0.0010), (50.0000, -2.4900, 0.0011), 7.2195),
    ((50.0000, 2.4900, -0.0010), (50.0000, -2.4900, 0.0012), 7.2195),
    ((50.0000, -0.0010, 2.4900), (50.0000, 0.0009, -2.4900), 4.8045),
    ((50.0000, -0.0010, 2.4900), (50.0000, 0.0010, -2.4900), 4.8045),
    ((50.0000, -0.0010, 2.4900), (50.0000, 0.0011, -2.4900), 4.7461),
    ((50.0000, 2.5000, 0.0000), (50.0000, 0.0000, -2.5000), 4.3065),
    ((50.0000, 2.5000, 0.0000), (73.0000, 25.0000, -18.0000), 27.1492),
    ((50.0000, 2.5000, 0.0000), (61.0000, -5.0000, 29.0000), 22.8977),
    ((50.0000, 2.5000, 0.0000), (56.0000, -27.0000, -3.0000), 31.9030),
    ((50.0000, 2.5000, 0.0000), (58.0000, 24.0000, 15.0000), 19.4535),
    ((50.0000, 2.5000, 0.0000), (50.0000, 3.1736, 0.5854), 1.0000),
    ((50.0000, 2.5000, 0.0000), (50.0000, 3.2972, 0.0000), 1.0000),
    ((50.0000, 2.5000, 0.0000), (50.0000, 1.8634, 0.5757), 1.0000),
    ((50.0000, 2.5000, 0.0000), (50.0000, 3.2592, 0.3350), 1.0000),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((63.0109, -31.0961, -5.8663), (62.8187, -29.7946, -4.0864), 1.2630),
    ((61.2901, 3.7196, -5.3901), (61.4292, 2.2480, -4.9620), 1.8731),
    ((35.0831, -44.1164, 3.7933), (35.0232, -40.0716, 1.5901), 1.8645),
    ((22.7233, 20.0904, -46.6940), (23.0331, 14.9730, -42.5619), 2.0373),
    ((36.4612, 47.8580, 18.3852), (36.2715, 50.5065, 21.2231), 1.4146),
    ((90.8027, -2.0831, 1.4410), (91.1528, -1.6435, 0.0447), 1.4441),
    ((90.9257, -0.5406, -0.9208), (88.6381, -0.8985, -0.7239), 1.5381),
    ((6.7747, -0.2908, -2.4247), (5.8714, -0.0985, -2.2286), 0.6377),
    ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
]


def test_the_published_table_has_all_its_34_pairs():
    assert len(SHARMA_WU_DALAL_2005) == 34


@pytest.mark.parametrize(("a", "b", "published"), SHARMA_WU_DALAL_2005)
def test_each_published_pair_has_its_published_difference(a, b, published):
    assert float(ciede2000(a, b)) == pytest.approx(published, abs=5e-5)
    assert float(ciede2000(b, a)) == pytest.approx(published, abs=5e-5)
    # The table as typed here, checked against two other implementations.
    assert float(colour.delta_E(a, b, method="CIE 2000")) == pytest.approx(published, abs=5e-5)
    assert float(skimage.color.deltaE_ciede2000(a, b)) == pytest.approx(published, abs=5e-5)


def test_differences_of_many_colours_equal_scikit_images():
    rng = np.random.default_rng(0)
    a, b = rng.uniform([0, -100, -100], [100, 100, 100], (2, 2000, 3))
    np.testing.assert_allclose(ciede2000(a, b), skimage.color.deltaE_ciede2000(a, b), atol=1e-8)


def test_with_lightness_counted_half_differences_equal_those_that_colour_science_has_for_textiles():
    rng = np.random.default_rng(1)
    a, b = rng.uniform([0, -100, -100], [100, 100, 100], (2, 2000, 3))
    published = colour.delta_E(a, b, method="CIE 2000", textiles=True)
    np.testing.assert_allclose(ciede2000(a, b, lightness_factor=2), published, atol=1e-8)


def test_lab_of_every_grey_and_of_many_colours_equals_scikit_images():
    rng = np.random.default_rng(0)
    greys = np.repeat(np.arange(256, dtype=np.uint8)[:, None], 3, axis=1)
    colours = np.vstack([greys, rng.integers(0, 256, (2000, 3), dtype=np.uint8)])
    # The two round the sRGB matrix and D65 in the fourth digit.
    np.testing.assert_allclose(lab_from_srgb(colours), skimage.color.rgb2lab(colours[None])[0], atol=0.02)


def test_linear_light_there_and_back_equals_colour_sciences_curve():
    unit = np.linspace(0, 1, 300)[:, None].repeat(3, axis=1)
    np.testing.assert_allclose(linear_from_srgb(unit), colour.cctf_decoding(unit, function="sRGB"), atol=1e-6)
    np.testing.assert_allclose(srgb_from_linear(linear_from_srgb(unit)), unit, atol=1e-6)


def chart_under(lamp: str) -> np.ndarray:
    """The 24 patches of a colour chart in linear sRGB, as a camera that keeps its D65 balance sees them.

    Reflectances: ColorChecker as measured by N. Ohta (1997); lamps: CIE 15. Both as colour-science carries them.
    """
    illuminant = colour.SDS_ILLUMINANTS[lamp]
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # aligning of wavelengths
        patches = colour.SDS_COLOURCHECKERS["ColorChecker N Ohta"].values()
        xyz = np.array([colour.sd_to_XYZ(patch, cmfs, illuminant) / 100 for patch in patches])
    return np.maximum(xyz @ np.linalg.inv(colour.models.RGB_COLOURSPACE_sRGB.matrix_RGB_to_XYZ).T, 0)


@pytest.fixture(scope="module")
def chart_in_daylight() -> np.ndarray:
    return chart_under("D65")


@pytest.mark.parametrize(
    ("lamp", "before_at_least", "after_at_most"),
    [("A", 15, 4.5), ("D50", 5, 1.3), ("D65", 0, 0.01), ("D75", 2, 0.6), ("FL2", 9, 6), ("FL11", 9, 3)],
)
@pytest.mark.parametrize("reference", [18, 0], ids=["white", "brown"])
def test_balancing_against_a_known_object_brings_the_other_colours_home(
    chart_in_daylight, lamp, before_at_least, after_at_most, reference
):
    true, seen = chart_in_daylight, chart_under(lamp)
    gains = balance_gains(seen[reference], true[reference], limit=6)
    others = np.arange(24) != reference

    def error(light):
        return float(np.median(ciede2000(lab_from_linear(true[others]), lab_from_linear(light[others]))))

    assert error(seen) >= before_at_least
    assert error(apply_gains(seen, gains)) <= after_at_most


def as_linear_rgb(xyz: np.ndarray) -> np.ndarray:
    return colour.models.RGB_COLOURSPACE_sRGB.matrix_XYZ_to_RGB @ xyz


def in_xyz(matrix: np.ndarray) -> np.ndarray:
    """A change of linear sRGB as a change of XYZ."""
    to_xyz = colour.models.RGB_COLOURSPACE_sRGB.matrix_RGB_to_XYZ
    return to_xyz @ matrix @ np.linalg.inv(to_xyz)


def test_adaptation_from_d65_to_d50_is_the_published_matrix():
    # B. Lindbloom, Chromatic Adaptation, Bradford, D65 to D50 (from memory); to three places, as D65 is rounded here.
    d50 = as_linear_rgb(np.array([0.96422, 1.0, 0.82521]))
    matrix = matrix_of_gains(balance_gains(np.ones(3), d50))
    published = [
        [1.0478112, 0.0228866, -0.0501270],
        [0.0295424, 0.9904844, -0.0170491],
        [-0.0092345, 0.0150436, 0.7521316],
    ]
    np.testing.assert_allclose(in_xyz(matrix), published, atol=4e-4)


@pytest.mark.parametrize("lamp", ["A", "D50", "D65", "D75", "FL2", "FL11"])
def test_turning_a_lamp_white_is_colour_sciences_bradford_adaptation(lamp):
    observer = "CIE 1931 2 Degree Standard Observer"
    white, daylight = (colour.xy_to_XYZ(colour.CCS_ILLUMINANTS[observer][name]) for name in (lamp, "D65"))
    theirs = colour.adaptation.matrix_chromatic_adaptation_VonKries(white, daylight, transform="Bradford")
    np.testing.assert_allclose(in_xyz(to_daylight(as_linear_rgb(white))), theirs, atol=4e-4)


@pytest.mark.parametrize("lamp", ["A", "D50", "D75", "FL2", "FL11"])
def test_another_adaptation_cat02_leaves_colours_close_by(chart_in_daylight, lamp):
    # CAT02 (CIECAM02, Moroney and others 2002) and Bradford are two answers to one question. They part by no more
    # than a twentieth of the cast that they undo.
    observer = "CIE 1931 2 Degree Standard Observer"
    white, daylight = (colour.xy_to_XYZ(colour.CCS_ILLUMINANTS[observer][name]) for name in (lamp, "D65"))
    cat02 = colour.adaptation.matrix_chromatic_adaptation_VonKries(white, daylight, transform="CAT02")
    seen = chart_under(lamp)
    ours = np.clip(seen @ to_daylight(as_linear_rgb(white)).T, 0, 1)
    theirs = np.clip(as_linear_rgb(cat02 @ in_xyz_colours(seen).T).T, 0, 1)
    apart = np.median(ciede2000(lab_from_linear(ours), lab_from_linear(theirs)))
    left = np.median(ciede2000(lab_from_linear(chart_in_daylight), lab_from_linear(seen)))
    assert 0 < apart < left / 20


def in_xyz_colours(linear: np.ndarray) -> np.ndarray:
    return linear @ colour.models.RGB_COLOURSPACE_sRGB.matrix_RGB_to_XYZ.T


@pytest.mark.parametrize("lamp", ["A", "FL2", "FL11"])
@pytest.mark.parametrize("assumption", [GREY_WORLD, SHADES_OF_GREY, GREY_EDGE], ids=["world", "shades", "edge"])
def test_a_chart_with_all_colours_tells_its_lamp(lamp, assumption):
    # Where the assumptions hold, the published methods find strong casts to within some degrees (Gijsenij, Gevers and
    # van de Weijer 2011 report medians of 3 to 7 on photos).
    patches = np.clip(chart_under(lamp) * 0.8, 0, 1).reshape(4, 6, 3)
    tiled = np.kron(patches, np.ones((20, 20, 1)))
    light = light_colour(np.round(255 * srgb_from_linear(tiled)).astype(np.uint8), assumption)
    white = as_linear_rgb(colour.xy_to_XYZ(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][lamp]))
    apart = np.degrees(np.arccos(light @ white / np.linalg.norm(light) / np.linalg.norm(white)))
    without = np.degrees(np.arccos(white.sum() / np.sqrt(3) / np.linalg.norm(white)))
    assert apart < min(8, 0.6 * without)
