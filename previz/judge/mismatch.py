"""Mismatch: the colour difference to the clean frame that an eye could see, inside the bridge's silhouette.

Both frames are filtered as the eye filters them and compared in CIELAB. The filter is that of FLIP (Andersson,
Nilsson, Akenine-Moeller, Oskarsson, Astroem, Fairchild, "FLIP: A Difference Evaluator for Alternating Images",
Proceedings of the ACM on Computer Graphics and Interactive Techniques 3(2), 2020, section 4.1): contrast sensitivity
as Gaussians in a linear opponent space, all of positive weight, so that darks are not driven below black. Its
constants are from memory of that paper; the tests compare with the package ``flip-evaluator``. The difference taken is
CIEDE2000.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from previz import colour
from previz.judge.viewer import Viewer
from previz.workshop.surface import Picture

# (weight, b) of the Gaussians weight * sqrt(pi / b) * exp(-(pi x)^2 / b), x in degrees, of the achromatic, the
# red-green and the blue-yellow channel; each filter sums to one
_FILTERS = (
    ((1.0, 0.0047),),
    ((1.0, 0.0053),),
    ((34.1, 0.04), (13.5, 0.025)),
)


def seen_lab(linear: Picture, viewer: Viewer) -> NDArray[np.float32]:
    """CIELAB (H, W, 3) float32 of a picture (H, W, 3), linear, as the eye filters it.

    The picture goes on mirrored beyond its edges.
    """
    white = colour.WHITE_XYZ.astype(np.float32)
    relative = colour.xyz(linear).astype(np.float32) / white
    opponent = np.stack(
        [relative[..., 1], relative[..., 0] - relative[..., 1], relative[..., 1] - relative[..., 2]]
    )
    y, x_less_y, y_less_z = (
        _filtered(channel, terms, viewer.px_per_deg) for channel, terms in zip(opponent, _FILTERS, strict=True)
    )
    filtered = np.stack([x_less_y + y, y, y - y_less_z], axis=-1)
    return colour.lab_of_xyz(np.maximum(filtered, 0.0) * white).astype(np.float32)


def _filtered(
    channel: NDArray[np.float32], terms: tuple[tuple[float, float], ...], px_per_deg: float
) -> NDArray[np.float32]:
    # a cosine transform is exact for Gaussians over a mirrored picture, whatever their width. A Gaussian
    # weight * sqrt(pi / b) exp(-(pi x)^2 / b) has the area weight, and transforms to weight * exp(-b f^2)
    h, w = channel.shape
    total = sum(weight for weight, _ in terms)
    fy = (np.arange(h) * px_per_deg / (2.0 * h)).astype(np.float32)
    fx = (np.arange(w) * px_per_deg / (2.0 * w)).astype(np.float32)
    gain = np.zeros((h, w), dtype=np.float32)
    for weight, b in terms:
        gain += np.float32(weight / total) * np.exp(-b * fy**2)[:, None] * np.exp(-b * fx**2)[None, :]
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
    # the widest filter is narrower than a tenth of a degree
    margin = int(np.ceil(0.2 * viewer.px_per_deg)) + 1
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    part = (
        slice(max(int(rows[0]) - margin, 0), int(rows[-1]) + margin + 1),
        slice(max(int(columns[0]) - margin, 0), int(columns[-1]) + margin + 1),
    )
    mask = inside[part]
    seen = seen_lab(with_bridge[part], viewer)[mask]
    wanted = seen_lab(clean[part], viewer)[mask]
    return float(colour.de00(seen.astype(np.float64), wanted.astype(np.float64)).max())
