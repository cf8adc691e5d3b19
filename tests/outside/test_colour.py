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
    srgb_from_linear,
)

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
