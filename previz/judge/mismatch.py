"""Mismatch: the colour difference to the clean frame that an eye could see, inside the bridge's silhouette.

Both frames are filtered as the eye filters them and compared in CIELAB: the spatial extension of CIELAB of Zhang
and Wandell, "A spatial extension of CIELAB for digital color image reproduction", Journal of the SID 5(1), 61-63,
1997. Its opponent matrix and kernel table are from memory of that paper. The difference taken is CIEDE2000.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from previz import colour
from previz.build.surface import Picture
from previz.judge.viewer import Viewer

OPPONENT_FROM_XYZ = np.array([[0.279, 0.720, -0.107], [-0.449, 0.290, -0.077], [0.086, -0.590, 0.501]])
XYZ_FROM_OPPONENT = np.linalg.inv(OPPONENT_FROM_XYZ)

# weight and spread (degrees) of the Gaussians exp(-(r / spread)^2) of each opponent channel's kernel; each kernel
# sums to one
_KERNELS = (
    ((0.921, 0.0283), (0.105, 0.133), (-0.108, 4.336)),
    ((0.531, 0.0392), (0.330, 0.494)),
    ((0.488, 0.0536), (0.371, 0.386)),
)


def seen_lab(linear: Picture, viewer: Viewer) -> NDArray[np.float32]:
    """CIELAB (H, W, 3) float32 of a picture (H, W, 3), linear, as the eye filters it.

    The picture goes on mirrored beyond its edges.
    """
    opponent = (colour.xyz(linear) @ OPPONENT_FROM_XYZ.T.astype(np.float32)).astype(np.float32)
    filtered = np.empty_like(opponent)
    for channel, kernel in enumerate(_KERNELS):
        filtered[..., channel] = _filtered(opponent[..., channel], kernel, viewer.px_per_deg)
    return colour.lab_of_xyz(filtered @ XYZ_FROM_OPPONENT.T.astype(np.float32)).astype(np.float32)


def _filtered(
    channel: NDArray[np.float32], kernel: tuple[tuple[float, float], ...], px_per_deg: float
) -> NDArray[np.float32]:
    # a cosine transform is exact for Gaussians over a mirrored picture, whatever their width
    h, w = channel.shape
    total = sum(weight for weight, _ in kernel)
    fy = np.arange(h, dtype=np.float32) / (2.0 * h)
    fx = np.arange(w, dtype=np.float32) / (2.0 * w)
    gain = np.zeros((h, w), dtype=np.float32)
    for weight, spread in kernel:
        sigma = spread * px_per_deg / np.sqrt(2.0)
        k = np.float32(-2.0 * (np.pi * sigma) ** 2)
        gain += np.float32(weight / total) * np.exp(k * fy**2)[:, None] * np.exp(k * fx**2)[None, :]
    return np.asarray(fft.idctn(fft.dctn(channel, norm="ortho") * gain, norm="ortho"), dtype=np.float32)


def mismatch_of(
    with_bridge: Picture, clean: Picture, bridge_cover: NDArray[np.float32], viewer: Viewer
) -> float:
    """Largest visible difference (dE00) inside the silhouette; 0 where the bridge is not in the frame.

    Pictures (H, W, 3) float32 linear, ``bridge_cover`` (H, W). Below one just noticeable difference there is
    nothing to find in the frame.
    """
    inside = bridge_cover > 0.5
    if not inside.any():
        return 0.0
    # three standard deviations of the second widest kernel around the silhouette decide what is seen in it
    margin = int(np.ceil(3.0 * 0.494 / np.sqrt(2.0) * viewer.px_per_deg))
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    part = (
        slice(max(int(rows[0]) - margin, 0), int(rows[-1]) + margin + 1),
        slice(max(int(columns[0]) - margin, 0), int(columns[-1]) + margin + 1),
    )
    mask = inside[part]
    seen = seen_lab(with_bridge[part], viewer)[mask]
    wanted = seen_lab(clean[part], viewer)[mask]
    return float(colour.de00(seen.astype(np.float64), wanted.astype(np.float64)).max())
