"""Colour: sRGB code values, linear Rec.709 light, CIE XYZ and CIELAB, colour differences.

Arrays are (..., 3), any float dtype, and keep their dtype. Inside the package light is linear with Rec.709
primaries and a D65 white; 1.0 is the delivered white.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.floating[Any]]

# IEC 61966-2-1:1999, amendment 1: linear sRGB to XYZ (four-digit matrix of the standard; D65 white
# X = 0.9505, Z = 1.0890)
XYZ_FROM_RGB = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
RGB_FROM_XYZ = np.linalg.inv(XYZ_FROM_RGB)
WHITE_XYZ = XYZ_FROM_RGB.sum(axis=1)

# Rec.709 luma weights, ITU-R BT.709-6, item 3.2
LUMINANCE_WEIGHTS = np.array([0.2126, 0.7152, 0.0722])

# just noticeable differences: dE*ab 2.3, Mahy et al. 1994 as carried by colour-science; dE00 1 by convention
JND_DE76 = 2.3
JND_DE00 = 1.0


def _floats(values: ArrayLike) -> Floats:
    a = np.asarray(values)
    return a if a.dtype in (np.float32, np.float64) else a.astype(np.float64)


def decoded(code: ArrayLike) -> Floats:
    """Linear light of sRGB code values in 0..1 (IEC 61966-2-1)."""
    c = _floats(code)
    return np.where(c <= 0.04045, c / 12.92, ((np.maximum(c, 0.0) + 0.055) / 1.055) ** 2.4).astype(c.dtype)


def encoded(linear: ArrayLike) -> Floats:
    """sRGB code values in 0..1 of linear light; values outside 0..1 are clipped (IEC 61966-2-1)."""
    v = np.clip(_floats(linear), 0.0, 1.0)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1.0 / 2.4) - 0.055).astype(v.dtype)


# linear light of each of the 256 code values
LINEAR_OF_CODE: NDArray[np.float32] = decoded(np.arange(256) / 255.0).astype(np.float32)


def decoded8(code: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Linear light, float32, of 8-bit sRGB codes of any shape."""
    return LINEAR_OF_CODE[code]


# 8-bit codes of linear light in steps of 1 / 65535: the steepest part of the curve moves by 0.05 codes a step
CODE_OF_LINEAR: NDArray[np.uint8] = np.rint(encoded(np.arange(65536) / 65535.0) * 255.0).astype(np.uint8)


def encoded8(linear: ArrayLike) -> NDArray[np.uint8]:
    """8-bit sRGB codes of linear light, rounded (to within 0.03 codes of the half); outside 0..1 it is clipped."""
    steps = np.clip(np.asarray(linear) * np.float32(65535.0), 0.0, 65535.0)
    return CODE_OF_LINEAR[(steps + np.float32(0.5)).astype(np.uint16)]


def hex_linear(text: str) -> Floats:
    """Linear light (3,) of a colour written ``#rrggbb``."""
    return decoded(np.array([int(text[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0)


def luminance(linear: ArrayLike) -> Floats:
    """Relative luminance (...) of linear Rec.709 light (..., 3)."""
    v = _floats(linear)
    return np.asarray(v @ LUMINANCE_WEIGHTS.astype(v.dtype))


def xyz(linear: ArrayLike) -> Floats:
    """CIE XYZ (white Y = 1) of linear Rec.709 light."""
    v = _floats(linear)
    return np.asarray(v @ XYZ_FROM_RGB.T.astype(v.dtype))


def lab_of_xyz(values: ArrayLike) -> Floats:
    """CIELAB (CIE 15:2004, section 8.2.1) of XYZ against the white of this package."""
    v = _floats(values)
    t = v / WHITE_XYZ.astype(v.dtype)
    delta = 6.0 / 29.0
    f = np.where(t > delta**3, np.cbrt(np.maximum(t, 0.0)), t / (3.0 * delta**2) + 4.0 / 29.0).astype(v.dtype)
    out = np.empty_like(f)
    out[..., 0] = 116.0 * f[..., 1] - 16.0
    out[..., 1] = 500.0 * (f[..., 0] - f[..., 1])
    out[..., 2] = 200.0 * (f[..., 1] - f[..., 2])
    return np.asarray(out)


def xyz_of_lab(values: ArrayLike) -> Floats:
    """XYZ of CIELAB (CIE 15:2004, annex D) against the white of this package: undoes :func:`lab_of_xyz`."""
    v = _floats(values)
    y = (v[..., 0] + 16.0) / 116.0
    f = np.stack([y + v[..., 1] / 500.0, y, y - v[..., 2] / 200.0], axis=-1)
    delta = 6.0 / 29.0
    t = np.where(f > delta, f**3, 3.0 * delta**2 * (f - 4.0 / 29.0))
    return np.asarray(t * WHITE_XYZ, dtype=v.dtype)


def lab(linear: ArrayLike) -> Floats:
    """CIELAB of linear Rec.709 light; L* 0 to 100 for 0 to 1."""
    return lab_of_xyz(xyz(linear))


def de76(lab_a: ArrayLike, lab_b: ArrayLike) -> Floats:
    """CIELAB difference dE*ab (...) of (..., 3) pairs."""
    return np.asarray(np.linalg.norm(_floats(lab_a) - _floats(lab_b), axis=-1))


def de00(lab_a: ArrayLike, lab_b: ArrayLike) -> Floats:
    """CIEDE2000 (...) of (..., 3) pairs, kL = kC = kH = 1.

    Sharma, Wu, Dalal, Color Research and Application 30(1), 21-30, 2005; equation numbers beside the steps.
    """
    a, b = np.broadcast_arrays(_floats(lab_a), _floats(lab_b))
    l1, l2 = a[..., 0], b[..., 0]
    c1, c2 = np.hypot(a[..., 1], a[..., 2]), np.hypot(b[..., 1], b[..., 2])  # (2)
    mean_c7 = (0.5 * (c1 + c2)) ** 7  # (3)
    g = 0.5 * (1.0 - np.sqrt(mean_c7 / (mean_c7 + 25.0**7)))  # (4)
    a1, a2 = (1.0 + g) * a[..., 1], (1.0 + g) * b[..., 1]  # (5)
    c1, c2 = np.hypot(a1, a[..., 2]), np.hypot(a2, b[..., 2])  # (6)
    h1 = np.degrees(np.arctan2(a[..., 2], a1)) % 360.0  # (7)
    h2 = np.degrees(np.arctan2(b[..., 2], a2)) % 360.0
    grey = c1 * c2 == 0.0
    dl, dc = l2 - l1, c2 - c1  # (8), (9)
    # hues exactly opposite belong to the first branch of (10) and (14), whatever rounding makes of them
    half_turn = 180.0 + 3000.0 * np.finfo(h1.dtype).eps
    dh = h2 - h1  # (10)
    dh = np.where(dh > half_turn, dh - 360.0, np.where(dh < -half_turn, dh + 360.0, dh))
    dh = np.where(grey, 0.0, dh)
    big_dh = 2.0 * np.sqrt(c1 * c2) * np.sin(np.radians(0.5 * dh))  # (11)
    mean_l, mean_c = 0.5 * (l1 + l2), 0.5 * (c1 + c2)  # (12), (13)
    h_sum = h1 + h2  # (14)
    turned = np.where(h_sum < 360.0, 0.5 * (h_sum + 360.0), 0.5 * (h_sum - 360.0))
    mean_h = np.where(np.abs(h1 - h2) <= half_turn, 0.5 * h_sum, turned)
    mean_h = np.where(grey, h_sum, mean_h)
    t = (  # (15)
        1.0
        - 0.17 * np.cos(np.radians(mean_h - 30.0))
        + 0.24 * np.cos(np.radians(2.0 * mean_h))
        + 0.32 * np.cos(np.radians(3.0 * mean_h + 6.0))
        - 0.20 * np.cos(np.radians(4.0 * mean_h - 63.0))
    )
    d_theta = 30.0 * np.exp(-(((mean_h - 275.0) / 25.0) ** 2))  # (16)
    c7 = mean_c**7
    r_c = 2.0 * np.sqrt(c7 / (c7 + 25.0**7))  # (17)
    s_l = 1.0 + 0.015 * (mean_l - 50.0) ** 2 / np.sqrt(20.0 + (mean_l - 50.0) ** 2)  # (18)
    s_c = 1.0 + 0.045 * mean_c  # (19)
    s_h = 1.0 + 0.015 * mean_c * t  # (20)
    r_t = -np.sin(np.radians(2.0 * d_theta)) * r_c  # (21)
    dl, dc, big_dh = dl / s_l, dc / s_c, big_dh / s_h
    return np.asarray(np.sqrt(np.maximum(dl**2 + dc**2 + big_dh**2 + r_t * dc * big_dh, 0.0)))  # (22)


# Bradford cone response, as in ICC.1:2010, annex E
_CONE_FROM_XYZ = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])

# where daylight phases begin; lamps below are black bodies
DAYLIGHT_FROM_KELVIN = 4000.0


def white_of_kelvin(kelvin: ArrayLike) -> Floats:
    """CIE 1931 chromaticity (..., 2) of a lamp of a colour temperature, 1000 to 25 000 K.

    From 4000 K the CIE daylight locus (CIE 015:2018, illuminants D). Below, the black body by Krystek,
    *Color Research and Application* 10(1), 38-40, 1985: within 0.0005 of the integrated spectrum. At 4000 K
    the two are 0.007 apart in y: daylight is a little greener than a filament. Outside: ``ValueError``.
    """
    t = np.asarray(kelvin, dtype=np.float64)
    if np.any((t < 1000.0) | (t > 25000.0)):
        raise ValueError("a colour temperature must lie between 1000 and 25000 K")
    x_d = np.where(
        t <= 7000.0,
        -4.6070e9 / t**3 + 2.9678e6 / t**2 + 0.09911e3 / t + 0.244063,
        -2.0064e9 / t**3 + 1.9018e6 / t**2 + 0.24748e3 / t + 0.237040,
    )
    daylight = np.stack([x_d, -3.0 * x_d**2 + 2.870 * x_d - 0.275], axis=-1)
    u = (0.860117757 + 1.54118254e-4 * t + 1.28641212e-7 * t**2) / (
        1.0 + 8.42420235e-4 * t + 7.08145163e-7 * t**2
    )
    v = (0.317398726 + 4.22806245e-5 * t + 4.20481691e-8 * t**2) / (
        1.0 - 2.89741816e-5 * t + 1.61456053e-7 * t**2
    )
    # CIE 1960 (u, v) to CIE 1931 (x, y)
    body = np.stack([3.0 * u, 2.0 * v], axis=-1) / (2.0 * u - 8.0 * v + 4.0)[..., None]
    return np.asarray(np.where((t >= DAYLIGHT_FROM_KELVIN)[..., None], daylight, body))


def lamp_tint(kelvin: ArrayLike, white_balance: float) -> Floats:
    """Linear Rec.709 multipliers (..., 3), luminance 1, of a lamp as a balanced camera sees it.

    A lamp whose ``kelvin`` (...) is the camera's ``white_balance`` is neutral: (1, 1, 1). Others by Bradford
    adaptation from the balanced white to D65 (ICC.1:2010, annex E). Colours outside Rec.709 (a candle under
    a daylight balance) are clipped at 0 before the luminance is made 1.
    """
    seen = _cones_of(white_of_kelvin(white_balance))
    wanted = _CONE_FROM_XYZ @ WHITE_XYZ
    adapted = _cones_of(white_of_kelvin(kelvin)) / seen * wanted
    rgb = np.maximum(adapted @ np.linalg.inv(_CONE_FROM_XYZ).T @ RGB_FROM_XYZ.T, 0.0)
    return np.asarray(rgb / luminance(rgb)[..., None])


def _cones_of(xy: Floats) -> Floats:
    x, y = xy[..., 0], xy[..., 1]
    return np.asarray(np.stack([x / y, np.ones_like(y), (1.0 - x - y) / y], axis=-1) @ _CONE_FROM_XYZ.T)
