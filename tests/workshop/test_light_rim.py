"""A wall's light up to the brink of its doorway: against closed forms, and against light worked out place by place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from previz.look.sight import SightLines
from previz.stage.prepare import lighting_of
from previz.workshop.light import bake, resample
from previz.workshop.light.bake import WallBake, bake_wall
from previz.workshop.light.resample import enlarged, enlarged_on
from previz.workshop.relief import GridSurface
from previz.workshop.set import build_wall
from previz.workshop.texels import grid_points, texel_points
from tests.workshop.rim_light import light_at, lightness, rim_of
from tests.workshop.sets import merged, scene

DOOR = {"width": 0.07, "height": 0.11, "depth": 0.05}
# a wall that is flat but for its doorway
FLAT = {"kind": "board", "relief": 0.0}
LAMP = {"name": "key", "position": (-0.8, 0.6, 0.9), "aim": (0.0, 0.0, 0.0), "size": 0.3, "lux": 800.0}

# the wall's picture is three and a half times as fine as the map of its light
PICTURE, MAP = 1120, 320


def walled(wall, **rest):
    made = scene({"texture_px": PICTURE, "doorway": DOOR} | wall, **rest)
    surface, _ = build_wall(made)
    assert isinstance(surface, GridSurface)
    return made, surface, SightLines([replace(surface, name="wall")])


def baked(made, surface, sight, monkeypatch) -> WallBake:
    monkeypatch.setattr(bake, "_SHADING_PX", MAP)
    return bake_wall(surface, lighting_of(made), sight)


def opening_factor(points: np.ndarray, normal: tuple[float, float, float] = (0.0, 0.0, 1.0)) -> np.ndarray:
    """View factor (N,) of the doorway's opening at z = 0 from places (N, 3) inside that face along ``normal``, by
    Lambert's polygon formula.

    Lambert, *Photometria*, 1760; Baum et al., SIGGRAPH 1989, equation 4 (from memory).
    """
    half, high = 0.5 * DOOR["width"], DOOR["height"]
    corners = np.array([[-half, 0.0, 0.0], [half, 0.0, 0.0], [half, high, 0.0], [-half, high, 0.0]])
    way = corners[None] - points[:, None]
    way /= np.linalg.norm(way, axis=-1, keepdims=True)
    total = np.zeros(len(points))
    for k in range(4):
        a, b = way[:, k], way[:, (k + 1) % 4]
        across = np.cross(a, b)
        turned = across @ np.asarray(normal) / np.linalg.norm(across, axis=1)
        total += np.arccos(np.clip((a * b).sum(axis=1), -1.0, 1.0)) * turned
    return np.abs(total) / (2.0 * np.pi)


def test_normals_beside_a_brink_are_those_of_the_faces() -> None:
    """trimesh's face normals: the flat face, and the flat floor of the doorway, up to its steep sides."""
    made, surface, _ = walled(FLAT)
    rim = rim_of(made, surface)
    height, width = surface.reflectance.shape[:2]
    points, normals = grid_points(surface, width, height, rim.row, rim.column)
    mesh = merged(surface)
    away = np.tile([0.0, 0.0, -1.0], (len(points), 1))
    face = mesh.ray.intersects_first(points.astype(np.float64) + [0.0, 0.0, 1.0], away)
    assert np.einsum("ij,ij->i", normals, mesh.face_normals[face]).min() > 0.9999


def test_a_gentle_slope_stays_smooth() -> None:
    """No crease below 60 degrees: over a rounded relief neighbouring normals differ by little."""
    _, surface, _ = walled(FLAT | {"triangles": 200})
    x, y = np.linspace(-0.45, 0.45, 19), np.linspace(-0.3, 0.4, 15)
    z = 0.05 * np.cos(12.0 * x)[None] * np.ones((15, 1))
    field = replace(surface.field, x=x, y=y, z=z, along=x - x[0], up=y - y[0])
    normals = texel_points(replace(surface, field=field), 900, 40).normals
    turn = np.degrees(np.arccos(np.clip((normals[:, 1:] * normals[:, :-1]).sum(axis=-1), -1.0, 1.0)))
    assert turn.max() < 1.0


def test_open_sky_reaches_a_face_up_to_the_brink_and_a_floor_by_its_view_factor(monkeypatch) -> None:
    made, surface, sight = walled(FLAT, light={"ambient": 500.0, "bounce": False})
    base = baked(made, surface, sight, monkeypatch)
    height, width = surface.reflectance.shape[:2]
    rim = rim_of(made, surface)
    points, _ = grid_points(surface, width, height, rim.row, rim.column)
    wanted = np.where(rim.face, 1.0, opening_factor(points.astype(np.float64)))
    shown = enlarged_on(surface, base.clean, height, width)[rim.row, rim.column, 1]
    assert np.abs(shown - wanted)[rim.face].max() < 0.01
    floor = np.abs(shown - wanted)[~rim.face]
    assert floor.mean() < 0.02
    assert np.percentile(floor, 95) < 0.05
    # stretched straight across the brink both run into each other
    plain = enlarged(base.clean, height, width)[rim.row, rim.column, 1]
    assert np.abs(plain - wanted)[rim.face].max() > 0.05


@pytest.mark.parametrize(
    "normal",
    [(0.0, 1.0, 0.0), (0.0, -1.0, 0.0), (1.0, 0.0, 0.0), (-1.0, 0.0, 0.0)],
    ids=["floor", "top", "left", "right"],
)
def test_open_sky_reaches_a_doorways_sides_by_their_view_factor(normal, monkeypatch) -> None:
    """They are seen flat from the front, and the sky's light falls off along them all the way in."""
    made, surface, sight = walled(FLAT, light={"ambient": 500.0, "bounce": False})
    base = baked(made, surface, sight, monkeypatch)
    height, width = surface.reflectance.shape[:2]
    texels = texel_points(surface, width, height)
    points = texels.points.astype(np.float64)
    on_it = (texels.normals @ np.asarray(normal, dtype=np.float32) > 0.9) & (points[..., 2] < -0.003)
    on_it &= points[..., 2] > -DOOR["depth"] + 0.003
    # away from the corners, where a side's map is a texel of light wide
    across = points[..., 0] if normal[1] else points[..., 1] - 0.5 * DOOR["height"]
    on_it &= np.abs(across) < (0.35 * DOOR["width"] if normal[1] else 0.35 * DOOR["height"])
    assert on_it.sum() > 300
    wanted = opening_factor(points[on_it], normal)
    assert np.ptp(wanted) > 0.2
    error = np.abs(enlarged_on(surface, base.clean, height, width)[on_it][:, 1] - wanted)
    assert error.mean() < 0.03
    assert np.percentile(error, 95) < 0.08


@pytest.mark.parametrize("kind", ["slate", "ice"])
def test_a_rims_lightness_is_that_of_light_worked_out_place_by_place(kind: str, monkeypatch) -> None:
    made, surface, sight = walled(
        {"kind": kind, "relief": 0.03, "seed": 3}, light={"ambient": 300.0}, lamps=[LAMP]
    )
    base = baked(made, surface, sight, monkeypatch)
    rim = rim_of(made, surface, 97)
    wanted = light_at(rim, base, sight, made)
    shown = enlarged_on(surface, base.clean, *surface.reflectance.shape[:2])[rim.row, rim.column]
    paint = surface.reflectance[rim.row, rim.column]
    error = np.abs(lightness(paint, shown) - lightness(paint, wanted))
    assert len(error) > 100
    assert error.mean() < 1.5
    assert np.percentile(error, 95) < 4.0


def test_away_from_edges_a_stretch_is_the_plain_one() -> None:
    _, surface, _ = walled(FLAT)
    picture = np.random.default_rng(1).random((70, 90, 3)).astype(np.float32)
    got, plain = enlarged_on(surface, picture, 280, 360), enlarged(picture, 280, 360)
    field = surface.field
    x = np.abs(np.interp((np.arange(360) + 0.5) / 360 * field.map_size[0], field.along, field.x))
    far = x > 0.5 * DOOR["width"] + 0.03
    assert np.array_equal(got[:, far], plain[:, far])
    assert not np.array_equal(got, plain)
    one = np.full((70, 90), 0.3, dtype=np.float32)
    assert enlarged_on(surface, one, 280, 360) == pytest.approx(0.3, abs=1e-6)


def test_a_place_that_no_texel_shares_its_surface_with_keeps_the_plain_stretch() -> None:
    """The sides of a shallow doorway, thinner than a texel: light of whatever is around, and nothing is made up."""
    _, surface, _ = walled(FLAT | {"doorway": DOOR | {"depth": 0.004}})
    picture = np.random.default_rng(2).random((22, 28)).astype(np.float32)
    got = enlarged_on(surface, picture, PICTURE, PICTURE)
    assert got.min() >= picture.min() - 1e-6
    assert got.max() <= picture.max() + 1e-6
    steep = np.abs(texel_points(surface, PICTURE, PICTURE).normals[..., 2]) < 0.1
    assert steep.any()
    assert np.array_equal(got[steep], enlarged(picture, PICTURE, PICTURE)[steep])


def test_the_same_for_any_number_of_threads(monkeypatch) -> None:
    from previz.workshop import compiled as threading

    _, surface, _ = walled({"kind": "slate"})
    picture = np.random.default_rng(3).random((249, 320, 3)).astype(np.float32)
    one_way = enlarged_on(surface, picture, 871, PICTURE)
    monkeypatch.setattr(threading, "threads", lambda: 1)
    monkeypatch.setattr(resample, "_ROWS", 1 << 10)
    assert np.array_equal(one_way, enlarged_on(surface, picture, 871, PICTURE))
