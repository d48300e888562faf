"""What a lens does besides making a picture: field, focus, light and time, as formulas on arrays.

Lengths in metres, angles in radians, times in seconds, light in lux and cd/m2. Every argument may be a
number or an array; arrays broadcast and the result is float64. A stop is its plain number (22 for f/22).
Distances are measured from the entrance pupil along the optical axis. The formulas are those of a thin lens;
where a real lens differs, ``pupil_ratio`` (exit pupil diameter / entrance pupil diameter) says by how much.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# ISO 2720:1974 as carried by meter makers: incident-light constant for a flat receptor
INCIDENT_C = 250.0

# the international foot is 0.3048 m: 1 lm/ft2 in lm/m2
LUX_PER_FOOT_CANDLE = 1.0 / 0.3048**2

# middle of the visible range, the usual choice for the Airy disc
GREEN = 550e-9

# the stops as engraved on lenses (ISO 517); the exact ones are powers of the square root of two
ENGRAVED_STOPS = (1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0, 45.0)


def _floats(*values: ArrayLike) -> tuple[Array, ...]:
    return tuple(np.asarray(value, dtype=np.float64) for value in values)


def angle_of_view(focal: ArrayLike, side: ArrayLike) -> Array:
    """Full angle (rad) of a lens focused far away across ``side`` m of the sensor: 2 atan(side / 2f)."""
    f, side_ = _floats(focal, side)
    return np.asarray(2.0 * np.arctan2(side_, 2.0 * f))


def magnification(focal: ArrayLike, focus: ArrayLike) -> Array:
    """Size on the sensor / size in the set at the focused distance: f / (s - f), thin lens.

    A distance not beyond the focal length cannot be focused and raises ``ValueError``.
    """
    f, s = _floats(focal, focus)
    if np.any(s <= f):
        raise ValueError("a lens cannot be focused at or within its own focal length")
    return np.asarray(f / (s - f))


def hyperfocal(focal: ArrayLike, stop: ArrayLike, blur_limit: ArrayLike) -> Array:
    """Nearest focus (m) at which the far distance is still sharp: f^2 / (N c) + f.

    ``blur_limit`` is the greatest circle of confusion, m on the sensor, that counts as sharp. Calculators
    that drop "+ f" differ by one focal length.
    """
    f, n, c = _floats(focal, stop, blur_limit)
    return np.asarray(f**2 / (n * c) + f)


def depth_of_field(
    focal: ArrayLike, stop: ArrayLike, blur_limit: ArrayLike, focus: ArrayLike
) -> tuple[Array, Array]:
    """Nearest and farthest sharp distance (m): s(H-f)/(H+s-2f) and s(H-f)/(H-s), thin lens.

    The farthest is infinite from the hyperfocal distance H onwards. These are the exact distances at which
    :func:`blur_diameter` equals ``blur_limit``.
    """
    f, s = _floats(focal, focus)
    h = hyperfocal(f, stop, blur_limit)
    near = s * (h - f) / (h + s - 2.0 * f)
    room = h - s
    with np.errstate(divide="ignore"):
        far = np.where(room > 0.0, s * (h - f) / np.where(room > 0.0, room, 1.0), np.inf)
    return np.asarray(near), np.asarray(far)


def blur_diameter(focal: ArrayLike, stop: ArrayLike, focus: ArrayLike, depth: ArrayLike) -> Array:
    """Circle of confusion (m on the sensor) of a point at ``depth`` m when focused at ``focus`` m.

    Thin lens, by similar triangles: an aperture of f/N seen past the focused plane, times the magnification:
    f/N * |z - s| / z * f / (s - f). A point not in front of the lens gives NaN.
    """
    f, n, s, z = _floats(focal, stop, focus, depth)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.where(z > 0.0, np.abs(z - s) / z, np.nan)
        # |z - s| / z tends to 1 far away, where the plain quotient is inf / inf
        spread = np.where(np.isposinf(z), 1.0, spread)
    return np.asarray(f / n * spread * magnification(f, s))


def focus_between(near: ArrayLike, far: ArrayLike) -> Array:
    """Focus distance (m) that blurs two distances alike: their harmonic mean 2 n r / (n + r).

    Follows from equal :func:`blur_diameter` at both; with ``far`` infinite it is twice ``near``.
    """
    n, r = _floats(near, far)
    with np.errstate(divide="ignore"):
        return np.asarray(2.0 / (1.0 / n + 1.0 / r))


def stop_for_depth(focal: ArrayLike, blur_limit: ArrayLike, near: ArrayLike, far: ArrayLike) -> Array:
    """Widest stop that keeps ``near`` to ``far`` m sharp when focused by :func:`focus_between`.

    :func:`blur_diameter` solved for N at the near end.
    """
    n, c = _floats(near, blur_limit)
    return np.asarray(blur_diameter(focal, 1.0, focus_between(n, far), n) / c)


def working_stop(stop: ArrayLike, magnification: ArrayLike, pupil_ratio: ArrayLike = 1.0) -> Array:
    """The stop as the sensor sees it when the lens is racked out close up: N (1 + m/P)."""
    n, m, p = _floats(stop, magnification, pupil_ratio)
    return np.asarray(n * (1.0 + m / p))


def exposure_factor(magnification: ArrayLike, pupil_ratio: ArrayLike = 1.0) -> Array:
    """How many times more light the close-up needs than a far subject: (1 + m/P)^2."""
    return np.asarray(working_stop(1.0, magnification, pupil_ratio) ** 2)


def airy_diameter(stop: ArrayLike, wavelength: ArrayLike = GREEN) -> Array:
    """Diameter (m on the sensor) of the Airy disc's first dark ring: 2.44 lambda N (Airy 1835).

    Pass the :func:`working_stop` close up.
    """
    n, w = _floats(stop, wavelength)
    return np.asarray(2.44 * w * n)


def exposure_value(stop: ArrayLike, time: ArrayLike) -> Array:
    """EV = log2(N^2 / t) of a stop and an exposure time in seconds (0 is f/1 for 1 s)."""
    n, t = _floats(stop, time)
    return np.asarray(np.log2(n**2 / t))


def light_for_stop(stop: ArrayLike, iso: ArrayLike, time: ArrayLike) -> Array:
    """Illuminance (lux) on the set that a stop needs: C N^2 / (S t), C = 250.

    Pass the :func:`working_stop` close up. The trade's rule of 25 (25 N^2 / (S t) foot-candles) asks 7.6 %
    more; makers' tables are rounded and differ by up to a sixth of a stop.
    """
    n, s, t = _floats(stop, iso, time)
    return np.asarray(INCIDENT_C * n**2 / (s * t))


def rate_for_scale(rate: ArrayLike, scale: ArrayLike) -> Array:
    """Rate at which things fall in a miniature as they would full size: rate * sqrt(scale).

    ``scale`` is how many times smaller than life the set is (20 for 1:20). A thing falls g t^2 / 2, so time
    shrinks with the root of length (Froude); *VES Handbook*, appendix A. Only needed where something falls,
    flows or burns in shot.
    """
    r, k = _floats(rate, scale)
    return np.asarray(r * np.sqrt(k))
