"""Colour formulas against Sharma's pairs, colour-science and scikit-image."""

from typing import Any

import colour as reference
import numpy as np
import pytest
import skimage.color
from numpy.typing import NDArray

from previz import colour

Floats = NDArray[np.floating[Any]]

# Sharma, Wu, Dalal, Color Research and Application 30(1), 21-30, 2005, table 1, all 34 pairs, as carried by
# colour-science 0.4.7 (its own test of CIEDE2000); the 14th is left out of that test but printed in it
SHARMA = np.array(
    [
        (50.0000, 2.6772, -79.7751, 50.0000, 0.0000, -82.7485, 2.0425),
        (50.0000, 3.1571, -77.2803, 50.0000, 0.0000, -82.7485, 2.8615),
        (50.0000, 2.8361, -74.0200, 50.0000, 0.0000, -82.7485, 3.4412),
        (50.0000, -1.3802, -84.2814, 50.0000, 0.0000, -82.7485, 1.0000),
        (50.0000, -1.1848, -84.8006, 50.0000, 0.0000, -82.7485, 1.0000),
        (50.0000, -0.9009, -85.5211, 50.0000, 0.0000, -82.7485, 1.0000),
        (50.0000, 0.0000, 0.0000, 50.0000, -1.0000, 2.0000, 2.3669),
        (50.0000, -1.0000, 2.0000, 50.0000, 0.0000, 0.0000, 2.3669),
        (50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0009, 7.1792),
        (50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0010, 7.1792),
        (50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0011, 7.2195),
        (50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0012, 7.2195),
        (50.0000, -0.0010, 2.4900, 50.0000, 0.0009, -2.4900, 4.8045),
        (50.0000, -0.0010, 2.4900, 50.0000, 0.0010, -2.4900, 4.8045),
        (50.0000, -0.0010, 2.4900, 50.0000, 0.0011, -2.4900, 4.7461),
        (50.0000, 2.5000, 0.0000, 50.0000, 0.0000, -2.5000, 4.3065),
        (50.0000, 2.5000, 0.0000, 73.0000, 25.0000, -18.0000, 27.1492),
        (50.0000, 2.5000, 0.0000, 61.0000, -5.0000, 29.0000, 22.8977),
        (50.0000, 2.5000, 0.0000, 56.0000, -27.0000, -3.0000, 31.9030),
        (50.0000, 2.5000, 0.0000, 58.0000, 24.0000, 15.0000, 19.4535),
        (50.0000, 2.5000, 0.0000, 50.0000, 3.1736, 0.5854, 1.0000),
        (50.0000, 2.5000, 0.0000, 50.0000, 3.2972, 0.0000, 1.0000),
        (50.0000, 2.5000, 0.0000, 50.0000, 1.8634, 0.5757, 1.0000),
        (50.0000, 2.5000, 0.0000, 50.0000, 3.2592, 0.3350, 1.0000),
        (60.2574, -34.0099, 36.2677, 60.4626, -34.1751, 39.4387, 1.2644),
        (63.0109, -31.0961, -5.8663, 62.8187, -29.7946, -4.0864, 1.2630),
        (61.2901, 3.7196, -5.3901, 61.4292, 2.2480, -4.9620, 1.8731),
        (35.0831, -44.1164, 3.7933, 35.0232, -40.0716, 1.5901, 1.8645),
        (22.7233, 20.0904, -46.6940, 23.0331, 14.9730, -42.5619, 2.0373),
        (36.4612, 47.8580, 18.3852, 36.2715, 50.5065, 21.2231, 1.4146),
        (90.8027, -2.0831, 1.4410, 91.1528, -1.6435, 0.0447, 1.4441),
        (90.9257, -0.5406, -0.9208, 88.6381, -0.8985, -0.7239, 1.5381),
        (6.7747, -0.2908, -2.4247, 5.8714, -0.0985, -2.2286, 0.6377),
        (2.0776, 0.0795, -1.1350, 0.9033, -0.0636, -0.5514, 0.9082),
    ]
)


@pytest.mark.parametrize("number", range(1, 35))
def test_de00_of_each_of_sharmas_pairs_both_ways(number: int) -> None:
    first, second, wanted = SHARMA[number - 1, :3], SHARMA[number - 1, 3:6], SHARMA[number - 1, 6]
    # printed to four places
    assert colour.de00(first, second) == pytest.approx(wanted, abs=0.5e-4)
    assert colour.de00(second, first) == pytest.approx(wanted, abs=0.5e-4)


def test_de00_of_hues_exactly_opposite_does_not_hang_on_rounding() -> None:
    # |h1 - h2| = 180 degrees is the first branch of Sharma's (14): half the sum of the hues. Written out here for
    # equal lightness and chroma, where only the hue term is left. Rounding puts some of these hues a hair beyond 180
    hue = np.radians(np.linspace(0.5, 179.5, 5000))
    one = np.stack([np.full(5000, 50.0), 2.49 * np.cos(hue), 2.49 * np.sin(hue)], axis=-1)
    other = one * [1.0, -1.0, -1.0]
    wider = 1.0 + 0.5 * (1.0 - np.sqrt(2.49**7 / (2.49**7 + 25.0**7)))
    chroma = np.hypot(wider * one[:, 1], one[:, 2])
    mean = np.degrees(np.arctan2(one[:, 2], wider * one[:, 1])) + 90.0

    def cos(degrees: Floats) -> Floats:
        return np.asarray(np.cos(np.radians(degrees)))

    t = 1 - 0.17 * cos(mean - 30) + 0.24 * cos(2 * mean) + 0.32 * cos(3 * mean + 6) - 0.20 * cos(4 * mean - 63)
    wanted = 2.0 * chroma / (1.0 + 0.015 * chroma * t)
    np.testing.assert_allclose(colour.de00(one, other), wanted, rtol=1e-9)
    np.testing.assert_allclose(colour.de00(other, one), wanted, rtol=1e-9)


def test_de00_is_that_of_two_libraries_over_ten_thousand_pairs() -> None:
    rng = np.random.default_rng(1)
    a = rng.uniform([0, -100, -100], [100, 100, 100], (10_000, 3))
    # half of the pairs far apart, half within a few units, where it is used
    b = np.where(
        np.arange(10_000)[:, None] % 2, rng.uniform([0, -100, -100], [100, 100, 100], (10_000, 3)), a
    ) + rng.normal(0.0, 2.0, (10_000, 3))
    ours = colour.de00(a, b)
    np.testing.assert_allclose(ours, skimage.color.deltaE_ciede2000(a, b), atol=1e-8)
    np.testing.assert_allclose(ours, reference.delta_E(a, b, method="CIE 2000"), atol=1e-8)
    # single precision is good to a thousandth of a just noticeable difference
    single = colour.de00(a.astype(np.float32), b.astype(np.float32))
    assert single.dtype == np.float32
    assert np.abs(single - ours).max() < 0.001 * colour.JND_DE00


def test_de76_and_its_just_noticeable_difference() -> None:
    rng = np.random.default_rng(2)
    a, b = rng.normal(0.0, 40.0, (2, 500, 3))
    np.testing.assert_allclose(colour.de76(a, b), reference.delta_E(a, b, method="CIE 1976"), atol=1e-10)
    assert reference.difference.JND_CIE1976 == colour.JND_DE76  # Mahy et al. 1994


@pytest.mark.parametrize(("code", "wanted"), [(0.51, 0.962), (0.52, 1.906), (0.55, 4.633), (0.60, 8.862)])
def test_de00_of_grey_steps(code: float, wanted: float) -> None:
    # sRGB grey 0.50 against a lighter one, computed with a general library
    greys = colour.lab(colour.decoded(np.repeat([[0.50], [code]], 3, axis=1)))
    assert colour.de00(greys[0], greys[1]) == pytest.approx(wanted, abs=0.002)


def test_srgb_transfer_is_that_of_the_standard() -> None:
    code = np.linspace(0.0, 1.0, 4001)
    linear = reference.models.eotf_sRGB(code)
    np.testing.assert_allclose(colour.decoded(code), linear, atol=1e-9)
    # the standard's two thresholds, 0.04045 and 0.0031308, are rounded: 1e-6 apart at the join
    np.testing.assert_allclose(colour.encoded(linear), code, atol=1e-6)
    np.testing.assert_allclose(colour.encoded([-0.5, 0.0, 1.0, 7.0]), [0, 0, 1, 1])


def test_eight_bit_codes_survive_the_way_there_and_back() -> None:
    codes = np.arange(256, dtype=np.uint8)
    np.testing.assert_array_equal(colour.encoded8(colour.decoded8(codes)), codes)
    assert colour.decoded8(codes).dtype == np.float32
    np.testing.assert_allclose(colour.decoded8(codes), reference.models.eotf_sRGB(codes / 255), atol=1e-7)


def test_hex_colours() -> None:
    np.testing.assert_allclose(
        colour.hex_linear("#ff8000"), reference.models.eotf_sRGB(np.array([255, 128, 0]) / 255), atol=1e-9
    )


def test_xyz_and_lab_are_those_of_two_libraries() -> None:
    rng = np.random.default_rng(3)
    linear = rng.uniform(0.0, 1.0, (2000, 3)) ** 2.2
    space = reference.RGB_COLOURSPACES["sRGB"]
    np.testing.assert_allclose(colour.xyz(linear), linear @ space.matrix_RGB_to_XYZ.T, atol=1e-12)
    lab = reference.XYZ_to_Lab(colour.xyz(linear), reference.XYZ_to_xy(colour.WHITE_XYZ))
    np.testing.assert_allclose(colour.lab(linear), lab, atol=1e-9)
    # scikit-image takes the white (0.95047, 1, 1.08883): up to 0.03 of a unit away near white
    np.testing.assert_allclose(colour.lab(linear), skimage.color.rgb2lab(colour.encoded(linear)), atol=0.05)
    single = colour.lab(linear.astype(np.float32))
    assert single.dtype == np.float32
    np.testing.assert_allclose(single, lab, atol=1e-3)


def test_white_is_neutral_and_black_is_black() -> None:
    np.testing.assert_allclose(colour.lab([[1.0, 1.0, 1.0], [0.0, 0.0, 0.0]]), [[100, 0, 0], [0, 0, 0]], atol=1e-9)


def test_luminance_is_the_y_of_xyz() -> None:
    linear = np.random.default_rng(4).uniform(0, 1, (50, 3))
    np.testing.assert_allclose(colour.luminance(linear), colour.xyz(linear)[:, 1], atol=1e-12)


@pytest.mark.parametrize("kelvin", [4000, 5000, 5600, 6504, 7000, 7500, 10_000, 25_000])
def test_white_of_daylight_is_the_cie_locus(kelvin: float) -> None:
    wanted = reference.temperature.CCT_to_xy_CIE_D(kelvin)
    np.testing.assert_allclose(colour.white_of_kelvin(kelvin), wanted, atol=1e-9)


def test_white_of_6504_kelvin_is_d65() -> None:
    d65 = reference.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    # the standard rounds its white to four places
    np.testing.assert_allclose(colour.white_of_kelvin(6504.0), d65, atol=2e-4)


@pytest.mark.parametrize("kelvin", [1500, 2000, 2700, 2856, 3200, 3999])
def test_white_of_a_filament_is_the_black_bodys(kelvin: float) -> None:
    # Planck's spectrum summed with the 1931 observer, both as carried by colour-science
    observer = reference.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    spectrum = reference.colorimetry.planck_law(observer.wavelengths * 1e-9, kelvin)
    wanted = reference.XYZ_to_xy(spectrum @ observer.values)
    np.testing.assert_allclose(colour.white_of_kelvin(kelvin), wanted, atol=0.0005)


def test_white_of_2856_kelvin_is_illuminant_a() -> None:
    a = reference.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["A"]
    np.testing.assert_allclose(colour.white_of_kelvin(2856.0), a, atol=0.0005)


def test_white_refuses_what_no_lamp_has() -> None:
    for kelvin in (900.0, 26_000.0, [5600.0, 0.0]):
        with pytest.raises(ValueError, match="between 1000 and 25000"):
            colour.white_of_kelvin(kelvin)


@pytest.mark.parametrize("balance", [3200.0, 4300.0, 5600.0])
@pytest.mark.parametrize("kelvin", [2700.0, 3200.0, 4300.0, 5600.0, 7500.0])
def test_lamp_tint_is_bradfords_adaptation(kelvin: float, balance: float) -> None:
    def white(value: float) -> Floats:
        return np.asarray(reference.xy_to_XYZ(colour.white_of_kelvin(value)))

    adapted = reference.adaptation.chromatic_adaptation_VonKries(
        white(kelvin), white(balance), colour.WHITE_XYZ, transform="Bradford"
    )
    linear = reference.XYZ_to_RGB(adapted, "sRGB", apply_cctf_encoding=False)
    # the standard's printed matrix and its inverse are four-digit: 0.001 apart
    np.testing.assert_allclose(
        colour.lamp_tint(kelvin, balance), linear / colour.luminance(linear), atol=0.002
    )


def test_lamp_tint_is_neutral_at_the_balance_and_keeps_the_light() -> None:
    for balance in (2000.0, 3200.0, 5600.0, 10_000.0):
        np.testing.assert_allclose(colour.lamp_tint(balance, balance), [1.0, 1.0, 1.0], atol=1e-12)
    tints = colour.lamp_tint(np.array([1500.0, 2500.0, 3200.0, 5600.0, 9000.0]), 5600.0)
    assert tints.shape == (5, 3)
    np.testing.assert_allclose(colour.luminance(tints), 1.0, atol=1e-12)
    assert np.all(tints >= 0.0)
    assert np.all(np.diff(tints[:, 0]) < 0.0), "the hotter, the less red"
    assert np.all(np.diff(tints[:, 2]) > 0.0), "the hotter, the bluer"
