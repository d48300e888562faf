"""The export command: what it leaves, what it says of what it cannot, and that all files tell of one camera."""

import csv
import json
import math
import sys
from pathlib import Path

import numpy as np
import pytest

from previz.command.export.exrframes import ExrFile, ExrJob
from previz.errors import OutputError
from previz.geometry import rigid, turned
from previz.scene.reader import read_scene
from previz.stage.looking import Looker
from previz.stage.prepare import prepare
from tests.command.scenes import laid
from tests.command.test_rig import lit
from tests.conftest import Command, files
from tests.deliver.open_files import POINTS, Glb, exr_channels

SMALL_PX = ("--width", 160)


def rows_of(text: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(text.decode("utf-8").splitlines()))


def test_without_a_wish_it_leaves_all_that_needs_no_extra(previz: Command, tmp_path: Path) -> None:
    done = previz("export", laid(tmp_path / "set"), "--out", tmp_path / "out", "--json")
    assert done.code == 0, done.err
    values = json.loads(done.out)
    left = files(tmp_path / "out")
    cameras = {f"camera/{frame}.json" for frame in range(1001, 1005)}
    drawings = {f"{name}.{kind}" for name in ("plan", "elevation", "cut") for kind in ("svg", "dxf")}
    assert set(left) == {"set.glb", "camera.csv", "export.json", *cameras, *drawings}
    assert json.loads(left["export.json"]) == values
    assert values["left_out"] == []
    named = {name.rstrip("/") for name in values["files"]}
    assert named == {name.split("/")[0] for name in left}


def test_all_files_tell_of_one_camera(previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path / "set", ('tilt = "-8 deg"', 'tilt = "-8 deg"\npan = "3 deg"\nroll = "1 deg"'))
    assert previz("export", scene, "--gltf", "--out", tmp_path / "out").code == 0
    left = files(tmp_path / "out")
    move = prepare(read_scene(scene)).move
    glb, rows = Glb.of(left["set.glb"]), rows_of(left["camera.csv"])
    for key, (frame, row) in enumerate(zip(move.frames, rows, strict=True)):
        camera = move.camera(frame)
        wanted = camera.project(POINTS)
        assert np.abs(glb.pixels(key, POINTS, (320, 180)) - wanted).max() < 0.01
        # the same camera from the words of the table
        angles = [math.radians(float(row[f"{name}_deg"])) for name in ("pan", "tilt", "roll")]
        place = np.array([float(row[f"{axis}_mm"]) for axis in "xyz"]) / 1e3
        assert np.abs(rigid(turned(*angles), place) - camera.world_from_cam).max() < 1e-8
        assert float(row["focal_mm"]) / float(row["sensor_width_mm"]) * 320 == pytest.approx(camera.focal_px)
        assert [float(row[f"full_{axis}_m"]) for axis in "xyz"] == pytest.approx((20.0 * place).tolist(), abs=1e-6)
        # and from OpenTrackIO: x right, y ahead, z up
        told = json.loads(left[f"camera/{frame}.json"])["transforms"][0]["translation"]
        assert [told["x"], told["z"], -told["y"]] == pytest.approx(place.tolist(), abs=1e-8)
    assert [row["frame"] for row in rows] == ["1001", "1002", "1003", "1004"]
    assert [float(row["rail_mm"]) for row in rows][-1] == pytest.approx(60.0)
    assert [float(row["time_s"]) for row in rows] == pytest.approx([0.0, 0.04, 0.08, 0.12])
    # how to read the table stands in its head: miniature in mm, full size in m
    assert all(name.endswith(("_mm", "_m", "_deg", "_s")) or name in ("frame", "stop", "scale") for name in rows[0])


@pytest.mark.sweep
def test_lamps_and_plain_pictures(previz: Command, tmp_path: Path) -> None:
    scene = lit(tmp_path / "set")
    for wish in ((), ("--plain",)):
        out = tmp_path / f"out{len(wish)}"
        done = previz("export", scene, "--gltf", *wish, "--out", out, "--json")
        assert done.code == 0, done.err
        root = Glb.of((out / "set.glb").read_bytes()).root
        assert ("KHR_materials_unlit" in root["extensionsUsed"]) == (not wish)
        (light,) = root["extensions"]["KHR_lights_punctual"]["lights"]
        assert light["name"] == "key"
        # 900 lx at 0.8, 0.6, 1.5 m: candela = lux times distance squared
        assert light["intensity"] * (np.array(light["color"]) @ [0.2126, 0.7152, 0.0722]) == pytest.approx(
            900.0 * (0.64 + 0.36 + 2.25), rel=2e-3
        )
        said = " ".join(json.loads(done.out)["notes"])
        assert ("paint without light" in said) == bool(wish)


def test_a_shifted_lens_is_owned_up_to(previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path / "set", ('tilt = "-8 deg"', 'tilt = "-8 deg"\nshift = ["0 mm", "5 mm"]'))
    done = previz("export", scene, "--gltf", "--out", tmp_path / "out", "--json")
    assert done.code == 0, done.err
    (note,) = (note for note in json.loads(done.out)["notes"] if "no lens shift" in note)
    # it names files that are there, and no others
    assert "camera.csv" in note
    assert "set.usda" not in note
    file = Glb.of((tmp_path / "out" / "set.glb").read_bytes())
    assert file.root["cameras"][0]["extras"]["lens_shift_mm"] == pytest.approx([0.0, 5.0])
    assert f'"{file.root["cameras"][1]["name"]}"' in note
    left = files(tmp_path / "out")
    row = rows_of(left["camera.csv"])[0]
    assert (float(row["shift_right_mm"]), float(row["shift_up_mm"])) == pytest.approx((0.0, 5.0))
    # image y runs down
    offset = json.loads(left["camera/1001.json"])["lens"]["projectionOffset"]
    assert offset == pytest.approx({"x": 0.0, "y": 5.0})
    assert "lens shift" not in previz("export", laid(tmp_path / "set"), "--gltf", "--out", tmp_path / "out").err


def test_usd_holds_the_lens_shift(previz: Command, tmp_path: Path) -> None:
    usd = pytest.importorskip("pxr.Usd")
    usd_geom = pytest.importorskip("pxr.UsdGeom")
    scene = laid(tmp_path / "set", ('tilt = "-8 deg"', 'tilt = "-8 deg"\nshift = ["-2 mm", "5 mm"]'))
    done = previz("export", scene, "--usd", "--gltf", "--out", tmp_path / "out", "--json")
    assert done.code == 0, done.err
    assert any("looks without it; set.usda, camera/" in note for note in json.loads(done.out)["notes"])
    stage = usd.Stage.Open(str(tmp_path / "out" / "set.usda"))
    camera = usd_geom.Camera(stage.GetPrimAtPath("/Set/camera")).GetCamera(1001)
    # from the library's own frustum to pixels
    world = camera.frustum.ComputeViewMatrix() * camera.frustum.ComputeProjectionMatrix()
    seen = np.array([world.Transform(tuple(100.0 * point)) for point in POINTS])[:, :2]
    ours = prepare(read_scene(scene)).move.camera(1001)
    assert np.abs((0.5 + 0.5 * seen * (1, -1)) * (320, 180) - ours.project(POINTS)).max() < 0.01


@pytest.mark.slow
def test_frames_show_what_is_where(previz: Command, tmp_path: Path) -> None:
    pytest.importorskip("OpenEXR")
    scene = laid(tmp_path / "set", ('paint = "projected"', 'paint = "bare"'))
    done = previz("export", scene, "--exr", *SMALL_PX, "--engine", "sightlines", "--out", tmp_path / "out", "--json")
    assert done.code == 0, done.err
    left = files(tmp_path / "out")
    assert sum(name.endswith(".exr") for name in left) == 4
    found = exr_channels(left["exr/1001.exr"])
    camera = read_scene(scene)
    from previz.scene.move import move_of

    station = move_of(camera).camera(1001, 160, 90)
    # the middle of the bridge's top: its pixel is the bridge, as deep as it lies along the axis
    point = np.array([0.0, 0.0, 0.4])
    column, row = np.floor(station.project(point)).astype(int)
    assert found["id"][row, column] == 2
    assert float(found["bridge.A"][row, column]) == 1.0
    # a pixel's height of the top, seen so low, is some 15 mm of its length
    assert float(found["Z"][row, column]) == pytest.approx(float(station.depth(point)), abs=0.02)
    colour = [float(found[name][row, column]) for name in "RGB"]
    assert colour == pytest.approx([float(found[f"bridge.{name}"][row, column]) for name in "RGB"], abs=1e-3)
    # the corner is wall, and no bridge
    assert found["id"][2, 2] == 1
    assert float(found["bridge.A"][2, 2]) == float(found["bridge.R"][2, 2]) == 0.0
    assert set(np.unique(found["id"])) <= {0, 1, 2}


@pytest.mark.slow
def test_workers_write_the_same_frames_and_a_stopped_run_goes_on(
    previz: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("OpenEXR")
    scene = laid(tmp_path / "set")
    wish = ("export", scene, "--exr", *SMALL_PX, "--engine", "sightlines", "--out")
    assert previz(*wish, tmp_path / "two", "--workers", "2").code == 0
    wanted = files(tmp_path / "two")
    drawn: list[int] = []
    whole = ExrJob.done_by

    def stopped(job: ExrJob, looker: Looker) -> tuple[int, ExrFile]:
        if len(drawn) == 2:
            raise OutputError("cannot write exr/: no room")
        drawn.append(job.frame)
        return whole(job, looker)

    monkeypatch.setattr(ExrJob, "done_by", stopped)
    assert previz(*wish, tmp_path / "one", "--workers", "1").code == 2
    left = files(tmp_path / "one")
    assert [name for name in sorted(left) if name.startswith("exr/")] == ["exr/1001.exr", "exr/1002.exr"]
    assert "export.json" not in left
    monkeypatch.setattr(ExrJob, "done_by", lambda job, looker: (drawn.append(job.frame), whole(job, looker))[1])
    done = previz(*wish, tmp_path / "one", "--workers", "1")
    assert done.code == 0, done.err
    assert "2 of 4 frames are there already" in done.err
    assert drawn == [1001, 1002, 1003, 1004]
    assert files(tmp_path / "one") == wanted


def test_what_is_not_installed_is_left_out_or_refused(
    previz: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("pxr", "pxr.Usd", "OpenEXR"):
        monkeypatch.setitem(sys.modules, name, None)
    scene = laid(tmp_path / "set")
    done = previz("export", scene, "--all", "--out", tmp_path / "out", "--json")
    assert done.code == 0, done.err
    values = json.loads(done.out)
    assert [text.split()[2] for text in values["left_out"]] == ["set.usda", "exr/"]
    assert all("pip install" in text for text in values["left_out"])
    assert "set.glb" in values["files"]
    assert not (tmp_path / "out" / "set.usda").exists()
    for wish, extra in (("--usd", "usd"), ("--exr", "exr")):
        done = previz("export", scene, wish, "--out", tmp_path / "none")
        assert done.code == 2
        assert done.err.count("\n") == 1
        assert f'pip install "stationpoint[{extra}]"' in done.err
        assert not (tmp_path / "none").exists()


@pytest.mark.sweep
def test_same_scene_same_bytes(previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path / "set")
    for name in ("a", "b"):
        assert previz("export", scene, "--all", *SMALL_PX, "--out", tmp_path / name).code == 0
    first, second = files(tmp_path / "a"), files(tmp_path / "b")
    assert set(first) == set(second)
    assert [name for name in first if first[name] != second[name]] == []


def test_a_wrong_scene_leaves_nothing(previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path / "set", ("seed = 7", "sead = 7"))
    done = previz("export", scene, "--out", tmp_path / "out")
    assert done.code == 2
    assert "did you mean" in done.err
    assert not (tmp_path / "out").exists()


def test_frames_of_an_earlier_longer_move_are_named(previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path / "set")
    assert previz("export", scene, "--gltf", "--out", tmp_path / "out").code == 0
    shorter = laid(tmp_path / "set", ("frames = 4", "frames = 3"), ("reveal = 1004", "reveal = 1003"))
    done = previz("export", shorter, "--gltf", "--out", tmp_path / "out")
    assert done.code == 0, done.err
    assert "by an earlier run" in done.err
    assert "camera/1004.json" in done.err.replace("\n", "")
