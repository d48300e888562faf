"""What the comparison with a path tracer is made of: its lamps, lens and sums against closed forms and libraries."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image, ImageDraw
from scipy.integrate import dblquad
from scipy.ndimage import shift
from scipy.special import j1
from skimage.data import gravel

from previz import colour
from previz.camera import camera_for
from previz.judge.hold import FrameScore
from previz.plate.top import Stance
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import scene_of_text
from tests.benchmarks.reality import build, causes, choice, frames, guide, performer, record, sets, tracer
from tests.benchmarks.reality.compare import compared, drift_by_flow
from tests.benchmarks.reality.world import lamp_colour, view_of


@pytest.mark.parametrize("size", [(0.6,), (0.3, 0.5)])
def test_a_lamps_radiance_gives_its_lux_at_its_aim(size: tuple[float, ...]) -> None:
    """Summed over the face by SciPy: L cos cos / d^2 dA, Lambert's law (textbook)."""
    lamp = tracer.LampFace((0.0, 0.0, 0.8), (0.0, 0.0, 0.0), size, 250.0, (1.0, 1.0, 1.0))
    wide, high = size[0], size[-1]

    def piece(y: float, x: float) -> float:
        inside = len(size) == 2 or x * x + y * y <= (0.5 * wide) ** 2
        return inside * 0.8**2 / (x * x + y * y + 0.8**2) ** 2

    if len(size) == 2:
        seen = dblquad(piece, -0.5 * wide, 0.5 * wide, -0.5 * high, 0.5 * high)[0]
    else:
        radius = 0.5 * wide

        def half(x: float) -> float:
            return float(np.sqrt(max(radius**2 - x * x, 0.0)))

        seen = dblquad(piece, -radius, radius, lambda x: -half(x), half)[0]
    assert tracer.radiance(lamp) * seen == pytest.approx(250.0, rel=1e-3)


@pytest.mark.parametrize("kelvin", [3200.0, 4300.0, 5000.0, 6500.0, 7500.0])
def test_lamps_have_the_colour_that_the_tool_gives_them(kelvin: float) -> None:
    """The tracer's come from colour-science. Half a percent is far below a just noticeable difference."""
    np.testing.assert_allclose(lamp_colour(kelvin, 5600.0), colour.lamp_tint(kelvin, 5600.0), atol=0.005)


def test_diffraction_is_that_of_a_round_pupil() -> None:
    """A point through f/22 at 4 um a pixel is Airy's pattern, (2 J1(x) / x)^2 (SciPy's Bessel function)."""
    point = np.zeros((129, 129, 3), dtype=np.float32)
    point[64, 64] = 1.0
    got = tracer.diffracted(point, 22.0 / 4e-6)[64, 64:, 1].astype(float)
    x = np.pi * np.maximum(np.arange(65) * 4e-6, 1e-12) / (tracer.WAVELENGTHS[1] * 22.0)
    wanted = (2.0 * j1(x) / x) ** 2
    # Airy's pattern rings on beyond the frame; to a hundredth of its middle it is the same
    np.testing.assert_allclose(got / got[0], wanted, atol=0.01)


def test_a_picture_keeps_its_light_through_the_lens() -> None:
    picture = np.random.default_rng(1).uniform(0.2, 0.8, (40, 60, 3)).astype(np.float32)
    assert tracer.diffracted(picture, 22.0 / 37e-6).mean() == pytest.approx(float(picture.mean()), rel=1e-3)


def test_a_world_is_read_as_it_was_written(tmp_path) -> None:
    mesh = tracer.Mesh(
        np.eye(3, dtype=np.float32), np.array([[0, 1, 2]], dtype=np.uint32), np.zeros((3, 2), np.float32), None,
        np.full((2, 2, 3), 0.25, np.float32), 0.06,
    )  # fmt: skip
    lamp = tracer.LampFace((0.0, 1.0, 2.0), (0.0, 0.0, 0.0), (0.3, 0.5), 120.0, (1.0, 0.9, 0.8), 0.5, 0.2)
    world = tracer.World({"wall": mesh}, (lamp,), (), 900.0, 1020.0)
    world.save(tmp_path / "world.npz")
    again = tracer.World.load(tmp_path / "world.npz")
    assert again.lamps == world.lamps
    assert again.boards == ()
    assert again.white_lux == 1020.0
    assert again.meshes["wall"].alpha == 0.06
    assert again.meshes["wall"].normals is None
    np.testing.assert_array_equal(again.meshes["wall"].corners, mesh.corners)
    np.testing.assert_array_equal(again.meshes["wall"].reflectance, mesh.reflectance)


@pytest.mark.parametrize("name", sets.NAMES)
def test_every_set_is_a_scene_that_moves(name: str, tmp_path) -> None:
    scene = sets.scene_of(name, tmp_path)
    assert len(move_of(scene).frames) > scene.rail.hold[1] - 1000


def test_the_ten_have_all_kinds_that_were_asked_for(tmp_path) -> None:
    scenes = [sets.seeded(number, tmp_path) for number in range(10)]
    assert {s.bridge.gloss for s in scenes} == {"matt", "satin", "gloss"}
    assert any(s.wall.gloss == "satin" for s in scenes)
    assert {c.kind for s in scenes for c in s.cards} == {"bounce", "flag"}
    assert {bool(lamp.cone) for s in scenes for lamp in s.lamps} == {True, False}
    assert min(s.camera.stop for s in scenes) == 4.0
    assert max(s.camera.stop for s in scenes) == 32.0
    assert any(s.rail.along == "arc" for s in scenes)
    assert any(s.rail.along[1] != 0.0 for s in scenes)
    assert any(s.bridge.taper != 1.0 for s in scenes)
    assert any(s.bridge.bend != 0.0 for s in scenes)


def _pair(moved: float) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Two frames of gravel, a square of which is ``moved`` px to the right in the second."""
    ground = (gravel()[:200, :200, None].repeat(3, axis=2) / 255.0).astype(np.float32) ** 2.2
    cover = np.zeros((200, 200), dtype=np.float32)
    cover[60:140, 60:140] = 1.0
    slid = np.stack([shift(ground[..., k], (0.0, moved), order=3, mode="nearest") for k in range(3)], axis=-1)
    second = np.where(cover[..., None] > 0, slid, ground).astype(np.float32)
    return [(ground, ground, cover), (second, ground, cover)]


def test_what_slides_is_measured_by_flow() -> None:
    """0.8 px a frame, 25 frames a second, 540 lines at 30 px a degree: 0.67 degrees a second."""
    assert drift_by_flow(_pair(0.8), 25.0, 540) == pytest.approx(0.8 * 25.0 / 30.0, rel=0.15)
    assert drift_by_flow(_pair(0.0), 25.0, 540) == pytest.approx(0.0, abs=0.01)


def test_pictures_that_are_the_same_do_not_differ_and_others_do() -> None:
    (seen, clean, cover), (second, _, _) = _pair(0.8)
    noise, box = np.zeros((180, 180, 3), dtype=np.float32), (10, 10, 180, 180)
    same = compared((seen, clean, cover), (seen, clean, cover), noise, box)
    assert max(value for name, value in same.items() if not name.startswith("deepest")) == 0.0
    other = compared((seen, clean, cover), (second, clean, np.roll(cover, 1, axis=1)), noise, box)
    assert other["bridge_de"] > 1.0
    assert other["wall_de"] == 0.0
    # 80 px high squares, one px apart: one column on either side, of 81 together
    assert other["mask_pct"] == pytest.approx(100.0 * 2.0 / 81.0)
    # shade a tenth of the light away beside the bridge
    shaded = seen * np.where(cover[..., None] > 0, 1.0, 0.9).astype(np.float32)
    assert compared((seen, clean, cover), (shaded, clean, cover), noise, box)["shadow"] == pytest.approx(0.1, abs=1e-4)


def test_the_bridges_doing_fades_out_at_the_box_and_not_at_the_frames_edge() -> None:
    weight = frames.fading((100, 200), (50, 0, 150, 100))
    assert weight[:, :50].max() == 0.0
    assert weight[50, 199] == 1.0
    assert weight[0, 150] == 1.0
    assert 0.0 < weight[50, 50 + frames.FADE_PX // 2] < 1.0


def test_a_frame_without_shade_is_the_clean_wall_beside_the_bridge() -> None:
    (seen, clean, cover), _ = _pair(0.0)
    shaded = np.where(cover[..., None] > 0, seen, 0.9 * clean).astype(np.float32)
    again = frames.unshaded(shaded, clean, cover)
    np.testing.assert_allclose(again, seen, atol=2e-3)


def test_a_view_has_the_scenes_lens(tmp_path) -> None:
    scene: Scene = sets.seeded(5, tmp_path)
    view = view_of(move_of(scene), 1004, (960, 540), (0, 0, 960, 540))
    assert view.pupil == pytest.approx(scene.camera.lens / 4.0)
    assert len(view.moments) == 1
    assert len(view_of(move_of(scene), 1030, (960, 540), (0, 0, 960, 540)).moments) > 1
    assert view_of(move_of(scene), 1004, (960, 540), (0, 0, 960, 540), sharp=True).pupil == 0.0
    # what travels to the machine that traces is the same again
    (tmp_path / "views.json").write_text(json.dumps({"1004": view.__dict__}), encoding="utf-8")
    assert frames.views_in(tmp_path)["1004"] == view


def _found(break_pct: float, loss: int) -> record.Record:
    row = {
        "frame": 1015, "why": "hold", "bridge_de": 0.5, "bridge_de95": 1.2, "band_de": 0.7, "wall_de": 0.4,
        "mask_pct": 0.3,
        "shadow": 0.002, "noise_code": 0.1, "own": {"break": 1.0, "trace": 0.0, "tells": []},
        "traced": {"break": break_pct, "trace": 0.0, "tells": []},
    }  # fmt: skip
    loss_of = {"own still": 1040, "own film": 1041, "traced still": loss, "traced film": 1041}
    return {"frames": [row], "loss": loss_of, "drift": [], "found": {"own": 1.0, "traced": 1.2}}


def test_figures_say_what_is_missed(tmp_path) -> None:
    record.written(tmp_path, "frames", "quarry", _found(3.0, 1041))
    assert all(figure.met is not False for figure in record.figures_of(tmp_path))
    record.written(tmp_path, "frames", "seastack", _found(4.5, 1043))
    missed = {figure.name for figure in record.figures_of(tmp_path) if figure.met is False}
    assert missed == {
        "frames of all holds, 2, whose break and trace lie within 3 points",
        "loss frames, still and film, within 1 frame",
        "loss frame, largest difference",
    }  # fmt: skip
    assert "| quarry | 1, 0 | 0.50 (1.20) |" in record.table(tmp_path)


def test_frames_about_a_loss_do_not_count_for_the_hold(tmp_path) -> None:
    """Where the tool first crosses a limit its score has just jumped: a choice of such frames is no sample."""
    found = _found(1.0, 1041)
    jump = {"break": 9.0, "trace": 0.0, "tells": []}
    found["frames"].append(found["frames"][0] | {"frame": 1040, "why": "loss", "traced": jump})
    record.written(tmp_path, "frames", "quarry", found)
    values = {figure.name: figure.value for figure in record.figures_of(tmp_path)}
    assert values["frames of all holds, 1, whose break and trace lie within 3 points"] == 100.0
    assert values["frames chosen about the tool's loss frames, 1, within 3 points"] == 0.0


def _scores(move, breaks: dict[int, float]) -> dict[int, FrameScore]:
    return {f: FrameScore(f, 0.0, breaks.get(f, 0.0), None, 0.0, trace_pct=0.0) for f in range(1001, 1061)}


def test_frames_are_spread_over_the_hold_and_what_follows() -> None:
    """The quarry stands to 1032 and is to hold to 1036; the tool loses it at 1050."""
    path = sets.SCENES / "quarry.toml"
    move = move_of(scene_of_text(path.read_text(encoding="utf-8"), path))
    scores = _scores(move, dict.fromkeys(range(1050, 1061), 60.0))
    every = choice.chosen_frames(move, scores, 60)
    assert list(every) == [1015, *range(1033, 1061)]
    assert {why for frame, why in every.items() if frame > 1036} == {choice.AFTER}
    some = choice.chosen_frames(move, scores, 12)
    assert 10 <= len(some) <= 12
    assert some[1015] == choice.STANDS
    # all four that move before its end
    assert [frame for frame, why in some.items() if why == choice.HOLD] == [1033, 1034, 1035, 1036]
    after = [frame for frame, why in some.items() if why == choice.AFTER]
    assert (after[0], after[-1]) == (1037, 1060)
    assert {frame for frame, why in some.items() if why == choice.LOSS} <= {1049, 1050}
    assert choice.chosen_frames(move, scores, 1) == {1015: choice.STANDS}


def test_frames_that_are_not_traced_lie_between_those_that_are() -> None:
    """Whatever the tool says of them: its own jump at 1040 is not the tracer's."""
    path = sets.SCENES / "quarry.toml"
    move = move_of(scene_of_text(path.read_text(encoding="utf-8"), path))
    own = _scores(move, {1040: 50.0})
    traced = {frame: replace(own[frame], break_pct=value) for frame, value in ((1015, 1.0), (1036, 2.0), (1044, 6.0))}
    full, same = choice.carried_over(traced, own, move)
    assert sorted(full) == sorted(same) == list(range(1001, 1045))
    assert {full[frame].break_pct for frame in range(1001, 1032)} == {1.0}
    assert full[1040].break_pct == pytest.approx(4.0)
    assert same[1040].break_pct == 50.0
    assert choice.loss_frames(full, move)[0] == 1043
    assert choice.loss_frames(same, move)[0] == 1040


def test_a_veil_of_glare_keeps_the_mean_and_takes_contrast() -> None:
    """Two percent of the picture's mean over all of it (ISO 9358's index, by its definition)."""
    picture = np.random.default_rng(3).uniform(0.0, 1.0, (30, 40, 3)).astype(np.float32)
    veiled = causes.glared(picture)
    np.testing.assert_allclose(veiled.mean(axis=(0, 1)), picture.mean(axis=(0, 1)), rtol=1e-4)
    np.testing.assert_allclose(veiled.std(axis=(0, 1)), 0.98 * picture.std(axis=(0, 1)), rtol=1e-3)


LAMPS = {
    "point": tracer.LampFace((0.3, 0.2, 1.5), (0.0, 0.0, 0.0), (), 200.0, (1.0, 1.0, 1.0)),
    "disc": tracer.LampFace((0.0, 0.0, 1.5), (0.0, 0.0, 0.0), (0.6,), 200.0, (1.0, 1.0, 1.0)),
    "panel": tracer.LampFace((0.0, 0.0, 1.5), (0.0, 0.0, 0.0), (0.3, 0.5), 200.0, (1.0, 1.0, 1.0)),
    "spot": tracer.LampFace((0.0, 0.0, 1.5), (0.0, 0.0, 0.0), (), 200.0, (1.0, 1.0, 1.0), 0.7, 0.3),
    "soft spot": tracer.LampFace((0.0, 0.0, 1.5), (0.0, 0.0, 0.0), (0.2,), 200.0, (1.0, 1.0, 1.0), 0.9, 0.4),
}


@pytest.mark.parametrize("name", LAMPS)
def test_a_white_card_under_a_lamp_is_as_bright_as_its_lux(name: str) -> None:
    """A matt white plane at the aim sends lux / pi; under the point it is turned away by the lamp's angle (Lambert).

    A spot has half its light left at half its cone (the scene file's own definition)."""
    pytest.importorskip("mitsuba", reason="the extra bench")
    lamp = LAMPS[name]
    plane = tracer.Mesh(
        np.array([(-4, -4, 0), (4, -4, 0), (4, 4, 0), (-4, 4, 0)], np.float32),
        np.array([[0, 1, 2], [0, 2, 3]], np.uint32), np.zeros((4, 2), np.float32), None, np.ones((2, 2, 3), np.float32),
    )  # fmt: skip
    world = tracer.World({"plane": plane}, (lamp,), (), 0.0, 200.0)
    camera = np.eye(4)
    camera[2, 3] = 1.0
    view = tracer.View((tuple(map(tuple, camera.tolist())),), 100.0, (64.0, 8.0), (128, 16), (0, 0, 128, 16))
    drawn = tracer.Tracer(world, "scalar_rgb", depth=2).draw(view, ("plane",), 512)[6:10, :, 1].mean(axis=0)
    far = np.linalg.norm(lamp.position)
    assert drawn[63:65].mean() == pytest.approx(1.5 / far, rel=0.03)
    if name == "spot":
        # where the line of sight at half the cone meets the plane, m, and its cos^3
        at = 1.5 * np.tan(0.35)
        half = drawn[round(64.0 + 100.0 * at) - 1 : round(64.0 + 100.0 * at) + 1].mean()
        assert half == pytest.approx(0.5 * np.cos(0.35) ** 3, rel=0.06)
        beyond = 1.5 * np.tan(0.35 * 1.32)
        assert drawn[int(64.0 + 100.0 * beyond) + 1 :].size == 0 or drawn[int(64 + 100 * beyond) + 1 :].max() < 1e-3


def test_a_shutter_that_is_open_smears_and_a_wide_pupil_blurs() -> None:
    """An edge at 1 m seen through a 20 mm pupil focused at 0.5 m: a disc of 20 mm, here 20 px (thin lens, textbook)."""
    pytest.importorskip("mitsuba", reason="the extra bench")
    plane = tracer.Mesh(
        np.array([(-4, -4, 0), (0, -4, 0), (0, 4, 0), (-4, 4, 0)], np.float32),
        np.array([[0, 1, 2], [0, 2, 3]], np.uint32), np.zeros((4, 2), np.float32), None, np.ones((2, 2, 3), np.float32),
    )  # fmt: skip
    made = tracer.Tracer(tracer.World({"plane": plane}, (), (), 1.0, 1.0), "scalar_rgb")
    camera = np.eye(4)
    camera[2, 3] = 1.0

    def edge(pupil: float, moved: float) -> np.ndarray:
        places = [camera.copy() for _ in range(8)]
        for k, place in enumerate(places):
            place[0, 3] = moved * ((k + 0.5) / 8 - 0.5)
        moments = tuple(tuple(map(tuple, place.tolist())) for place in places)
        view = tracer.View(moments, 1000.0, (32.0, 4.0), (64, 8), (0, 0, 64, 8), pupil, 0.5 if pupil else 0.0)
        return made.cover(view, "plane", (), 512).mean(axis=0)

    def rise(profile: np.ndarray) -> float:
        x = np.arange(64) + 0.5
        line = -np.gradient(profile)
        middle = (line * x).sum() / line.sum()
        return float(np.sqrt((line * (x - middle) ** 2).sum() / line.sum()))

    # a disc of diameter d spreads by d / 4 along an axis, an even run of length r by r / sqrt 12; differences over two
    # pixels add a little
    assert rise(edge(0.02, 0.0)) == pytest.approx(20.0 / 4.0, rel=0.06)
    assert rise(edge(0.0, 0.02)) == pytest.approx(20.0 / np.sqrt(12.0), rel=0.06)


def test_a_build_is_off_by_no_more_than_a_careful_hand_is() -> None:
    path = sets.SCENES / "quarry.toml"
    scene = scene_of_text(path.read_text(encoding="utf-8"), path)
    made = [build.drawn_amiss(scene, number) for number in range(40)]
    assert made[3].shift.tolist() == build.drawn_amiss(scene, 3).shift.tolist()
    assert np.abs([one.shift for one in made]).max() == pytest.approx(scene.knock.shift, rel=0.1)
    assert np.abs([one.levels - 1.0 for one in made]).max() == pytest.approx(scene.knock.lamp_level, rel=0.1)
    assert np.abs([one.hung[:3, 3] for one in made]).max() == pytest.approx(scene.knock.hung, rel=0.1)


def test_a_hands_mixtures_err_by_what_is_stated_and_alike_a_palm_apart_less_than_close_by() -> None:
    """The largest error is the stated one; two places 8 cm apart agree by 1 / e, on the mean of many hands."""
    points = np.random.default_rng(1).uniform(0.0, 1.0, (400, 3)) * (0.06, 0.01, 0.85)
    assert np.linalg.norm(build.mixed_wrong(points, 2.0, 3), axis=1).max() == pytest.approx(2.0)
    pair = np.array([(0.0, 0.0, 0.1), (0.0, 0.0, 0.18)])
    each = np.stack([build.mixed_wrong(pair, 1.0, seed).ravel() for seed in range(400)])
    assert np.corrcoef(each[:, 0], each[:, 3])[0, 1] == pytest.approx(np.exp(-1.0), abs=0.15)


def test_a_bridge_that_hangs_and_is_seen_as_drawn_is_nowhere_else() -> None:
    path = sets.SCENES / "quarry.toml"
    scene = scene_of_text(path.read_text(encoding="utf-8"), path)
    amiss = build.drawn_amiss(scene, 1)
    right = replace(amiss, shift=np.zeros(3), turns=np.zeros(3), focal=1.0, hung=np.eye(4))
    assert build.apart_px(scene, scene, right, build.real_camera(scene, right), (960, 640)) < 1e-3
    assert build.apart_px(scene, scene, amiss, build.real_camera(scene, amiss), (960, 640)) > 1.0


def test_a_film_holds_as_far_as_its_frames_do_and_it_is_not_found() -> None:
    path = sets.SCENES / "quarry.toml"
    move = move_of(scene_of_text(path.read_text(encoding="utf-8"), path))
    scores = {f: FrameScore(f, 0.0, 0.0, None, 0.0, trace_pct=0.0) for f in range(1001, 1050)}
    held = build.held_in(scores, move)
    assert (held.first, held.last, held.covers_wanted) == (1001, 1049, True)
    shown = scores | {1036: replace(scores[1036], break_pct=30.0)}
    held = build.held_in(shown, move)
    assert (held.last, held.covers_wanted) == (1035, False)
    assert build.held_in(scores | {1015: replace(scores[1015], break_pct=30.0)}, move).last is None


def test_measured_points_lie_where_the_real_bridge_is_seen() -> None:
    """By OpenCV's camera; a hand is right to 0.3 px, so that 16 points are within 1.5 px of theirs."""
    path = sets.SCENES / "quarry.toml"
    scene = scene_of_text(path.read_text(encoding="utf-8"), path)
    amiss = build.drawn_amiss(scene, 1)
    truth = build.real_camera(scene, amiss)
    rows = [line.split(",") for line in build.measured(scene, amiss, truth).splitlines()[1:]]
    place = np.array([[float(v) * 1e-3 for v in row[1:4]] for row in rows])
    px = np.array([[float(v) for v in row[4:]] for row in rows])
    hung = np.array([row[0].startswith("bridge") for row in rows])
    there = np.where(hung[:, None], place @ amiss.hung[:3, :3].T + amiss.hung[:3, 3], place)
    off = px - truth.px(there)
    assert np.abs(off).max() < 1.5
    assert off.std() == pytest.approx(0.3, rel=0.5)


@pytest.mark.parametrize(("right", "down"), [(0.0, 0.0), (0.3, -0.4)])
def test_a_printed_mark_is_found_where_it_is(right: float, down: float) -> None:
    """A ringed cross drawn by Pillow as the sheet has it, moved by so many mm: found to a tenth of what is wanted."""
    scale, side = guide.SQUARE_PX_PER_MM, 160
    big = Image.new("L", (8 * side, 8 * side), 255)
    draw = ImageDraw.Draw(big)
    x, y = 8 * (0.5 * side + scale * right), 8 * (0.5 * side + scale * down)
    ring, arm, wide = (8 * scale * mm for mm in (1.6, 2.6, 0.2))
    draw.ellipse((x - ring - wide / 2, y - ring - wide / 2, x + ring + wide / 2, y + ring + wide / 2), outline=0,
                 width=round(wide))  # fmt: skip
    draw.rectangle((x - arm, y - wide / 2, x + arm, y + wide / 2), fill=0)
    draw.rectangle((x - wide / 2, y - arm, x + wide / 2, y + arm), fill=0)
    flat = np.asarray(big.resize((side, side), Image.Resampling.BOX), dtype=np.float32) / 255.0
    found = guide.mark_in(flat)
    assert found is not None
    np.testing.assert_allclose(found / scale - 0.5 * side / scale, (right, down), atol=0.02)


def test_no_mark_is_found_where_there_is_none() -> None:
    assert guide.mark_in(np.full((160, 160), 0.8, np.float32)) is None


def test_a_sheet_is_laid_on_its_face() -> None:
    """A page's corners, right and down, on a face that lies level with its first row at the wall."""
    page = np.array([(10.0, 20.0), (72.0, 20.0), (72.0, 870.0), (10.0, 870.0)])
    face = np.array([(-0.031, 0.0, 0.0), (0.031, 0.0, 0.0), (0.031, 0.0, 0.85), (-0.031, 0.0, 0.85)])
    laid, off = guide.laid_on(page, face)
    assert off < 1e-9
    np.testing.assert_allclose(laid(np.array([[41.0, 120.0]])), [[0.0, 0.0, 0.1]], atol=1e-9)


@pytest.fixture
def cutout() -> np.ndarray:
    """A post 40 px wide and 200 high in a picture of 100 x 240 px, its foot at (50, 220); a red top half."""
    out = np.zeros((240, 100, 4), np.uint8)
    out[20:220, 30:70] = (90, 90, 90, 255)
    out[20:120, 30:70, 0] = 200
    return out


def test_a_cut_out_stands_on_its_foot_as_high_as_it_is(cutout) -> None:
    stance = Stance(np.array([0.1, 0.2, 0.3]), 1.8, np.zeros((2, 3)))
    mesh = performer.card_of(cutout, stance, np.array([0.0, 0.0, 1.0]))
    low, high = mesh.corners.min(axis=0), mesh.corners.max(axis=0)
    np.testing.assert_allclose(low, (0.1 - 0.18, 0.2, 0.3), atol=0.012)
    np.testing.assert_allclose(high, (0.1 + 0.18, 2.0, 0.3), atol=0.012)
    # the picture's upper half is the mesh's
    upper = mesh.uv[mesh.corners[:, 1] > 1.6]
    texels = mesh.reflectance[(upper[:, 1] * len(mesh.reflectance)).astype(int), mesh.reflectance.shape[1] // 2]
    assert (texels[:, 0] > 2.0 * texels[:, 1]).all()


def test_a_layer_is_laid_by_scale_turn_and_foot() -> None:
    """A square about (600, 500) whose foot is its middle, half as large and a quarter turn at (900, 300)."""
    cover = np.zeros((1080, 1920), np.float32)
    cover[480:520, 560:640] = 1.0
    laid = performer.laid_by(cover, np.array([600.0, 500.0]), np.array([900.0, 300.0]), 0.5, np.pi / 2.0)
    rows, columns = np.nonzero(laid > 0.5)
    assert (rows.min(), rows.max() + 1, columns.min(), columns.max() + 1) == (280, 320, 890, 910)
    assert laid.sum() == pytest.approx(40 * 20, rel=0.03)


def test_full_size_has_the_miniatures_light() -> None:
    """Lamps as many times as far and as large throw the same lux from the same sides (inverse squares cancel)."""
    lamp = tracer.LampFace((0.4, 1.0, 2.0), (0.1, 0.0, 0.2), (0.5,), 200.0, (1.0, 0.9, 0.8))
    foot = np.array([0.1, 0.0, 0.2])
    big = performer.full_size(tracer.World({}, (lamp,), (), 300.0, 500.0), 20.0, foot).lamps[0]
    np.testing.assert_allclose(big.position, (6.0, 20.0, 36.0))
    np.testing.assert_allclose(big.aim, (0.0, 0.0, 0.0), atol=1e-12)
    assert tracer.radiance(big) == pytest.approx(tracer.radiance(lamp))
    # and its camera sees what is that many times as large where the miniature's does
    camera = camera_for((0.3, 0.4, 1.5), 0.1, -0.2, 0.0, 0.04, 0.036, 1920, 1080)
    place = np.array([0.15, 0.09, 0.25])
    there = performer.magnified(camera, 20.0, foot)
    np.testing.assert_allclose(there.project(20.0 * (place - foot)[None]), camera.project(place[None]), atol=1e-6)
    # by a lens 1.3 times as long, its head leaning by 0.03: scaled and turned about the middle of the picture
    middle = np.array([960.0, 540.0])
    off = complex(*(camera.project(place[None])[0] - middle)) * 1.3
    seen = complex(*(performer.plate_camera(there).project(20.0 * (place - foot)[None])[0] - middle))
    assert abs(seen) == pytest.approx(abs(off))
    assert abs(np.angle(seen / off)) == pytest.approx(0.03)


def test_the_readme_shows_what_is_recorded() -> None:
    readme = " ".join((sets.SCENES.parent / "README.md").read_text(encoding="utf-8").split())
    found = record.table(record.RECORDED)
    assert found.count("\n") >= 2
    assert " ".join(found.split()) in readme
    assert " ".join(record.apart_table(record.RECORDED).split()) in readme
    rows = record.rows_of(record.read(record.RECORDED, "frames"))
    hold = record.shown_apart([row for row in rows if row["why"] in (choice.STANDS, choice.HOLD)])
    agree = sum(apart <= frames.APART_PTS for apart in hold)
    said = f"{agree} of the {len(hold)} frames of the holds asked for, {100.0 * agree / len(hold):.0f} %"
    assert said in readme
    feet = [foot["off_px"] for one in record.read(record.RECORDED, "plate").values() for foot in one["feet"]]
    assert f"{len(feet)} feet on {len(record.read(record.RECORDED, 'plate'))} sets, worst {max(feet):.3f} px" in readme
    plates = record.read(record.RECORDED, "plate").values()
    outline = max(one["apart_px"] for plate in plates for one in plate["silhouette"])
    assert f"lies {outline:.2f} px from the traced one at most" in readme
    taken = [100.0 * np.mean([plate["shadow"][f"all {by}"] for plate in plates]) for by in ("traced", "own")]
    assert f"takes {taken[0]:.1f} % about its feet, the tool's shadow {taken[1]:.1f} %" in readme
    left = [max(plate["colour"][f"{what} after"] for plate in plates) for what in ("patches", "figure")]
    assert f"and by {left[0]:.1f} matched by eight others of it" in readme
    assert f"and {left[1]:.1f} (the worst set's mean" in readme
    cards = record.read(record.RECORDED, "card")
    assert len(cards) == len(sets.NAMES)
    assert f"worst {max(abs(card['stops']) for card in cards.values()):.2f} stops" in readme
    guides = record.read(record.RECORDED, "guide")
    marks = [mark["off_mm"] for one in guides.values() for mark in one["marks"]]
    assert f"of {len(guides)} sets' printed guides" in readme
    assert f"{len(marks)} marks, worst {max(marks):.2f} mm" in readme
    builds = record.read(record.RECORDED, "build")["quarry"]["builds"]
    held, before = (sum(bool(one[key]) for one in builds) for key in ("holds", "holds_before"))
    assert f"{held} of {len(builds)} loops end in a hold" in readme
    assert f"laid by the same hand, {before} of {len(builds)} hold" in readme
    drawn, as_built = (max(one["residual_px"][k] for one in builds) for k in (0, 1))
    assert f"up to {drawn:.1f} px" in readme
    assert f"and {as_built:.1f} px at most" in readme
