"""What the baking of light asks of a ray caster, and pictures carried from map to map."""

from __future__ import annotations

import numpy as np
import pytest

from previz.look.sight import SightLines
from previz.scene.model import Bridge, Card
from previz.workshop.bridge import slab
from previz.workshop.carry import carried
from previz.workshop.light.bake import light_texel
from previz.workshop.light.rays import card_frames, crosses, past_cards
from previz.workshop.texels import texel_owners, texel_points
from tests.workshop.lit_sets import plate
from tests.workshop.sets import scene


@pytest.fixture(scope="module")
def sight():
    from previz.workshop.set import build_set

    built = build_set(scene({"kind": "slate", "relief": 0.04}))
    return SightLines([built.wall])


def rays(count=4000):
    rng = np.random.default_rng(3)
    o = np.column_stack([rng.uniform(-0.4, 0.4, count), rng.uniform(-0.25, 0.35, count), np.full(count, 0.4)])
    d = np.column_stack([rng.uniform(-0.5, 0.5, (count, 2)), np.full(count, -1.0)])
    d /= np.linalg.norm(d, axis=1)[:, None]
    return o.astype(np.float32), d.astype(np.float32)


def test_met_is_what_exact_sight_lines_find(sight):
    """Against the float64 places of :meth:`SightLines.first_hits`: faces, distances to a hundredth of a millimetre."""
    o, d = rays()
    got, wanted = sight.met(o, d, "wall"), sight.first_hits(o.astype(float), d.astype(float))
    hit = np.isfinite(wanted.distance)
    assert hit.mean() > 0.8
    assert (got.face == wanted.face).mean() > 0.999
    assert np.abs(got.distance[hit] - wanted.distance[hit]).max() < 1e-5
    assert np.array_equal(np.isfinite(got.distance), hit)
    assert got.front[hit].all()
    mesh = sight.surfaces[0]
    corners = mesh.uv[mesh.faces[got.face[hit]]]
    share = np.stack([1.0 - got.u - got.v, got.u, got.v], axis=1)[hit]
    assert np.abs(np.einsum("ik,ikj->ij", share, corners) - wanted.uv[hit]).max() < 1e-4


def test_from_behind_is_not_from_in_front():
    surface = plate(1.0)
    o = np.array([[0.1, 0.2, 1.0], [0.1, 0.2, -1.0]], dtype=np.float32)
    d = np.array([[0.0, 0.0, -1.0], [0.0, 0.0, 1.0]], dtype=np.float32)
    assert SightLines([surface]).met(o, d, "bridge").front.tolist() == [True, False]


def test_shut_is_met_nearer_than_that(sight):
    o, d = rays()
    far = sight.met(o, d, "wall").distance
    some = np.isfinite(far)
    reach = np.where(some, far, 1.0).astype(np.float32)
    assert not sight.shut(o[some], d[some], 0.999 * reach[some], "wall").any()
    assert sight.shut(o[some], d[some], 1.001 * reach[some], "wall").all()
    with pytest.raises(KeyError):
        sight.shut(o, d, reach, "bridge")


@pytest.mark.parametrize(
    ("start", "towards", "reach", "passes"),
    [
        ((0.0, 0.0, 1.0), (0.0, 0.0, -1.0), 2.0, False),  # through the middle
        ((0.19, 0.09, 1.0), (0.0, 0.0, -1.0), 2.0, False),  # just inside a corner
        ((0.21, 0.0, 1.0), (0.0, 0.0, -1.0), 2.0, True),  # beside it
        ((0.0, 0.11, 1.0), (0.0, 0.0, -1.0), 2.0, True),  # above it
        ((0.0, 0.0, 1.0), (0.0, 0.0, -1.0), 0.9, True),  # not so far
        ((0.0, 0.0, 1.0), (0.0, 0.0, 1.0), 2.0, True),  # the other way
        ((0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 2.0, True),  # from the card itself
        ((0.0, 0.0, 1.0), (1.0, 0.0, 0.0), 2.0, True),  # along it
    ],
)
def test_cards_stop_rays(start, towards, reach, passes):
    card = Card(name="flag", kind="flag", position=(0.0, 0.0, 0.0), aim=(0.0, 0.0, 1.0), size=(0.4, 0.2))
    assert past_cards(card_frames((card,)), *start, *towards, reach) is passes


def test_boxes_are_crossed_as_points_along_the_ray_say():
    """Against ten thousand points along each ray."""
    rng = np.random.default_rng(5)
    low, high = np.array([-0.2, -0.1, 0.1]), np.array([0.3, 0.2, 0.4])
    agree = 0
    for _ in range(200):
        o, d = rng.uniform(-1.0, 1.0, 3), rng.normal(size=3)
        d /= np.linalg.norm(d)
        along = o + np.linspace(0.0, 1.5, 10_000)[:, None] * d
        inside = bool(((along >= low) & (along <= high)).all(axis=1).any())
        agree += crosses(low, high, *o, *d, 1.5) == inside
    assert agree >= 199


def test_a_picture_is_carried_to_another_map_of_the_same_bridge():
    """A picture of places in space, on a coarse map, is the same picture of places on a fine one."""
    bridge = Bridge(length=0.4, width=0.05, thickness=0.012, bend=0.03, camber=0.01)
    coarse, fine = slab(bridge, 0.03, 0.001).surface, slab(bridge, 0.03, 0.00037).surface
    size = coarse.reflectance.shape[1::-1]
    places = texel_points(coarse, *size).points
    width, height = fine.reflectance.shape[1::-1]
    got = carried(places, coarse, fine, width, height)
    wanted = texel_points(fine, width, height)
    own = texel_owners(fine, width, height, margin=False) >= 0
    apart = np.linalg.norm(got - wanted.points, axis=-1)[own]
    assert np.median(apart) < 1e-6, "m"
    assert apart.max() < 0.001, "m: a texel of the coarse map"
    assert (got[~wanted.valid] == 0.0).all()
    with pytest.raises(ValueError, match="not the same"):
        carried(places, coarse, plate(1.0), width, height)


def test_the_light_map_of_a_bridge_depends_on_the_bridge_alone():
    near, far = (slab(Bridge(length=0.4), 0.03, texel).surface for texel in (0.0003, 0.001))
    assert light_texel(near) == pytest.approx(light_texel(far), rel=1e-6)
    assert light_texel(slab(Bridge(length=4.0, width=1.0), 0.03, 0.001).surface) > 2.0 * light_texel(near)
