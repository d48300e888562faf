"""Numbers on the rig card, rule by rule: shadow edges, fills and highlights, on what can be worked out by hand."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from previz import colour
from previz.judge.findings import FoundStretch
from previz.judge.viewer import Viewer
from previz.rig import fill
from previz.rig.fill import _answer, fill_lamp, fill_words, least_light, possible_places
from previz.rig.gleam import Look, SurfacePlaces, difference
from previz.rig.highlight import _highlight, _sentence, _sheen
from previz.rig.lightadvice import _passing
from previz.rig.shadow import LITTLE, NOTHING, SHOWS, UNJUDGED, FrameShadow, ShadowTell, worst_of
from previz.rig.shadow import _sentence as shadow_sentence
from previz.rig.shadowstep import ShadowEdge, ShadowLight, WallView, strongest_edge
from previz.rig.sighted import behind_card, card_corners, lamp_light, share_seen
from previz.scene.model import Card, Lamp, Light
from previz.workshop.light.lamps import emitter_of
from tests.search.flatset import HALF, NEAR, THICK, flat_set

# just noticeable, dE*ab (Mahy et al. 1994, carried by colour-science)
JND = 2.3

KEY = Lamp(name="key", position=(0.0, 0.0, 2.0), aim=(0.0, 0.0, 0.0), lux=1000.0)


# middle, corners and upper and lower edge of a face, in widths
RIM = np.array([[0.0, 0.0], [-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5], [0.0, 0.5], [0.0, -0.5]])


def lightness(y):
    """CIE L* of a grey of luminance ``y`` (CIE 15:2004, 8.2.1)."""
    return 116.0 * np.cbrt(y) - 16.0


def edge(step: float, lamp: str = "key") -> ShadowEdge:
    return ShadowEdge(1001, step, (0.1, 0.2, 0.0), (10.0, 10.0), lamp, 0.0)


def stretch(tell: str = "shadow", times: float = 1.5) -> FoundStretch:
    return FoundStretch(tell, True, 5.0, 5.0, 190.0, 4.0, 9.0, times, True, "left of the bridge")


def frame(number: int, trace: float | None, outline: float = 0.0, tell: str = "shadow") -> FrameShadow:
    found = stretch(tell) if max(trace or 0.0, outline) >= 0.05 else None
    return FrameShadow(number, trace, outline, found, 960, "" if trace is not None else "the bridge is not in it")


def said(hold: FrameShadow | None, outside: FrameShadow | None, at: ShadowEdge | None) -> str:
    frames = [each for each in (hold or frame(1001, None), outside) if each is not None]
    return shadow_sentence(frames, hold, outside, at)


def test_what_a_frames_shares_come_to() -> None:
    """A frame holds while each is at most 5 % (the score's own rule); less than 0.05 is told as 0.0."""
    assert [frame(1001, share).verdict for share in (5.01, 5.0, 0.05, 0.049)] == [SHOWS, LITTLE, LITTLE, NOTHING]
    assert [frame(1001, 0.0, share).verdict for share in (5.01, 5.0, 0.049)] == [SHOWS, LITTLE, NOTHING]
    assert frame(1001, None).verdict == UNJUDGED
    worst = worst_of([frame(1001, 2.0), frame(1002, 0.0, 7.0), frame(1003, None), frame(1004, 7.0)])
    assert worst is not None
    assert worst.frame == 1002
    assert worst_of([frame(1003, None)]) is None


def test_the_card_says_what_was_found_in_the_hold() -> None:
    words = said(frame(1001, 12.34, 1.0), frame(1009, 40.0), edge(9.0))
    assert "shadow shows in the hold, at frame 1001: a straight edge of shadow, 190 px long, 9.0 dE, left of" in words
    assert "on the wall at 100 mm right, 200 mm up, thrown by key" in words
    assert "traces as long as 12.3 % of the outline and 1.0 % of the outline itself (at most 5 % holds)" in words
    assert "Outside the hold it comes to 40.0 % at frame 1009." in words
    assert "not enough to lose it, in the hold" in said(frame(1001, 4.9), frame(1009, 4.0), edge(9.0))
    assert "Outside" not in said(frame(1001, 4.9), frame(1009, 4.0), edge(9.0))
    light = said(frame(1001, 12.0, tell="bounce"), None, edge(9.0))
    assert light.startswith("Light that the bridge throws shows in the hold")
    assert "thrown by key" not in light


def test_the_card_says_where_nothing_was_found() -> None:
    """However strong the step: 2.3 dE (just noticeable) only decides whether it is told."""
    nothing = said(frame(1001, 0.0), frame(1009, 0.0), edge(2.29))
    assert nothing.endswith("is not found, in the hold or outside it (judged as in score: frames 1001, 1009).")
    strong = said(frame(1001, 0.0), frame(1009, 0.0), edge(8.0))
    assert strong.startswith(nothing)
    assert "hidden by its softness or by the wall's own pattern: 8.0 dE at most" in strong
    after = said(frame(1001, 0.0), frame(1009, 9.0), edge(8.0))
    assert after.startswith("The bridge's shadow is not found in the hold. The bridge's shadow shows outside it, at")
    assert said(None, frame(1009, 9.0), edge(8.0)).endswith("cannot be judged in the hold: the bridge is not in it.")


def test_a_fill_is_asked_for_what_the_judge_lets_pass() -> None:
    """A tenth below the step over how many times its limit it is; 2.3 dE (just noticeable) at most."""

    def passing(step: float, times: float) -> float:
        hold = FrameShadow(1001, 9.0, 0.0, stretch(times=times), 960)
        return _passing(ShadowTell((hold,), hold, None, edge(step), ""))

    assert passing(3.0, 2.0) == pytest.approx(1.35)
    assert passing(1.0, 0.5) == pytest.approx(0.9)
    assert passing(20.0, 2.0) == JND


def flat_view(rows: int = 60, columns: int = 120, on_wall: np.ndarray | None = None) -> WallView:
    """A view of a grey wall, a place a pixel."""
    on = np.ones((rows, columns), dtype=bool) if on_wall is None else on_wall
    px = np.stack(np.meshgrid(np.arange(columns) + 0.5, np.arange(rows) + 0.5), axis=-1)
    uv = px[on] / [columns, rows]
    points = np.concatenate([px[on] * 0.001, np.zeros((len(uv), 1))], axis=1)
    return WallView(1001, 1, px, on, uv, points, np.full((len(uv), 3), 0.18, np.float32), Viewer(540))


def halves(rows: int, columns: int, right: float) -> np.ndarray:
    out = np.zeros((rows, columns, 3), dtype=np.float32)
    out[:, columns // 2 :] = right
    return out


@pytest.mark.parametrize("height", [0.5, 3.0])
def test_a_step_reads_its_height_however_faint(height: float) -> None:
    change = np.zeros((60, 120, 3), dtype=np.float32)
    change[:, 60:, 0] = height
    assert float(flat_view().steps(change.reshape(-1, 3)).max()) == pytest.approx(height, rel=0.05)


def test_a_step_at_the_walls_own_edge_is_not_made_up() -> None:
    # the wall ends where the change does: nothing lies on the other side to compare with
    on = np.ones((60, 120), dtype=bool)
    on[:, 60:] = False
    change = np.full((int(on.sum()), 3), 5.0, dtype=np.float32)
    assert float(flat_view(on_wall=on).steps(change).max()) < 0.3


def test_the_lamp_whose_shadow_goes_with_it_is_named() -> None:
    """Two lamps of 0.4 and 0.2 with ambient 0.4: on one half both are kept off, and only their L* is left."""
    clean = np.ones((60, 120, 3), dtype=np.float32)
    light = ShadowLight(clean, (halves(60, 120, 0.4), halves(60, 120, 0.2)), ("large", "small"))
    view = flat_view()
    found = strongest_edge(view, light)
    assert found is not None
    assert found.step == pytest.approx(lightness(0.18) - lightness(0.18 * 0.4), rel=0.05)
    assert found.lamp == "large"
    assert found.left == pytest.approx(lightness(0.18) - lightness(0.18 * 0.8), rel=0.05)
    assert found.place[0] == pytest.approx(0.06, abs=0.006)


def test_the_least_light_is_safe_and_no_more_than_two_hundredths_too_much() -> None:
    """worst = c / (1 + x / b) is just noticeable at x = b (c / JND - 1)."""
    needed = 50.0 * (10.0 / JND - 1.0)
    lux, left = least_light(lambda x: 10.0 / (1.0 + x / 50.0), [10.0, 100.0, 1000.0])
    assert needed <= lux <= 1.02 * needed + 1e-9
    assert left < JND
    assert least_light(lambda x: 2.29, [5.0]) == (0.0, 2.29)
    assert least_light(lambda x: 2.31, [5.0])[1] == 2.31


def test_a_shadow_just_noticeable_asks_for_a_fill() -> None:
    lux, left = least_light(lambda x: 2.31 - 0.001 * x, [5.0, 50.0])
    assert 10.0 < lux < 10.3
    assert left < JND


def test_one_lamps_shadow_is_taken_away_and_the_others_stay() -> None:
    clean = np.ones((1, 1, 3), dtype=np.float32)
    light = ShadowLight(clean, (0.25 * clean, 0.5 * clean, 0.125 * clean), ("a", "b", "c"))
    left = [float(light.without(k).shadowed[0, 0, 0]) for k in range(3)]
    assert left == pytest.approx([0.375, 0.625, 0.25])


def answer(left: float, failed: bool, before: float = 8.0, lux: float = 50.0):
    lamp = fill_lamp(flat_set([], texture_px=16).scene, np.array([0.1, -0.2, 0.3]), np.zeros(3), 0.3)
    final = SimpleNamespace(worst=lambda lamp: lambda lux: left)
    return _answer(before, (failed, 1.0, lux, lamp.model_copy(update={"lux": lux})), final, 7)  # type: ignore[arg-type]


def test_where_a_fill_stands() -> None:
    good, some, none = answer(2.0, False), answer(5.0, True), answer(9.0, True)
    assert (good.cleared, good.left, good.lux, good.tried) == (True, 2.0, 50.0, 7)
    assert good.position == (0.1, -0.2, 0.3)
    assert good.sentence.endswith("100 mm right, -200 mm up, 300 mm out of the wall, 50 lux")
    assert not some.cleared
    assert some.lamp is not None
    # one that makes it worse is none
    assert none.lamp is None
    assert (none.left, none.lux) == (8.0, 0.0)


def test_the_judge_says_whether_a_fill_mends_it() -> None:
    """Whatever the step came to: one that is cleared may still show, and one that is not may be hidden."""
    before = frame(1001, 40.0)
    for fill_ in (answer(2.0, False), answer(5.0, True)):
        assert "mends it: judged with it, no frame" in fill_words(fill_, before, frame(1001, 0.0))
        left = fill_words(fill_, before, frame(1001, 4.0))
        assert "mends it: what is left in the hold is traces as long as 4.0 % of the outline" in left
        more = fill_words(fill_, before, frame(1001, 30.0))
        assert "does not mend it: the hold still shows traces as long as 30.0 %" in more
        assert "Change the key first" in more
        assert "without it" in more
        assert fill_words(fill_, before, frame(1001, 41.0)).startswith("No fill helps")
        assert "no frame can be judged" in fill_words(fill_, before, None)
    none = answer(9.0, True)
    assert fill_words(none, before, None) == none.sentence


def test_a_fill_gives_no_more_light_than_the_exposure_is_for() -> None:
    assert fill._MOST_LIGHT == 1.0
    assert max(fill._AMOUNTS) == pytest.approx(1.0)
    assert min(fill._AMOUNTS) == pytest.approx(0.01)


@pytest.mark.parametrize("size", [0.05, 0.17])
def test_a_fills_face_keeps_off_wall_and_bridge(size: float) -> None:
    """Fifteen millimetres from the wall and from the slab's box, by plain distances."""
    s = flat_set([], texture_px=16)
    aim = np.array([0.0, -0.3, 0.0])
    places = possible_places(s.scene, s.move, s.wall, s.sight, ("wall", "bridge"), aim, size)
    assert len(places) > 10
    low, high = np.array([-HALF, -THICK, 0.0]), np.array([HALF, 0.0, NEAR])
    for place in places:
        emitter = emitter_of(fill_lamp(s.scene, place, aim, size), s.scene.light, 1.0)
        rim = emitter.points(RIM)
        off = np.linalg.norm(rim - np.clip(rim, low, high), axis=1)
        assert off.min() > 0.0149
        assert rim[:, 2].min() > 0.0149


def test_a_fill_keeps_off_the_lens() -> None:
    """Behind the lens it would not be in the picture: 0.3 m away all the same."""
    s = flat_set([], camera={"position": (0.0, 0.35, 0.7), "lens": 0.035, "tilt": -0.35}, texture_px=16)
    places = possible_places(s.scene, s.move, s.wall, s.sight, ("wall", "bridge"), np.zeros(3), 0.05)
    lens = np.array([s.move.camera(frame).position for frame in s.move.frames])
    assert len(places) > 10
    assert np.linalg.norm(places[:, None] - lens[None], axis=-1).min() > 0.29


def look(frame: int, base: float, added_at: int = 1) -> Look:
    count = 3
    return Look(
        frame, np.array([0.0, 0.3, 1.0]), np.arange(count), np.full((count, 2), 5.0 + frame - 1001),
        np.array([4.0, 8.0, 16.0]), np.full((count, 3), base), np.full((count, 3), 0.05),
    )  # fmt: skip


POINTS, UP = np.array([[0.0, 0.0, 0.1], [0.01, 0.0, 0.2], [0.02, 0.0, 0.3]]), np.tile([0.0, 1.0, 0.0], (3, 1))
PLACES = SurfacePlaces("bridge", "satin", POINTS, UP, np.full((3, 3), 0.2), 1e-4)


def found_by(added: dict[int, list[float]], base: float = 0.2, hold: tuple[int, int] = (1001, 1002)):
    """A highlight that adds so much light to each of three places, by frame."""
    stage = SimpleNamespace(
        emitter=lambda lamp: None,
        scene=SimpleNamespace(rail=SimpleNamespace(hold=hold)),
        gleam=lambda places, look, emitter, cards: np.repeat(np.array(added[look.frame])[:, None], 3, axis=1),
    )
    return _highlight(stage, PLACES, [look(frame, base) for frame in added], KEY, ())  # type: ignore[arg-type]


def test_a_highlight_by_hand() -> None:
    """By CIE's L* on grey: 0.2 and what is added. Areas are those of the places above just noticeable."""
    found = found_by({1001: [0.0, 0.05, 0.01], 1002: [0.0, 0.0005, 0.0], 1003: [0.1, 0.9, 0.05]})
    assert found is not None
    assert (found.lamp, found.surface, found.frame) == ("key", "bridge", 1003)
    assert found.frames == (1001, 1003)
    assert found.hold_frames == (1001,)
    assert found.de == pytest.approx(100.0 - lightness(0.2), rel=1e-3)
    assert found.share == pytest.approx(0.9)
    assert found.place == (0.01, 0.0, 0.2)
    # 0.01 more on 0.2 is 0.8 L*: not seen; burnt out is what was below white and comes to it
    assert found.area_px == pytest.approx(4.0 + 8.0 + 16.0)
    assert (found.burnt_frames, found.burnt_px) == ((1003,), 8.0)
    pair = (np.full(3, 0.2), np.ones(3))
    assert found.de00 == pytest.approx(float(colour.de00(colour.lab(pair[0]), colour.lab(pair[1]))), rel=1e-6)
    assert "90.0 % of white" in _sentence(found)
    assert "in the hold" in _sentence(found)


def test_a_highlight_below_just_noticeable_is_none() -> None:
    faint = ((lightness(0.2) + 0.99 * JND + 16.0) / 116.0) ** 3 - 0.2
    seen = ((lightness(0.2) + 1.01 * JND + 16.0) / 116.0) ** 3 - 0.2
    assert found_by({1001: [faint, 0.0, 0.0]}) is None
    assert found_by({1001: [seen, 0.0, 0.0]}) is not None


def test_what_is_white_already_does_not_burn_out() -> None:
    assert found_by({1001: [0.0, 0.5, 0.0]}, base=1.0) is None
    # 0.7 of white is bright, and not white
    late = found_by({1001: [0.0, 0.5, 0.0]}, hold=(1005, 1009))
    assert late is not None
    assert late.burnt_frames == ()
    assert late.hold_frames == ()
    assert "only after the hold" in _sentence(late)


def test_light_beyond_white_makes_no_difference() -> None:
    """From 0.9 to 1.4 is from L* 95.99 to 100."""
    got = difference(np.full((1, 3), 0.9), np.full((1, 3), 0.5))
    assert float(got[0]) == pytest.approx(100.0 - lightness(0.9), abs=0.02)


def test_sheen_of_a_frame_is_the_strongest() -> None:
    """0.05 of white on paint that sends 0.2 itself."""
    found = _sheen(PLACES, [look(1001, 0.25), look(1002, 0.25)])
    assert found is not None
    assert found.de == pytest.approx(lightness(0.25) - lightness(0.2), rel=0.01)
    assert found.share == pytest.approx(0.05)
    weak = SurfacePlaces("bridge", "satin", PLACES.points, PLACES.normals, np.full((3, 3), 0.9), 1e-4)
    assert _sheen(weak, [look(1001, 0.9)]) is None


def test_light_of_a_lamp_past_cards_and_surfaces() -> None:
    """Inverse square and cosine on the wall, none in the slab's shadow; a card keeps it off."""
    s = flat_set([], texture_px=16)
    lamp = Lamp(name="key", position=(0.0, -0.01, 2.0), aim=(0.0, -0.01, 0.0), lux=1000.0)
    emitter = emitter_of(lamp, Light(), 1000.0)
    points = np.array([[0.0, -0.01, 0.0], [0.5, -0.01, 0.0]])
    normals = np.tile([0.0, 0.0, 1.0], (2, 1))
    free, past = lamp_light(points, normals, emitter, s.sight, [["wall"], ["bridge"]], (), 1)
    assert free[:, 1] == pytest.approx([1.0, (2.0 / math.hypot(2.0, 0.5)) ** 3], rel=1e-3)
    assert past[:, 1] == pytest.approx([0.0, (2.0 / math.hypot(2.0, 0.5)) ** 3], rel=1e-3)
    card = Card(name="flag", kind="flag", position=(0.25, -0.01, 1.0), aim=(0.25, -0.01, 2.0), size=(0.1, 0.1))
    (kept,) = lamp_light(points, normals, emitter, s.sight, [["wall"]], (card,), 1)
    assert kept[:, 1] == pytest.approx([1.0, 0.0], abs=1e-3)


def test_a_card_stands_in_the_way_between_its_edges_only() -> None:
    card = Card(name="flag", kind="flag", position=(0.0, 0.0, 1.0), aim=(0.0, 0.0, 2.0), size=(0.4, 0.2))
    starts = np.array([[x, y, 0.0] for x, y in ((0.19, 0.09), (0.21, 0.0), (0.0, 0.11))])
    assert behind_card(card, starts, starts + [0.0, 0.0, 2.0]).tolist() == [True, False, False]
    assert not behind_card(card, starts, starts + [0.0, 0.0, 0.9]).any()
    corners = card_corners(card)
    assert np.abs(corners).max(axis=0) == pytest.approx([0.2, 0.1, 1.0])


def test_share_of_a_face_that_a_place_sees() -> None:
    """A square lamp half covered by a card that ends on the axis."""
    s = flat_set([], texture_px=16)
    lamp = Lamp(name="key", position=(0.0, 0.3, 2.0), aim=(0.0, 0.3, 0.0), size=(0.4, 0.4), lux=1000.0)
    card = Card(name="flag", kind="flag", position=(0.5, 0.3, 1.0), aim=(0.5, 0.3, 2.0), size=(1.0, 1.0))
    place, normal = np.array([[0.0, 0.3, 0.0]]), np.array([[0.0, 0.0, 1.0]])
    emitter = emitter_of(lamp, Light(), 1000.0)
    assert share_seen(place, normal, emitter, s.sight, ["wall"], (card,), 64)[0] == pytest.approx(0.5, abs=0.04)
    assert share_seen(place, normal, emitter, s.sight, ["wall"], (), 64)[0] == 1.0
