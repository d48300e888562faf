"""The set as built: what is really there, photographed by OpenCV's camera, must look the same in the written scene."""

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from previz.command.lineup.lineup import LineupWishes, lineup
from previz.command.lineup.words import lineup_rows
from previz.lineup.markers import board_of
from previz.run.progress import Progress
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from tests.command.test_lineup import SIZE, shoot, truth_of
from tests.command.test_lineup import place as place  # the photographs' folder
from tests.lineup.photographs import Truth

QUIET = Progress(quiet=True)
KNOCK = ((3e-3, -3e-3, 3e-3), tuple(np.radians([0.4, -0.4, 0.4])))


def placed(shift: tuple[float, float, float], turns_deg: tuple[float, float, float], about: np.ndarray) -> np.ndarray:
    """(4, 4): SciPy's turn about X, Y, Z through ``about``, then a shift."""
    out = np.eye(4)
    out[:3, :3] = Rotation.from_euler("XYZ", turns_deg, degrees=True).as_matrix()
    out[:3, 3] = about - out[:3, :3] @ about + shift
    return out


def at(b_from_a: np.ndarray, points: np.ndarray) -> np.ndarray:
    return points @ b_from_a[:3, :3].T + b_from_a[:3, 3]


def bridge_points(scene: Scene, parts: tuple[float, ...] = (0.1, 0.3, 0.5, 0.7, 0.85, 1.0)) -> np.ndarray:
    half, length = 0.5 * scene.bridge.width, scene.bridge.length
    return np.array([(s * half, 0.0, length * p) for p in parts for s in (-1.0, 1.0)])


def wall_points(scene: Scene) -> np.ndarray:
    """Corners of the doorway, and marks on the wall's datum plane."""
    door = scene.wall.doorway
    assert door is not None
    w, h = 0.5 * door.width, door.height
    marks = [(x, y, 0.0) for x in (-0.35, 0.35) for y in (-0.2, 0.1, 0.25)]
    return np.array([(-w, 0.0, 0.0), (-w, h, 0.0), (w, h, 0.0), (w, 0.0, 0.0), *marks])


def built(place: Path, name: str, bridge: np.ndarray, wall: np.ndarray | None) -> tuple[Scene, Truth, dict]:
    """The scene as built from one photograph of the set that is really there."""
    scene_path = place / "quarry.toml"
    scene, truth = read_scene(scene_path), truth_of(scene_path).knocked(*KNOCK)
    rows = []
    pieces = [("bridge", bridge_points(scene), bridge)]
    if wall is not None:
        pieces.append(("wall", wall_points(scene), wall))
    rng = np.random.default_rng(3)
    for piece, drawn, moved in pieces:
        px = truth.px(at(moved, drawn)) + rng.normal(0.0, 0.1, (len(drawn), 2))
        rows += [
            f"{piece} {n},{x * 1e3},{y * 1e3},{z * 1e3},{u},{v}"
            for n, ((x, y, z), (u, v)) in enumerate(zip(drawn, px, strict=True))
        ]
    points = place / f"{name}.csv"
    points.write_text("name,x,y,z,px,py\n" + "\n".join(rows), encoding="utf-8")
    wishes = LineupWishes(judge=False, points=points, write=True)
    made = lineup(scene_path, place / "knocked.jpg", wishes, place / name, 1, None, QUIET)
    assert lineup_rows(made.values, "x")
    return read_scene(made.folder / made.values["as_built_scene"]), truth, made.values


def seen(scene: Scene, points: np.ndarray) -> np.ndarray:
    """Pictures (N, 2) px in the photograph's frame of places of a scene, by OpenCV through the scene's own numbers."""
    body = scene.camera
    focal = body.lens / body.sensor[0] * SIZE[0]
    return Truth(tuple(body.position), (body.pan, body.tilt, body.roll), focal, SIZE, -0.03).px(points)


@pytest.mark.slow
def test_bridge_and_wall_as_built_look_as_they_are(place: Path) -> None:
    drawn = read_scene(place / "quarry.toml")
    middle = np.array([0.0, 0.0, 0.5 * drawn.bridge.length])
    # higher, to the right, farther out, its near end low and swung to the left; the wall shifted too
    bridge = placed((4e-3, 3e-3, 6e-3), (0.5, -0.6, 0.0), middle)
    wall = placed((-3e-3, 2e-3, -4e-3), (0.0, 0.0, 0.0), np.zeros(3))
    scene, truth, values = built(place, "both", bridge, wall)
    # the bridge's ends; the sill is where it meets the real wall, so only along its edges
    ends = bridge_points(drawn, (1.0,))
    wanted = truth.px(at(bridge, ends))
    assert np.abs(seen(scene, bridge_points(scene, (1.0,))) - wanted).max() < 1.0
    # a point of the drawn edge lies on the edge as written: distance to the line between its pictures
    for side in (0, 1):
        first, last = seen(scene, bridge_points(scene, (0.0, 1.0)))[side::2]
        way = (last - first) / np.linalg.norm(last - first)
        off = truth.px(at(bridge, bridge_points(drawn, (0.2, 0.5, 0.8))[side::2])) - first
        assert np.abs(off[:, 0] * way[1] - off[:, 1] * way[0]).max() < 1.2
    assert scene.wall.doorway is not None
    # all of the doorway: its sill is no longer level with the bridge
    corners = wall_points(scene)[:4] + (scene.wall.sideways, scene.wall.doorway.sill, 0.0)
    assert abs(scene.wall.doorway.sill) > 1e-3
    assert np.abs(seen(scene, corners) - truth.px(at(wall, wall_points(drawn)[:4]))).max() < 1.5
    # what is left is said: the wall against the bridge that lies as its axes
    said = " ".join(values["as_built_left_out"])
    assert "about the vertical" in said
    assert "leaning" in said


@pytest.mark.slow
def test_all_that_stands_in_the_set_stands_where_it_stood(place: Path) -> None:
    drawn = read_scene(place / "quarry.toml")
    bridge = placed((-5e-3, -4e-3, 0.0), (-0.4, 0.5, 0.0), np.array([0.0, 0.0, 0.4]))
    scene, truth, _ = built(place, "standing", bridge, None)
    near_now, near_drawn = (np.array([0.0, 0.0, s.bridge.length]) for s in (scene, drawn))
    for one, other in zip(scene.lamps, drawn.lamps, strict=True):
        real = at(bridge, near_drawn)
        for key in ("position", "aim"):
            now = np.linalg.norm(np.array(getattr(one, key)) - near_now)
            assert abs(now - np.linalg.norm(np.array(getattr(other, key)) - real)) < 3e-3
    # the sheets hang where they hung, written down though the scene places none: the same board by the next line-up
    again, before = board_of(scene), board_of(drawn)
    assert not again.by_rule
    for one, other in zip(again.sheets, before.sheets, strict=True):
        assert np.abs(seen(scene, one.middle[None]) - truth.px(other.middle[None])).max() < 1.5
        assert one.numbers == other.numbers
    # the rail runs as it ran: 50 mm along it, in the picture
    gone = move_of(scene).track.position(0.05) - move_of(scene).track.position(0.0)
    in_axes = seen(scene, (near_now + gone)[None])
    assert np.abs(in_axes - truth.px((at(bridge, near_drawn) + (0.05, 0.0, 0.0))[None])).max() < 1.5


@pytest.mark.sweep
def test_a_line_up_by_the_scene_as_built_needs_nothing(place: Path) -> None:
    bridge = placed((-5e-3, -4e-3, 0.0), (0.0, 0.0, 0.0), np.zeros(3))
    built(place, "again", bridge, None)
    wishes = LineupWishes(judge=False)
    path = place / "again" / "quarry-as-built.toml"
    made = lineup(path, place / "knocked.jpg", wishes, place / "again2", 1, None, QUIET)
    assert not any(step["sure"] for step in made.values["steps"])
    assert max(abs(step["change"]) for step in made.values["steps"]) < 0.1


def test_chance_turns_nothing(place: Path) -> None:
    scene, _, values = built(place, "still", np.eye(4), np.eye(4))
    drawn = read_scene(place / "quarry.toml")
    assert values["as_built_left_out"] == []
    assert abs(scene.bridge.length - drawn.bridge.length) < 4e-3
    assert abs(scene.wall.sideways) < 1e-3
    assert abs(scene.wall.top - drawn.wall.top) < 1e-3
    # the axes are the bridge's as this camera shows it, within the camera's own doubt
    assert scene.rail.along == pytest.approx((1.0, 0.0, 0.0), abs=2e-3)


def test_without_points_only_the_camera_is_written(place: Path) -> None:
    scene_path = place / "quarry.toml"
    wishes = LineupWishes(judge=False, write=True)
    made = lineup(scene_path, place / "knocked.jpg", wishes, place / "camera", 1, None, QUIET)
    scene, drawn = read_scene(made.folder / made.values["as_built_scene"]), read_scene(scene_path)
    assert scene.bridge == drawn.bridge
    assert scene.wall == drawn.wall
    assert scene.lamps == drawn.lamps
    assert abs(scene.camera.pan - math.radians(0.4)) < math.radians(0.1)
    text = (made.folder / made.values["as_built_scene"]).read_text(encoding="utf-8")
    # the file's own words stay
    assert "# a large face, and weak" in text


def test_a_frame_beside_the_station_gives_the_same_scene(place: Path) -> None:
    scene_path = place / "quarry.toml"
    scene = read_scene(scene_path)
    move = move_of(scene)
    frame = 1060
    gone = move.camera(frame).position - move.camera(move.station_frame).position
    photo = shoot(place, "later.jpg", truth_of(scene_path).knocked(tuple(gone), (0.0, 0.0, 0.0)), scene_path)
    wishes = LineupWishes(frame=frame, judge=False, write=True)
    made = lineup(scene_path, photo, wishes, place / "later", 1, None, QUIET)
    again = read_scene(made.folder / made.values["as_built_scene"])
    assert np.abs(np.subtract(again.camera.position, scene.camera.position)).max() < 6e-3
