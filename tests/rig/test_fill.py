"""Fill lamps against shadows that can be worked out by hand, and the search against trying every place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from previz.judge.viewer import JND_COLOUR
from previz.look.sight import SightLines
from previz.rig import fill
from previz.rig.fill import FillTrial, fill_lamp, find_fill, least_light, possible_places
from previz.rig.shadowstep import strongest_edge, wall_view
from previz.rig.sighted import in_box
from previz.scene.layout import delivered_box_px
from previz.workshop.surface import BRIDGE, Surface
from tests.rig.castlight import shadow_light
from tests.search.flatset import AMBIENT, FAR, GREY, HALF, NEAR, THICK, FlatSet, box, flat_set

NAMES = ("wall", "bridge")

# a key so weak against the ambient light that its shadow can be filled
KEY = {"name": "key", "position": (-0.5, 1.6, 1.6), "aim": (0.0, -0.3, 0.0), "lux": 120.0}


def lightness(y: float) -> float:
    """CIE L* of a grey of luminance ``y`` (CIE 15:2004, 8.2.1)."""
    return 116.0 * y ** (1.0 / 3.0) - 16.0


def trial(s: FlatSet, names=NAMES, rows: int = 270, map_px: int = 512, points: int = 4) -> FillTrial:
    light = shadow_light(s.wall, s.lighting, s.sight, longest_px=map_px)
    view = wall_view(s.move, s.move.station_frame, s.wall, s.sight, NAMES, delivered_box_px(s.scene), rows)
    return FillTrial(s.wall, light, s.lighting, s.sight, names, (), (view,), map_px, points)


def far_off() -> Surface:
    return box((9.0, 9.0, 9.0), (9.1, 9.1, 9.1), "far off", BRIDGE, 4)


def test_least_light_of_a_shadow_that_fades() -> None:
    """worst = c / (1 + x / b) is one just noticeable difference at x = b (c / JND - 1)."""
    lux, left = least_light(lambda x: 10.0 / (1.0 + x / 50.0), [10.0, 100.0, 1000.0])
    assert lux == pytest.approx(50.0 * (10.0 / JND_COLOUR - 1.0), rel=0.025)
    assert lux >= 50.0 * (10.0 / JND_COLOUR - 1.0)
    assert left < JND_COLOUR


def test_least_light_for_less_than_just_noticeable() -> None:
    """As much smaller as is asked for: x = b (c / below - 1)."""
    lux, left = least_light(lambda x: 2.0 / (1.0 + x / 50.0), [10.0, 100.0, 1000.0], 1.0)
    assert lux == pytest.approx(50.0, rel=0.025)
    assert left < 1.0


def test_least_light_where_none_is_enough() -> None:
    """The fill's own shadow grows: the least of what was tried."""
    lux, left = least_light(lambda x: 10.0 / (1.0 + x / 50.0) + x / 50.0, [25.0, 100.0, 400.0])
    assert lux == 100.0
    assert left == pytest.approx(10.0 / 3.0 + 2.0)


def test_least_light_where_none_is_needed() -> None:
    assert least_light(lambda x: 1.0 + x, [1.0, 2.0]) == (0.0, 1.0)


def test_how_a_shadow_fades_under_a_fill() -> None:
    """A fill that throws no shadow itself: the key's fades by CIE's L* on grey as (ambient + fill) over
    (ambient + key + fill), exposure following the light; inverse squares and cosines."""
    s = flat_set([KEY], rail={"travel": 0.0, "frames": 1, "hold": (1001, 1001)})
    alone = trial(s)
    edge = strongest_edge(alone.views[0], alone.light)
    assert edge is not None
    place = np.array(edge.place)
    lens = np.array(s.scene.camera.position)
    lamp = fill_lamp(s.scene, lens, place, 0.0)

    def lux_at(position, aim, lux: float) -> float:
        way, reach = np.array(position) - place, np.array(position) - np.array(aim)
        return float(lux * (reach @ reach) * way[2] / np.linalg.norm(way) ** 3)

    key, each = lux_at(KEY["position"], KEY["aim"], KEY["lux"]), lux_at(lens, place, 1.0)

    def step(x: float) -> float:
        white = s.lighting.reference + x
        dark = AMBIENT + x * each
        return lightness(GREY * (dark + key) / white) - lightness(GREY * dark / white)

    # the slab stands in the key's way only: in the fill's stands something far behind
    worst = trial(replace(s, sight=SightLines([*s.sight.surfaces, far_off()])), ("wall", "far off")).worst(lamp)
    assert worst(0.0) == pytest.approx(step(0.0), rel=0.03)
    assert worst(200.0) == pytest.approx(step(200.0), rel=0.05)
    needed = brentq(lambda x: step(x) - JND_COLOUR, 0.0, 1e4)
    lux, left = least_light(worst, [0.25 * needed, 0.5 * needed, 2.0 * needed])
    assert lux == pytest.approx(needed, rel=0.1)
    assert left < JND_COLOUR


def test_a_fill_throws_a_shadow_of_its_own() -> None:
    """With no other lamp: a hard fill from aside, its shadow by CIE's L* on grey."""
    s = flat_set([])
    lamp = fill_lamp(s.scene, np.array([0.6, 0.8, 1.5]), np.array([0.0, -0.2, 0.0]), 0.0)
    worst = trial(s).worst(lamp)
    assert worst(0.0) == 0.0
    # at the aim, face on is cos of the lamp's lean; nowhere near it is it more than a fifth brighter
    way = np.array([0.6, 1.0, 1.5])
    on_wall = 600.0 * way[2] / float(np.linalg.norm(way))
    white = AMBIENT + 600.0
    wanted = lightness(GREY * (AMBIENT + on_wall) / white) - lightness(GREY * AMBIENT / white)
    assert wanted < worst(600.0) < 1.2 * wanted


@pytest.fixture(scope="module")
def shallow() -> FlatSet:
    """A set whose shadow is a little too strong."""
    return flat_set([KEY | {"size": 0.3, "lux": 130.0}], texture_px=256)


@pytest.mark.sweep
def test_the_search_finds_what_trying_everything_finds(shallow: FlatSet, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every possible place tried in full at the same fineness: none of them needs less light than the answer, by more
    than what the search leaves to chance (a fifth)."""
    s = shallow
    coarse = (180, 80, 3)
    monkeypatch.setattr(fill, "_ROUGH", coarse)
    monkeypatch.setattr(fill, "_FINAL", coarse)
    light = shadow_light(s.wall, s.lighting, s.sight, longest_px=192)
    found = find_fill(s.scene, s.move, s.wall, light, s.lighting, s.sight, 0.2)
    assert found.before > JND_COLOUR
    assert found.lamp is not None
    assert found.position is not None
    frames = sorted({*s.scene.rail.hold, s.move.station_frame})
    part = delivered_box_px(s.scene)
    views = tuple(wall_view(s.move, f, s.wall, s.sight, NAMES, part, coarse[0]) for f in frames)
    every = FillTrial(s.wall, light, s.lighting, s.sight, NAMES, (), views, coarse[1], coarse[2])
    aim = np.array(found.lamp.aim)
    places = possible_places(s.scene, s.move, s.wall, s.sight, NAMES, aim, 0.2)
    assert found.tried == len(places)
    amounts = [0.5 * found.lux, 0.8 * found.lux]
    cleared = 0
    for place in places[::8]:
        _, left = least_light(every.worst(fill_lamp(s.scene, place, aim, 0.2)), amounts[1:])
        cleared += left < JND_COLOUR
    assert found.cleared
    assert cleared == 0
    # by an independent look: the scene with the fill in it
    lit = s.scene.edited(lamps=[*(lamp.model_dump() for lamp in s.scene.lamps), found.lamp.model_dump()])
    again = flat_set([lamp.model_dump() for lamp in lit.lamps], texture_px=256)
    light = shadow_light(again.wall, again.lighting, again.sight, longest_px=192)
    for frame in (again.scene.rail.hold[0], 1005, again.scene.rail.hold[1]):
        edge = strongest_edge(wall_view(again.move, frame, again.wall, again.sight, NAMES, part), light)
        assert edge is not None
        assert edge.step < 1.25 * JND_COLOUR
    assert f"{found.lux:.0f} lux" in found.sentence


def test_possible_places_are_out_of_the_picture_and_free(shallow: FlatSet) -> None:
    """By projection and by hand: outside the picture, or on a sight line that the slab's box stands in."""
    s = shallow
    places = possible_places(s.scene, s.move, s.wall, s.sight, NAMES, np.array([0.0, -0.3, 0.0]), 0.05)
    assert len(places) > 20
    assert places[:, 2].min() > 0.01
    low, high = np.array([-HALF, -THICK, FAR]), np.array([HALF, 0.0, NEAR])
    inside = np.all((places > low) & (places < high), axis=1)
    assert not inside.any()
    hidden = 0
    for frame in (1001, s.move.station_frame, 1020):
        camera = s.move.camera(frame)
        for place in places[in_box(camera.project(places), delivered_box_px(s.scene))]:
            # slab method: the stretch of the way that is within all three pairs of planes
            way = place - camera.position
            way = np.where(way == 0.0, 1e-12, way)
            a, b = (low - camera.position) / way, (high - camera.position) / way
            near, far = np.minimum(a, b).max(), np.maximum(a, b).min()
            assert near <= far
            assert 0.0 < near < 1.0
            hidden += 1
    assert hidden > 0


def test_nothing_to_fill() -> None:
    s = flat_set([])
    found = find_fill(s.scene, s.move, s.wall, shadow_light(s.wall, s.lighting, s.sight), s.lighting, s.sight)
    assert found.cleared
    assert found.lamp is None
    assert found.lux == 0.0
    assert "no shadow on the wall for a fill to weaken" in found.sentence


@pytest.mark.slow
def test_a_shadow_too_strong_to_fill(monkeypatch: pytest.MonkeyPatch) -> None:
    """A hard key with next to no light besides: the best that can be had, and how much is left."""
    coarse = (180, 64, 2)
    monkeypatch.setattr(fill, "_ROUGH", coarse)
    monkeypatch.setattr(fill, "_FINAL", coarse)
    s = flat_set([KEY | {"lux": 2000.0}], ambient=20.0, texture_px=128)
    light = shadow_light(s.wall, s.lighting, s.sight, longest_px=128)
    found = find_fill(s.scene, s.move, s.wall, light, s.lighting, s.sight, 0.05)
    assert not found.cleared
    assert JND_COLOUR < found.left < found.before
    assert found.lamp is not None
