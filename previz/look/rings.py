"""The rings that diffraction lays round every point: what the Gaussian in a point's kernel leaves of the Airy pattern.

A perfect round pupil's picture of a point falls off with the cube of the distance, and no Gaussian does. Little of its
light goes far, a twentieth beyond four times wavelength and stop, but what is lost in the middle is lost to every fine
pattern: contrast falls with the first power of its frequency, where under a Gaussian it falls with the second. Of a
pattern of six pixels f/16 takes five hundredths away on a full frame 960 px wide, the Gaussian less than one.

The rings are the same at all depths and stay where they are when things move. So they are laid over a whole picture at
once, by its cosine transform, after each depth has been blurred by its kernel.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from previz.look.kernels import AIRY_SIGMA, gaussian_kernel

Plane = NDArray[np.float32]

# rings round a part of a picture are followed so many wavelengths times stops: beyond v / pi of them lies about
# 2 / (pi v) of a point's light (Born and Wolf, 8.5.2 (18), with the Bessel functions' own limits)
_FAR = 200.0
_STEP_PX = 32


def ringed(picture: Plane, wave_px: float) -> Plane:
    """A picture (H, W) or (H, W, C) with the rings that its kernels have left out; beyond its rim it is mirrored.

    ``wave_px`` is wavelength times working stop, px; 0 leaves the picture as it is. A linear map that is its own
    transpose: the cosines of a mirrored picture (type II) are orthogonal, and each is only made fainter.
    """
    if wave_px <= 0.0:
        return picture
    # loaded where there is a lens
    from scipy import fft

    left = _left_undone(*picture.shape[:2], wave_px)
    cosines = fft.dctn(np.asarray(picture, dtype=np.float32), axes=(0, 1), norm="ortho")
    cosines *= left if picture.ndim == 2 else left[..., None]
    return np.asarray(fft.idctn(cosines, axes=(0, 1), norm="ortho", overwrite_x=True), dtype=np.float32)


def ringed_part(picture: Plane, box: tuple[int, int, int, int], wave_px: float) -> Plane:
    """The same of a picture (H, W) or (H, W, C) that is dark outside a ``box`` (left, top, right, bottom) px. What
    would go so far from it that it is less than a thousandth of a point's light is left nearer by."""
    h, w = picture.shape[:2]
    far = int(np.ceil(_FAR * wave_px))
    left, right = _wider(box[0], box[2], far, w)
    top, bottom = _wider(box[1], box[3], far, h)
    out = np.zeros_like(picture, dtype=np.float32)
    out[top:bottom, left:right] = ringed(picture[top:bottom, left:right], wave_px)
    return out


def _wider(first: int, last: int, far: int, whole: int) -> tuple[int, int]:
    """The ends of a stretch with ``far`` px more on either side; of few lengths, each reckoned once and transformed
    quickly."""
    first = max(first - far, 0)
    length = min(-(-(last + far - first) // _STEP_PX) * _STEP_PX, whole)
    first = min(first, whole - length)
    return first, first + length


def transfer(frequency: NDArray[np.float64]) -> NDArray[np.float64]:
    """The contrast that a perfect round pupil leaves of patterns of these frequencies, in parts of the highest that it
    passes, 1 / (wavelength times stop): 2/pi (arccos s - s sqrt(1 - s^2)) (Goodman, *Introduction to Fourier Optics*,
    section 6.4)."""
    s = np.clip(frequency, 0.0, 1.0)
    return np.asarray(2.0 / np.pi * (np.arccos(s) - s * np.sqrt(1.0 - s * s)))


@lru_cache(maxsize=32)
def _left_undone(h: int, w: int, wave_px: float) -> Plane:
    """What is left to be done (H, W) to each cosine of a picture after the Gaussian's kernel."""
    down, along = 0.5 * np.arange(h) / h, 0.5 * np.arange(w) / w
    line = gaussian_kernel(AIRY_SIGMA * wave_px).sum(axis=0)
    at = np.arange(len(line)) - len(line) // 2

    def done(cycles: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.cos(2.0 * np.pi * np.outer(cycles, at)) @ line)

    passed = transfer(wave_px * np.hypot(down[:, None], along[None]))
    # where the pupil passes anything the Gaussian does as well, a sixtieth at the least
    out = np.divide(passed, np.outer(done(down), done(along)), out=np.zeros_like(passed), where=passed > 0.0)
    left = out.astype(np.float32)
    left.flags.writeable = False
    return left
