"""Highlights against mirrors that can be worked out by hand: the slab's flat end and top before a flat wall."""

from __future__ import annotations

import math

import numpy as np
import pytest

from previz import colour, gloss
from previz.judge.viewer import JND_COLOUR
from previz.rig.clearing import turned_lamp
from previz.rig.gleam import HighlightScene, places_of
from previz.rig.highlight import ShineReport, highlights
from previz.rig.sighted import card_corners, in_picture
from previz.scene.layout import delivered_box_px
from tests.search.flatset import HALF, NEAR, THICK, FlatSet, flat_set

LENS = np.array([0.0, 0.35, 1.5])
SHARE = 0.2


def mirrored_lens(z: float) -> np.ndarray:
    """The lens in a mirror at the slab's near end."""
    return np.array([LENS[0], LENS[1], 2.0 * z - LENS[2]])


def low_lamp(**changes):
    """A lamp on the ray that the lens's ray to the middle of the slab's end is mirrored into."""
    middle = np.array([0.0, -0.5 * THICK, NEAR])
    way = middle - mirrored_lens(NEAR)
    position = middle + 1.2 * way / np.linalg.norm(way)
    return {"name": "low", "position": tuple(position), "aim": tuple(middle), "lux": 600.0, "size": 0.04} | changes


STILL = {"travel": 0.02, "frames": 6, "hold": (1001, 1006)}


def report(lamps, paint="satin", rail=STILL, cards=None, **changes) -> tuple[FlatSet, ShineReport]:
    bridge = {"length": NEAR, "width": 2 * HALF, "thickness": THICK, "gloss": paint}
    s = flat_set(lamps, bridge=bridge, rail=rail, texture_px=128, **changes)
    return s, highlights(s.scene, s.move, s.lit(SHARE), s.sight, s.lighting, cards)


def test_where_it_is_and_how_strong() -> None:
    """By the law of reflection it lies where the lens's mirror image sees the lamp; its strength from the formulas."""
    s, result = report([low_lamp(size=0.0)])
    (found,) = result.highlights
    assert (found.lamp, found.surface) == ("low", "bridge")
    assert found.place[2] == pytest.approx(NEAR, abs=1e-6)
    lamp = np.array(low_lamp()["position"])
    image = np.array([0, 0, 2 * NEAR]) + np.array(s.move.camera(found.frame).position) * [1, 1, -1]
    part = (NEAR - image[2]) / (lamp[2] - image[2])
    met = image + part * (lamp - image)
    # places lie 3 mm apart, and the lobe is far wider than the slab is thick
    assert abs(found.place[0] - met[0]) < 0.008
    assert found.frames == result.highlights[0].hold_frames
    # pi D F / (4 cos) at the mirror angle, D = 1 / (pi a^2) (Walter et al. 2007, eq. 33), nothing masked so near to the
    # normal; lux counts face on at the aim, 600 of the 900 that make white
    cosine = (image[2] - NEAR) / np.linalg.norm(met - image)
    a = gloss.ROUGHNESS["satin"]
    fresnel = float(gloss.fresnel(abs(cosine), 1.5))
    wanted = 600.0 / 900.0 * fresnel / (4.0 * a * a * abs(cosine))
    assert found.share == pytest.approx(wanted, rel=0.08)


def test_what_the_eye_makes_of_it() -> None:
    """dE*ab from CIE's L*, a* and b* of 20 % grey with and without the light that the report gives."""
    _, result = report([low_lamp(lux=8.0)])
    (found,) = result.highlights
    base = float(colour.decoded(round(float(colour.encoded(SHARE)) * 255.0) / 255.0))
    # a neutral lamp: lightness alone. Beneath it lies what is mirrored of the light all round, 300 of 308 lux, by 4.4 %
    # (Fresnel at about 22 degrees)
    below = base + 0.044 * 300.0 / 308.0
    up = 116.0 * ((below + found.share) ** (1 / 3) - below ** (1 / 3))
    assert found.de == pytest.approx(up, rel=0.06)


def test_matt_paint() -> None:
    _, result = report([low_lamp()], paint="matt")
    assert result.highlights == result.moves == result.flags == ()
    assert result.sentences == ("Wall and bridge are matt: there is no highlight to clear.",)


def test_no_lamp() -> None:
    _, result = report([])
    assert result.highlights == ()
    assert "no lamp" in result.sentences[0]


def test_a_lamp_that_the_lens_does_not_see() -> None:
    """From high behind the lens the slab's end and top mirror it down and into the wall."""
    _, result = report([low_lamp(position=(0.1, 1.2, 1.9))])
    assert result.highlights == ()


def test_it_burns_out() -> None:
    """As bright as white or more, and only there."""
    _, bright = report([low_lamp(lux=3000.0)])
    _, dim = report([low_lamp(lux=30.0)])
    (burnt,), (not_burnt,) = bright.highlights, dim.highlights
    assert burnt.burnt_frames
    assert 0.0 < burnt.burnt_px <= burnt.area_px
    assert burnt.share + SHARE >= 1.0
    assert not_burnt.burnt_frames == ()
    assert not_burnt.share + SHARE < 1.0
    assert any("burns out" in sentence for sentence in bright.sentences)


def test_the_move_clears_it_and_is_small() -> None:
    """Looked at again with the lamp moved: gone from the hold. Turned less far, whichever way: still there."""
    s, result = report([low_lamp()])
    (move,) = result.moves
    old = np.array(low_lamp()["position"])
    assert move.way == pytest.approx(float(np.linalg.norm(np.array(move.position) - old)), abs=1e-9)
    assert move.left_de < JND_COLOUR
    # distance to the aim kept: "turned about its aim"
    aim = np.array(low_lamp()["aim"])
    assert np.linalg.norm(np.array(move.position) - aim) == pytest.approx(float(np.linalg.norm(old - aim)), abs=1e-9)
    _, again = report([low_lamp(position=move.position)])
    assert not [h for h in again.highlights if h.hold_frames]
    bridge = s.lit(SHARE)[1]
    places = places_of(bridge, "bridge", "satin", 2000)
    names, box = ("wall", "bridge"), delivered_box_px(s.scene)
    stage = HighlightScene(s.scene, s.move, s.sight, names, s.lit(SHARE)[0], s.lighting, box)
    looks = [stage.look(places, 1003)]
    (lamp,) = s.scene.lamps
    distance = float(np.linalg.norm(old - aim))
    # the search looks along eight ways to half a degree: a way between may be a tenth shorter
    for angle in np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False):
        turn = 0.8 * move.way / distance
        tried = turned_lamp(lamp, turn * math.cos(angle), turn * math.sin(angle))
        assert stage.worst(places, looks, tried, ()) >= JND_COLOUR


def test_the_words_of_a_move() -> None:
    _, result = report([low_lamp()])
    (move,) = result.moves
    dx, dy, dz = np.array(move.position) - np.array(low_lamp()["position"])
    if abs(dy) >= 0.005:
        assert f"{'raise' if dy > 0 else 'lower'} low by {abs(dy) * 1e3:.0f} mm" in move.words
    if abs(dx) >= 0.005:
        assert f"{abs(dx) * 1e3:.0f} mm to the {'right' if dx > 0 else 'left'}" in move.words
    if abs(dz) >= 0.005:
        assert f"{abs(dz) * 1e3:.0f} mm {'away from' if dz > 0 else 'towards'} the wall" in move.words
    assert max(abs(dx), abs(dy), abs(dz)) >= 0.005


@pytest.mark.parametrize(("azimuth", "height"), [(0.3, 0.0), (0.0, 0.2), (-0.4, 0.1)])
def test_a_lamp_turned_about_its_aim(azimuth: float, height: float) -> None:
    """Distance kept; the angles by spherical coordinates about the vertical."""
    s = flat_set([{"name": "key", "position": (0.3, 0.7, 1.1), "aim": (0.1, 0.2, 0.1)}], texture_px=16)
    (lamp,) = s.scene.lamps
    turned = turned_lamp(lamp, azimuth, height)
    before, after = (np.array(p) - np.array(lamp.aim) for p in (lamp.position, turned.position))
    assert np.linalg.norm(after) == pytest.approx(float(np.linalg.norm(before)))
    assert math.atan2(after[0], after[2]) - math.atan2(before[0], before[2]) == pytest.approx(azimuth)
    rise = [math.asin(v[1] / np.linalg.norm(v)) for v in (before, after)]
    assert rise[1] - rise[0] == pytest.approx(height)


def test_a_flag_where_the_lamp_would_go_far(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the flag standing there, looked at again: gone from the hold. It is out of the picture."""
    from previz.rig import highlight

    monkeypatch.setattr(highlight, "LARGE_MOVE", 0.0)
    s, result = report([low_lamp()])
    (flag,) = result.flags
    assert flag.left_de < JND_COLOUR
    assert 0.0 <= flag.cost < 0.5
    cameras = [s.move.camera(f) for f in s.move.frames]
    corners = card_corners(flag.card)[None]
    assert not in_picture(cameras, corners, s.sight, ("wall", "bridge"), delivered_box_px(s.scene)).any()
    _, again = report([low_lamp()], cards=[flag.card])
    assert not [h for h in again.highlights if h.hold_frames]
    assert f"{100 * flag.cost:.0f} % of its light" in flag.words


def test_gloss_mirrors_the_wall() -> None:
    """The top, seen at an angle, mirrors the wall: Fresnel's share of what the wall sends (20 %), no lamp moved."""
    _, result = report([low_lamp()], paint="gloss")
    (sheen,) = result.sheens
    steepest = math.atan2(0.35, 1.5 - 0.2)
    assert sheen.surface == "bridge"
    assert sheen.share > 0.9 * SHARE * float(gloss.fresnel(math.sin(steepest), 1.5))
    assert sheen.share < 1.0
    assert any("mirrors the wall" in sentence for sentence in result.sentences)


def test_only_seen_while_it_is_seen() -> None:
    """A gloss end in a long move: the highlight of a small lamp is there only while the mirror's angle fits."""
    rail = {"travel": 0.8, "frames": 60, "hold": (1001, 1010)}
    s, result = report([low_lamp(size=0.02)], paint="gloss", rail=rail)
    (found,) = result.highlights
    assert 0 < len(found.frames) < 17
    assert set(found.hold_frames) <= set(found.frames)
    assert all(1001 <= f <= 1010 for f in found.hold_frames)
    assert s.move.station_frame in found.frames
