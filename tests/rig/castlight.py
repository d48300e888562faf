"""The light of a wall and the shadow in it, cast by the rays of each lamp: what the tells of a shadow are tried on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from previz.look.sight import SightLines
from previz.rig.shadowstep import ShadowLight
from previz.rig.sighted import lamp_light
from previz.scene.model import Card
from previz.workshop.light.bake import Lighting
from previz.workshop.light.lamps import emitter_of
from previz.workshop.surface import Surface
from previz.workshop.texels import texel_points


def shadow_light(
    wall: Surface,
    lighting: Lighting,
    sight: SightLines,
    names: tuple[str, str] = ("wall", "bridge"),
    cards: Sequence[Card] = (),
    longest_px: int = 448,
) -> ShadowLight:
    """The wall's direct light and the bridge's shadow in it, cast lamp by lamp; ambient light reaches all of the wall.

    Coarser than the baked light: for when that is not at hand. ``names`` are the wall's and the bridge's in ``sight``.
    """
    height, width = wall.reflectance.shape[:2]
    k = min(1.0, longest_px / max(width, height))
    texels = texel_points(wall, max(round(width * k), 1), max(round(height * k), 1))
    points = texels.points[texels.valid].astype(np.float64)
    normals = texels.normals[texels.valid].astype(np.float64)
    shape = (*texels.valid.shape, 3)
    clean = np.full(shape, lighting.light.ambient / lighting.reference, dtype=np.float32)
    lost = []
    for lamp in lighting.lamps:
        emitter = emitter_of(lamp, lighting.light, lighting.reference)
        free, past = lamp_light(points, normals, emitter, sight, [names[:1], names[1:]], cards, 64)
        clean[texels.valid] += free
        gone = np.zeros(shape, dtype=np.float32)
        gone[texels.valid] = free - past
        lost.append(gone)
    return ShadowLight(clean, tuple(lost), tuple(lamp.name for lamp in lighting.lamps))
