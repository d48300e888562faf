"""Paint as its map's texels show it, against what a tent does to waves: the closed form of reading bilinearly."""

from __future__ import annotations

import numpy as np
import pytest

from previz.look.texelblur import between_texels


def wave(per_px: float, down: bool = False) -> np.ndarray:
    along = 0.5 + 0.4 * np.cos(2.0 * np.pi * per_px * np.arange(121))
    plane = np.broadcast_to(along, (121, 121)).astype(np.float32)
    return np.repeat((plane.T if down else plane)[..., None], 3, axis=-1).copy()


def left_over(picture: np.ndarray, texel_px: tuple[float, float]) -> float:
    """Share of a wave's contrast that a map leaves."""
    shown = between_texels(picture, np.broadcast_to(texel_px, (*picture.shape[:2], 2)))
    inner = np.s_[40:80, 40:80]
    return float(np.ptp(shown[inner]) / np.ptp(picture[inner]))


@pytest.mark.parametrize("texel_px", [0.3, 0.67, 1.5, 3.0])
@pytest.mark.parametrize("down", [False, True])
def test_a_map_takes_from_waves_what_a_tent_does(texel_px: float, down: bool) -> None:
    """The transfer of a tent of half-width t is sinc(f t)^2; three weights follow it while waves are longer than some
    four texels and pixels."""
    across = (0.0, texel_px) if down else (texel_px, 0.0)
    for per_px in (0.05, 0.1, 0.2):
        if per_px * max(texel_px, 1.0) <= 0.2:
            assert left_over(wave(per_px, down), across) == pytest.approx(np.sinc(per_px * texel_px) ** 2, abs=0.015)


def test_a_map_blurs_only_the_way_its_texels_lie() -> None:
    assert left_over(wave(0.1), (0.0, 2.0)) == pytest.approx(1.0, abs=1e-5)
    assert left_over(wave(0.1), (2.0, 0.0)) < 0.9


def test_a_maps_light_is_kept_and_goes_on_beyond_the_rim() -> None:
    even = np.full((9, 7, 3), 0.3, dtype=np.float32)
    assert between_texels(even, np.full((9, 7, 2), 1.4)) == pytest.approx(even, abs=1e-6)
