"""Two pictures of one frame, compared: masks, colours, the bridge's shadow, what slides; by scikit-image and OpenCV."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter
from skimage.color import deltaE_ciede2000, rgb2lab

from previz.judge.viewer import Viewer
from tests.workshop.wallphotos import encoded

Picture = NDArray[np.float32]
Box = tuple[int, int, int, int]

# share of a pixel from which it is all bridge, and below which it is none
_WHOLE, _NONE = 0.98, 0.002

# half-width (px) of the band along the outline, and how far (px) from it the shadow is compared
_BAND_PX, _SHADE_PX = 4.0, 60.0

# light is compared averaged over this many px: noise and grain are no shadow
_SMOOTH_PX = 4.0


def compared(
    own: Sequence[Picture], traced: Sequence[Picture], noise: Picture, box: Box
) -> dict[str, float]:
    """(seen, clean, cover) of both whole frames inside the box; ``noise`` is the difference of two halves of the traced
    box.

    ``mask_pct`` is what masks at half cover differ by, of both together; dE00 are means and 95th percentiles on the
    bridge, on the band along its outline and on the clean wall; ``shadow`` is the difference of what the bridge leaves
    of the wall's light; ``noise_code`` the noise of the mean over the band, in 8-bit codes.
    """
    left, top, width, height = box
    part = np.s_[top : top + height, left : left + width]
    seen, clean, cover = (picture[part] for picture in own)
    seen2, clean2, cover2 = (picture[part] for picture in traced)
    mask, mask2 = cover > 0.5, cover2 > 0.5
    out: dict[str, float] = {
        "mask_pct": 100.0 * float((mask ^ mask2).sum()) / max(int((mask | mask2).sum()), 1),
        "cover_apart_px": edge_apart(cover, cover2),
    }
    away = np.where(mask2, distance_transform_edt(mask2), distance_transform_edt(~mask2))
    whole = (cover > _WHOLE) & (cover2 > _WHOLE)
    band = away <= _BAND_PX
    for name, a, b, where in (
        ("bridge", seen, seen2, whole), ("band", seen, seen2, band), ("wall", clean, clean2, away < _SHADE_PX),
    ):  # fmt: skip
        de = colour_apart(a, b)[where]
        out |= {f"{name}_de": float(de.mean()), f"{name}_de95": float(np.percentile(de, 95.0))}
        # what is left when grain and noise are averaged away
        smooth = colour_apart(_smoothed(a, where), _smoothed(b, where))[where]
        out[f"{name}_de_smooth"] = float(smooth.mean())
    beside = (cover < _NONE) & (cover2 < _NONE) & (away < _SHADE_PX)
    shade, shade2 = (_light_left(s, c, beside)[beside] for s, c in ((seen, clean), (seen2, clean2)))
    apart = np.abs(shade - shade2)
    out |= {
        "shadow": float(apart.mean()), "shadow95": float(np.percentile(apart, 95.0)),
        "deepest_own": float(1.0 - np.percentile(shade, 1.0)),
        "deepest_traced": float(1.0 - np.percentile(shade2, 1.0)),
    }  # fmt: skip
    # two halves differ by twice the noise of their mean; a band's mean is that of so many pixels
    half = 0.5 * noise[band].astype(np.float64)
    level = np.clip(seen2[band], 0.01, 1.0)
    slope = 255.0 * np.abs(encoded(level * 1.01) - encoded(level)) / (0.01 * level)
    out |= {
        "noise_code": float(np.abs((half * slope).mean(axis=0)).max()),
        "noise_px_code": float((half * slope).std()),
    }
    return out


def colour_apart(a: Picture, b: Picture) -> NDArray[np.float64]:
    """CIEDE2000 (H, W) of two linear pictures, by scikit-image."""
    lab = [rgb2lab(np.clip(encoded(np.clip(p, 0.0, 1.0)), 0.0, 1.0)) for p in (a, b)]
    return np.asarray(deltaE_ciede2000(*lab), dtype=np.float64)


def edge_apart(cover: Picture, cover2: Picture) -> float:
    """How far (px) apart two outlines lie: what the covers differ by along them, over their length."""
    length = 0.5 * float(np.hypot(*np.gradient(cover)).sum() + np.hypot(*np.gradient(cover2)).sum())
    return float(np.abs(cover - cover2).sum()) / max(length, 1e-9)


def _smoothed(picture: Picture, where: NDArray[np.bool_]) -> Picture:
    weight = gaussian_filter(where.astype(np.float32), _SMOOTH_PX) + 1e-6
    parts = [gaussian_filter(picture[..., k] * where, _SMOOTH_PX) / weight for k in range(3)]
    return np.stack(parts, axis=-1)


def _light_left(seen: Picture, clean: Picture, where: NDArray[np.bool_]) -> NDArray[np.float64]:
    """What is left (H, W) of the wall's light beside the bridge, averaged a little."""
    luminance = np.array([0.2126, 0.7152, 0.0722])
    a, b = (gaussian_filter((p @ luminance) * where, _SMOOTH_PX) for p in (seen, clean))
    return np.asarray(a / np.maximum(b, 1e-4))


def drift_by_flow(
    pictures: Sequence[tuple[Picture, Picture, Picture]], rate: float, height_px: int
) -> float | None:
    """Degrees a second that the bridge slides against the wall that it hides, median along the inside of its outline.

    ``pictures`` are (seen, clean, cover) of two neighbours. OpenCV's dense inverse search flow of the frames with the
    bridge, less that of the clean frames at the same pixels.
    """
    flows = []
    for which in (0, 1):
        grey = [np.rint(255.0 * encoded(np.clip(p[which], 0.0, 1.0)).mean(axis=2)).astype(np.uint8) for p in pictures]
        search = cv2.DISOpticalFlow_create(cv2.DISOPTICAL_FLOW_PRESET_MEDIUM)
        search.setFinestScale(0)
        flows.append(search.calc(grey[0], grey[1], None))
    inside = distance_transform_edt(pictures[0][2] > 0.5)
    band = (inside > 2.0) & (inside < 10.0)
    if not band.any():
        return None
    apart = np.hypot(*np.moveaxis(flows[0] - flows[1], -1, 0))[band]
    return float(np.median(apart)) * rate / Viewer(height_px).px_per_deg


def summary(rows: Sequence[dict[str, Any]], name: str) -> tuple[float, float]:
    """Mean and largest of a number over frames."""
    values = [row[name] for row in rows]
    return float(np.mean(values)), float(np.max(values))
