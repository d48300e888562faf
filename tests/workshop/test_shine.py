"""What painted surfaces mirror of lamps, against closed forms and against plain sums of the reflectance function."""

from __future__ import annotations

import math

import numpy as np
import pytest

from previz import gloss
from previz.scene.model import Card, Lamp, Light
from previz.workshop.light.lamps import Emitter, card_emitter, emitter_of, unshadowed
from previz.workshop.light.shine import ambient_sheen, let_in, mirrored, shine, under_coat
from previz.workshop.texels import TexelMap

EYE = np.array([0.1, 0.5, 1.6])
UP = np.array([[0.0, 1.0, 0.0]])
HERE = np.zeros((1, 3))


def lamp(size=0.0, position=(-0.1, 0.6, -1.2), **rest) -> Emitter:
    """A lamp of 1000 lux, a share of 1000, turned to the origin: about where the lens sees it in a level surface."""
    place = tuple(float(v) for v in position)
    return emitter_of(Lamp(name="back", position=place, aim=(0, 0, 0), size=size, lux=1000, **rest), Light(), 1000.0)


def turned_up(vectors: np.ndarray) -> np.ndarray:
    """Directions with Y up as directions with +Z up, as ``gloss.reflectance`` has them."""
    return np.asarray(vectors)[..., [2, 0, 1]]


def plain_sum(emitter: Emitter, point: np.ndarray, roughness: float, count: int) -> float:
    """pi times the radiance that leaves a level surface at ``point``: the midpoint rule over the lamp's face."""
    centre, side, up, ahead = emitter.frame
    wide, high = emitter.size
    if emitter.is_disc:
        r, t = np.meshgrid((np.arange(count) + 0.5) / count, (np.arange(3 * count) + 0.5) / (3 * count) * 2.0 * np.pi)
        a, b = 0.5 * wide * r * np.cos(t), 0.5 * wide * r * np.sin(t)
        area = (0.5 * wide) ** 2 * r * 2.0 * np.pi / (3 * count * count)
    else:
        middle = (np.arange(count) + 0.5) / count - 0.5
        a, b = np.meshgrid(middle * wide, middle * high)
        area = np.full(a.shape, wide * high / count**2)
    way = centre + a[..., None] * side + b[..., None] * up - point
    far = np.linalg.norm(way, axis=-1)
    way /= far[..., None]
    out = (EYE - point) / np.linalg.norm(EYE - point)
    f = gloss.reflectance(turned_up(way), turned_up(out), roughness)
    leaving = np.maximum(-way @ ahead, 0.0)
    return float(np.pi * emitter.strength * np.sum(f * np.maximum(way[..., 1], 0.0) * leaving * area / far**2))


@pytest.mark.parametrize("kind", ["satin", "gloss"])
def test_a_point_lamp_is_one_term(kind) -> None:
    """pi f cos(in) I / d^2, I = lux d^2 by definition of lux (inverse square law): the distance cancels."""
    emitter = lamp(position=(-0.05, 0.55, -1.7))
    way = emitter.frame[0] / np.linalg.norm(emitter.frame[0])
    f = gloss.reflectance(turned_up(way), turned_up(EYE / np.linalg.norm(EYE)), gloss.ROUGHNESS[kind])
    assert mirrored(HERE, UP, emitter, kind, EYE)[0, 1] == pytest.approx(float(np.pi * f * way[1]), rel=1e-5)


@pytest.mark.parametrize("kind", ["satin", "gloss"])
@pytest.mark.parametrize("size", [0.5, (0.3, 0.6)])
def test_a_face_is_the_integral(kind, size) -> None:
    """Along a level strip that the highlight's edge crosses; within 2 % of the highlight's brightest."""
    emitter = lamp(size)
    points = np.column_stack([np.full(6, 0.02), np.zeros(6), np.linspace(-0.3, 0.9, 6)])
    got = mirrored(points, np.repeat(UP, 6, axis=0), emitter, kind, EYE)[:, 1]
    count = 120 if kind == "satin" else 400
    wanted = np.array([plain_sum(emitter, p, gloss.ROUGHNESS[kind], count) for p in points])
    assert wanted.max() > 50.0 * wanted.min()
    np.testing.assert_allclose(got, wanted, atol=0.02 * wanted.max())


def test_gloss_paint_shows_the_lamps_picture() -> None:
    """In the middle of a large lamp's picture paint is a mirror: pi L F(angle) by Fresnel's formula, however far."""
    emitter = lamp(0.9, position=EYE * [-1.0, 1.0, -1.0])
    cosine = EYE[1] / np.linalg.norm(EYE)
    mirror = np.pi * emitter.strength * gloss.fresnel(cosine, 1.5)
    assert mirrored(HERE, UP, emitter, "gloss", EYE)[0, 1] == pytest.approx(float(mirror), rel=0.02)
    far = np.array([[0.0, 0.0, 1.2]])
    assert mirrored(far, UP, emitter, "gloss", EYE)[0, 1] < 0.02 * mirror


def test_the_picture_has_no_dots() -> None:
    """Along the middle of the highlight brightness changes as evenly as Fresnel's term does: no ripple above 1 %."""
    emitter = lamp((0.8, 0.8), position=EYE * [-1.0, 1.0, -1.0])
    points = np.column_stack([np.linspace(-0.1, 0.1, 400), np.zeros(400), np.zeros(400)])
    got = mirrored(points, np.repeat(UP, 400, axis=0), emitter, "gloss", EYE)[:, 1].astype(np.float64)
    smooth = np.polynomial.Polynomial.fit(points[:, 0], got, 4)(points[:, 0])
    assert np.abs(got / smooth - 1.0).max() < 0.01


def test_rotation_changes_nothing() -> None:
    """The same lamp, surface and lens turned together in space."""
    rng = np.random.default_rng(3)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    e = lamp((0.3, 0.2))
    frame = e.frame @ turn.T
    turned = Emitter(e.name, frame, e.size, e.is_disc, e.strength, e.tint)
    a = mirrored(HERE, UP, e, "satin", EYE)
    b = mirrored(HERE, UP @ turn.T, turned, "satin", turn @ EYE)
    np.testing.assert_allclose(a, b, rtol=1e-5)


def test_what_shows_nothing() -> None:
    emitter = lamp(0.3)
    assert not mirrored(HERE, UP, emitter, "matt", EYE).any()
    # from below the surface, a lamp below it, and a lamp turned away
    assert not mirrored(HERE, -UP, emitter, "gloss", EYE).any()
    assert not mirrored(HERE, UP, lamp(0.3, position=(0.0, -0.6, -1.2)), "gloss", EYE).any()
    away = Lamp(name="away", position=(-0.1, 0.6, -1.2), aim=(-0.2, 1.2, -2.4), size=0.3)
    assert not mirrored(HERE, UP, emitter_of(away, Light(), 1000.0), "gloss", EYE).any()


def test_a_spot_keeps_to_its_beam() -> None:
    """Within the beam as without one; beyond it nothing."""
    spot, plain = lamp(position=EYE * [-1, 1, -1], cone=math.radians(10.0)), lamp(position=EYE * [-1, 1, -1])
    aside = np.array([[0.0, 0.0, 0.9]])
    within = [mirrored(HERE, UP, emitter, "satin", EYE) for emitter in (spot, plain)]
    np.testing.assert_allclose(within[0], within[1], rtol=1e-4)
    assert mirrored(aside, UP, plain, "satin", EYE).any()
    assert not mirrored(aside, UP, spot, "satin", EYE).any()


def test_a_bounce_card_is_mirrored_part_by_part() -> None:
    """A card lit on its right half only: the mirror image is bright on one side. Its radiance is level / pi, so a
    mirror shows level times Fresnel's share."""
    position = tuple(float(v) for v in EYE * [-1.0, 1.0, -1.0])
    card = Card(name="card", kind="bounce", position=position, aim=(0, 0, 0), size=(1.0, 1.0))
    level = np.zeros((1, 2, 3), dtype=np.float32)
    level[0, 1] = (0.8, 0.4, 0.2)
    emitter = card_emitter(card, level)
    side = emitter.frame[1]
    share = float(gloss.fresnel(EYE[1] / np.linalg.norm(EYE), 1.5))
    bright, dark = (
        mirrored(np.array([[sign * 0.5 * 0.25 * side[0], 0.0, 0.0]]), UP, emitter, "gloss", EYE)[0] for sign in (1, -1)
    )
    np.testing.assert_allclose(bright, np.array([0.8, 0.4, 0.2]) * share, rtol=0.08)
    assert dark.max() < 0.05 * bright.max()


def flat_texels(height: int, width: int) -> TexelMap:
    x, z = np.meshgrid(np.linspace(-0.1, 0.1, width), np.linspace(-0.2, 0.4, height))
    points = np.stack([x, np.zeros_like(x), z], axis=-1).astype(np.float32)
    normals = np.broadcast_to(UP.astype(np.float32), points.shape).copy()
    valid = np.ones((height, width), dtype=bool)
    valid[0] = False
    return TexelMap(points, normals, valid)


def test_shine_of_a_map_is_its_parts() -> None:
    """Lamps times what is seen of them, and the surroundings times the paint's albedo (tables' own integral)."""
    texels = flat_texels(6, 5)
    lamps = [lamp(0.4), lamp((0.2, 0.3), kelvin=3200.0)]
    seen = [np.full((6, 5), 0.25, np.float32), np.linspace(0, 1, 30, dtype=np.float32).reshape(6, 5)]
    around = np.full((6, 5, 3), 0.5, np.float32)
    got = shine(texels, "satin", lamps, seen, EYE, around)
    assert got.shape == (6, 5, 3)
    assert got.dtype == np.float32
    assert not got[0].any()
    p, n = texels.points[3, 2][None], texels.normals[3, 2][None]
    way = (EYE - p[0]) / np.linalg.norm(EYE - p[0])
    wanted = 0.5 * gloss.albedo(float(way[1]), gloss.ROUGHNESS["satin"])
    wanted = wanted + 0.25 * mirrored(p, n, lamps[0], "satin", EYE)[0]
    wanted = wanted + seen[1][3, 2] * mirrored(p, n, lamps[1], "satin", EYE)[0]
    np.testing.assert_allclose(got[3, 2], wanted, rtol=0.01)
    # a filament under a daylight balance is orange
    warm = shine(texels, "satin", lamps[1:], seen[1:], EYE)[3, 2]
    assert warm[0] > 1.5 * warm[2]


def test_matt_paint_has_no_shine() -> None:
    texels = flat_texels(4, 3)
    assert not shine(texels, "matt", [lamp(0.4)], [np.ones((4, 3))], EYE, 1.0).any()
    assert not ambient_sheen(HERE, UP, "matt", EYE).any()


def test_the_same_whatever_the_number_of_places() -> None:
    """Work is shared among threads in parts: what one place shows does not depend on the others."""
    rng = np.random.default_rng(1)
    points = np.column_stack([rng.uniform(-0.1, 0.1, 9000), np.zeros(9000), rng.uniform(-0.3, 0.4, 9000)])
    normals = np.repeat(UP, 9000, axis=0)
    emitter = lamp(0.4)
    whole = mirrored(points, normals, emitter, "satin", EYE)
    np.testing.assert_array_equal(whole[8000:8010], mirrored(points[8000:8010], normals[:10], emitter, "satin", EYE))


@pytest.mark.parametrize("degrees", [0.0, 40.0, 60.0, 75.0])
def test_less_of_the_paint_comes_through_its_coat_the_flatter_it_is_looked_at(degrees) -> None:
    """What a smooth dielectric of index 1.5 lets out, against square on: 1 less the mean of Fresnel's two reflectances
    (tan and sine form, Hecht, *Optics*, section 4.6; from memory), 4 % square on and 25 % at 75 degrees."""
    angle = math.radians(degrees)
    inside = math.asin(math.sin(angle) / 1.5)
    if degrees:
        s, p = math.sin(angle - inside) / math.sin(angle + inside), math.tan(angle - inside) / math.tan(angle + inside)
        mirrored_share = 0.5 * (s * s + p * p)
    else:
        mirrored_share = 0.04
    texels = TexelMap(HERE[None].astype(np.float32), UP[None].astype(np.float32), np.ones((1, 1), dtype=bool))
    eye = 2.0 * np.array([0.0, math.cos(angle), math.sin(angle)])
    through = float(under_coat(texels, "gloss", eye)[0, 0])
    assert through == pytest.approx((1.0 - mirrored_share) / 0.96, abs=0.004)
    # a rough coat mirrors about as much, spread wider
    assert float(under_coat(texels, "satin", eye)[0, 0]) == pytest.approx(through, abs=0.05)
    assert float(under_coat(texels, "matt", eye)[0, 0]) == 1.0


@pytest.mark.parametrize(("degrees", "mirrored_share"), [(0, 0.0400), (45, 0.0502), (60, 0.0892), (75, 0.2531)])
def test_a_lamps_light_gets_in_less_the_flatter_it_strikes(degrees: float, mirrored_share: float) -> None:
    """Fresnel's equations for index 1.5, worked out apart (Hecht, *Optics*, 4.6), against light from 45 degrees."""
    texels = TexelMap(HERE[None].astype(np.float32), UP[None].astype(np.float32), np.ones((1, 1), dtype=bool))
    angle = math.radians(degrees)
    key = lamp(position=(0.0, math.cos(angle), math.sin(angle)))
    alone = unshadowed(key, HERE, UP).mean(axis=1).astype(np.float32)[None]
    seen = [np.ones((1, 1), np.float32)]
    straight = (1.0 - mirrored_share) / (1.0 - 0.0502)
    assert let_in(texels, "gloss", [key], seen, alone)[0, 0] == pytest.approx(straight, abs=0.004)
    # as much again from all sides: an even mean, of which a coat of index 1.5 mirrors 0.092 (Judd 1942, from memory)
    even = 0.5 * (straight + (1.0 - 0.092) / (1.0 - 0.0502))
    assert let_in(texels, "gloss", [key], seen, 2.0 * alone)[0, 0] == pytest.approx(even, abs=0.004)
    # what is in the way of the lamp lets the other light alone in
    behind = [np.zeros((1, 1), np.float32)]
    assert let_in(texels, "gloss", [key], behind, alone)[0, 0] == pytest.approx(0.908 / 0.9498, abs=0.004)
    assert let_in(texels, "matt", [key], seen, alone)[0, 0] == 1.0


def test_a_place_that_is_not_seen_keeps_its_paint() -> None:
    texels = TexelMap(HERE[None].astype(np.float32), -UP[None].astype(np.float32), np.ones((1, 1), dtype=bool))
    assert 0.0 < float(under_coat(texels, "gloss", EYE)[0, 0]) <= 1.0
