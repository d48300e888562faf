"""Rays cast together against the same rays cast one by one, by Embree."""

from __future__ import annotations

import numpy as np
import pytest

from previz.camera import AnyCamera, OrthoCamera
from previz.geometry import rigid, turned
from previz.look.raster import Shows, cast, triangles_of
from previz.look.sight import SightLines
from tests.look.sets import box, bumpy_wall, lens

SIZE = (160, 90)
BESIDE = box((0.05, -0.3, 0.05), (0.12, 0.2, 0.6), "beside")


def cameras() -> list[tuple[str, AnyCamera]]:
    front = rigid(turned(0.1, -0.2, 0.05), [0.05, 0.2, 1.2])
    return [
        ("lens", lens(*SIZE)),
        ("parallel", OrthoCamera(front, 90.0, *SIZE)),
        # the box reaches past the lens, which looks along it
        ("among", lens(*SIZE).moved(shift=np.array([0.08, 0.21, 0.3]) - lens(*SIZE).position)),
    ]


@pytest.mark.parametrize(("name", "camera"), cameras())
def test_rays_cast_together_meet_what_embree_meets(name: str, camera: AnyCamera) -> None:
    surfaces = [bumpy_wall(steps=40), BESIDE]
    shown = [Shows(lit.surface.layer, (lit.code,)) for lit in surfaces]
    triangles = triangles_of([lit.surface for lit in surfaces])
    _, layer, depth = cast(camera, triangles, shown, 2, (0.0, 0.0, 0.0), depth=True)
    assert depth is not None
    y, x = np.indices(layer.shape)
    origins, directions = camera.rays(np.stack([(x + 0.5) / 2, (y + 0.5) / 2], axis=-1).reshape(-1, 2))
    hits = SightLines(surfaces).first_hits(origins, directions)
    along = np.where(hits.surface >= 0, hits.distance, 0.0) * (directions @ -camera.world_from_cam[:3, 2])
    wanted = np.array([lit.surface.layer for lit in surfaces] + [0])[hits.surface]
    # Embree's own float32 decides on rays within a step of an edge
    same = layer.reshape(-1) == wanted
    assert same.mean() > 0.9999
    assert len(np.unique(wanted)) >= 2
    # a micrometre and the rounding of a depth to float32; on an edge of what is in front either face may be met
    wrong = np.abs(depth.reshape(-1) - along)[same] > 1e-6
    assert wrong.mean() < 1e-4


def test_a_surface_that_is_not_wanted_hides_and_counts_as_nothing() -> None:
    surfaces = [bumpy_wall(steps=20), BESIDE]
    triangles = triangles_of([lit.surface for lit in surfaces])
    both = [Shows(lit.surface.layer, (lit.code,)) for lit in surfaces]
    _, all_layers, all_depths = cast(lens(*SIZE), triangles, both, 1, (0.0, 0.0, 0.0), depth=True)
    for hidden in (0, 1):
        some = [Shows(each.layer, () if k == hidden else each.codes) for k, each in enumerate(both)]
        (picture,), layer, depth = cast(lens(*SIZE), triangles, some, 1, (0.25, 0.5, 0.75), depth=True)
        gone = all_layers == both[hidden].layer
        assert gone.any()
        assert np.array_equal(layer, np.where(gone, 0, all_layers))
        assert np.array_equal(depth, np.where(gone, 0.0, all_depths))
        assert np.allclose(picture[gone], (0.25, 0.5, 0.75))


def test_nothing_there_is_background() -> None:
    (picture,), layer, depth = cast(lens(*SIZE), triangles_of([]), [], 3, (0.25, 0.5, 0.75), depth=True)
    assert not layer.any()
    assert depth is not None
    assert not depth.any()
    assert np.allclose(picture, (0.25, 0.5, 0.75))
