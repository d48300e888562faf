"""Figures of the main job: ``python -m tests.benchmarks.main [--quick] [--json]``."""

from __future__ import annotations

import filecmp
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from scipy.ndimage import binary_dilation
from scipy.spatial.transform import Rotation

from previz import colour
from previz.camera import Camera, camera_for
from previz.draw.drawing import SideSheet
from previz.geometry import cv_from_world
from previz.look.sight import SightEngine
from previz.paint.recipes import recipes_for
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.stage.looking import FrameJob, Looker
from previz.stage.prepare import WITH_BRIDGE, ReadySet, prepare
from previz.workshop.surface import BRIDGE
from tests.benchmarks.figures import Figure, at_least, at_most, options, report
from tests.deliver.made_up import side_frame, side_static
from tests.engine import open_engine
from tests.homography import plane_homography
from tests.test_colour import SHARMA

ROOT = Path(__file__).resolve().parents[2]
SCENES = ROOT / "scenes"
FRAME_PX = (960, 540)


def _previz(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "previz.cli", *arguments]


def times() -> list[Figure]:
    """Seconds from the command to the first frame, to the first again after one number was changed, and to the end."""
    scene = (SCENES / "quarry.toml").read_text(encoding="utf-8")
    frames = len(move_of(read_scene(SCENES / "quarry.toml")).frames)
    with tempfile.TemporaryDirectory() as folder:
        own = Path(folder) / "quarry.toml"
        shutil.copytree(SCENES / "figures", Path(folder) / "figures")
        own.write_text(scene, encoding="utf-8")
        first, whole = _shot(own, Path(folder) / "out", frames)
        own.write_text(_lowered(scene), encoding="utf-8")
        again, _ = _shot(own, Path(folder) / "out", None)
        started = time.perf_counter()
        scoring = _previz("score", str(own), "--out", str(Path(folder) / "score"))
        subprocess.run(scoring, check=True, capture_output=True)
        scored = time.perf_counter() - started
    return [
        at_most("first frame after the command", first, "s", 3.0),
        at_most("first frame after the command, one number changed", again, "s", 2.0),
        at_most(f"{frames} frames, score, films and report", whole, "s", 25.0),
        at_most("score alone", scored, "s", 12.0),
    ]


def _lowered(scene: str) -> str:
    """A scene file with the camera 1 mm lower."""
    line = next(each for each in scene.splitlines() if each.startswith("position"))
    height = line.split('"')[3]
    return scene.replace(line, line.replace(height, f"{float(height.split()[0]) - 1.0:g} mm"))


def _shot(scene: Path, out: Path, frames: int | None) -> tuple[float, float]:
    """Seconds until a shoot's first frame is there and until its end, which leaves so many; with None it is stopped
    after the first."""
    first = out / "lens" / "1001.png"
    before = first.stat().st_mtime_ns if first.exists() else 0
    started = time.perf_counter()
    run = subprocess.Popen(
        _previz("shoot", str(scene), "--out", str(out)), stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL
    )
    first_after = None
    while run.poll() is None:
        if first_after is None and first.exists() and first.stat().st_mtime_ns != before:
            first_after = time.perf_counter() - started
            if frames is None:
                run.send_signal(signal.SIGINT)
        time.sleep(0.02)
    whole = time.perf_counter() - started
    left = len(list((out / "lens").glob("*.png")))
    if first_after is None or (frames is not None and (run.returncode != 0 or left != frames)):
        raise RuntimeError(f"previz shoot ended with {run.returncode} after {left} frames")
    return first_after, whole


def moments() -> list[Figure]:
    """What a film-maker waits for again and again: a frame of the side view, twelve recipes, the end after Ctrl-C."""
    sheet, frame, took = SideSheet(side_static()), side_frame(1020, 0.02, 1.0), []
    for _ in range(5):
        started = time.perf_counter()
        sheet.frame(frame)
        took.append(time.perf_counter() - started)
    colours = np.random.default_rng(3).uniform(0.03, 0.8, (12, 3))
    started = time.perf_counter()
    recipes_for(colours)
    recipes = time.perf_counter() - started
    return [
        at_most("a frame of the side view, best of 5", 1e3 * min(took), "ms", 60.0),
        at_most("twelve recipes for paint", recipes, "s", 1.0),
        at_most("end of a shoot by two workers after Ctrl-C", _stopped_after(), "s", 1.0),
    ]


def _stopped_after() -> float:
    """Seconds from Ctrl-C among the frames of the quarry until the command and its workers have ended."""
    with tempfile.TemporaryDirectory() as folder:
        run = subprocess.Popen(
            _previz("shoot", str(SCENES / "quarry.toml"), "--out", folder, "--workers", "2"),
            stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        while not (Path(folder) / "lens" / "1004.png").exists():
            if run.poll() is not None:
                raise RuntimeError(f"previz shoot ended with {run.returncode} before it could be stopped")
            time.sleep(0.02)
        started = time.perf_counter()
        os.killpg(run.pid, signal.SIGINT)
        run.wait()
        return time.perf_counter() - started


def help_time() -> list[Figure]:
    """Median seconds of ``previz --help``, as its own process."""
    took = []
    for _ in range(7):
        started = time.perf_counter()
        subprocess.run(_previz("--help"), check=True, capture_output=True)
        took.append(time.perf_counter() - started)
    return [at_most("previz --help, median of 7", float(np.median(took)), "s", 0.2)]


def engines_agree(scene: Scene, name: str) -> list[Figure]:
    """Pictures against sight lines on one set: silhouettes, depth, colour away from edges."""
    ready = prepare(scene)
    pictures, lines = open_engine(), SightEngine()
    if pictures.name == lines.name:
        return [Figure(f"engines on {name}", "no OpenGL on this machine", "", "", None)]
    worst_silhouette = worst_depth = worst_colour = 0.0
    for engine in (pictures, lines):
        engine.load(ready.lit)
    move = ready.move
    for frame in (move.frames[0], move.station_frame, move.frames[-1]):
        camera = move.camera(frame, *FRAME_PX)
        a = pictures.draw(camera, WITH_BRIDGE, samples=1, depth=True)
        b = lines.draw(camera, WITH_BRIDGE, samples=1, depth=True)
        worst_silhouette = max(worst_silhouette, float(((a.layer == BRIDGE) != (b.layer == BRIDGE)).mean()))
        assert a.depth is not None
        assert b.depth is not None
        # an edge: anywhere the depth jumps by more than a relief's slope can over a pixel, or the layer changes
        edge = _edges(b.depth, b.layer)
        worst_depth = max(worst_depth, float(np.abs(a.depth - b.depth)[~edge].max()))
        # colour as frames are drawn, two looks a pixel each way: single looks differ by a rounded code in the darks
        shown, cast = (engine.draw(camera, WITH_BRIDGE).colour[~edge].astype(float) for engine in (pictures, lines))
        difference = colour.de00(colour.lab(shown), colour.lab(cast))
        worst_colour = max(worst_colour, float(difference.max()))
    pictures.close()
    return [
        at_most(f"{name}: silhouettes differ", 100.0 * worst_silhouette, "% of pixels", 0.1),
        at_most(f"{name}: depth differs away from edges, worst", 1e3 * worst_depth, "mm", 0.5),
        at_most(f"{name}: colour differs away from edges, worst", worst_colour, "dE00", 1.0),
    ]


def without_opengl(scene: Scene) -> list[Figure]:
    """Processor time of frames drawn and judged by sight lines, in times that of the same frames by software OpenGL."""
    ready, took = prepare(scene), {}
    pictures = open_engine()
    if pictures.name == SightEngine.name:
        return [Figure("frames by sight lines against OpenGL", "no OpenGL on this machine", "", "", None)]
    for engine in (pictures, SightEngine()):
        looker = Looker(engine)
        looker.load(ready)
        first, last = ready.move.frames[0], ready.move.frames[-1]
        looker.look(FrameJob(first, *FRAME_PX))
        started = time.process_time()
        for frame in (first + 10, ready.move.station_frame, last):
            looker.look(FrameJob(frame, *FRAME_PX))
        took[engine.name] = (time.process_time() - started) / 3
    pictures.close()
    what = f"a frame drawn ({pictures.driver.partition('(')[0].strip()}) and judged"
    return [
        Figure(what, took[pictures.name], "s of processor time"),
        Figure("a frame drawn by sight lines and judged", took[SightEngine.name], "s of processor time"),
        at_most("sight lines against OpenGL", took[SightEngine.name] / took[pictures.name], "times", 2.0),
    ]


def _edges(depth: np.ndarray, layer: np.ndarray) -> np.ndarray:
    jump = np.zeros(depth.shape, dtype=bool)
    for axis in (0, 1):
        step = np.abs(np.diff(depth, axis=axis)) > 0.004
        change = np.diff(layer.astype(int), axis=axis) != 0
        pad = [(0, 0), (0, 0)]
        pad[axis] = (0, 1)
        jump |= np.pad(step | change, pad)
    return np.asarray(binary_dilation(jump, iterations=2))


def projection() -> list[Figure]:
    """The camera against OpenCV and published formulas (sources in check_values and in the tests)."""
    rng = np.random.default_rng(11)
    worst = 0.0
    for _ in range(50):
        camera = _random_camera(rng)
        points = camera.position + rng.uniform(0.5, 3.0, (40, 1)) * camera.rays(
            rng.uniform([0, 0], [camera.width_px, camera.height_px], (40, 2))
        )[1]
        cv = cv_from_world(camera.world_from_cam)
        k = np.array(
            [[camera.focal_px, 0, camera.centre_x_px], [0, camera.focal_px, camera.centre_y_px], [0, 0, 1.0]]
        )
        rotation = Rotation.from_matrix(cv[:3, :3]).as_rotvec()
        wanted = cv2.projectPoints(points, rotation, cv[:3, 3], k, None)[0][:, 0]
        worst = max(worst, float(np.abs(wanted - camera.project(points)).max()))
    rail = camera_for([0, 0, 0], 0, 0, 0, 0.035, 0.02489, 4096, 2160)
    moved = rail.moved(shift=(0.001, 0, 0))
    near, far = np.array([0.1, 0.0, -1.0]), np.array([0.15, 0.0, -1.5])
    parallax = float((rail.project(near) - moved.project(near) - rail.project(far) + moved.project(far))[0])
    k = np.array([[1000.0, 0, 500], [0, 1000, 500], [0, 0, 1]])
    h = plane_homography(k, k, np.eye(3), np.array([-0.1, 0, 0]), np.array([0, 0, 1.0]), -2.0)
    h_error = float(np.abs(h / h[2, 2] - [[1, 0, -50], [0, 1, 0], [0, 0, 1]]).max())
    angles = []
    for gate, wanted in ((0.02489, (52.93, 39.15, 27.95)), (0.036, (71.51, 54.43, 39.60))):
        for focal, angle in zip((0.025, 0.035, 0.050), wanted, strict=True):
            lens = camera_for([0, 0, 0], 0, 0, 0, focal, gate, 1000, 500)
            sides = lens.rays([(0.0, 250.0), (1000.0, 250.0)])[1]
            angles.append(abs(np.degrees(np.arccos(sides[0] @ sides[1])) - angle))
    return [
        at_most("projection against OpenCV, worst", worst, "px", 0.01),
        at_most("rail parallax against f b (1/z1 - 1/z2) = 1.920 px", abs(parallax - 1.920), "px", 0.001),
        at_most("plane homography against Hartley and Zisserman 13.2", h_error, "px", 1e-6),
        at_most("angle of view against the handbook table, worst", float(max(angles)), "deg", 0.006),
    ]


def _random_camera(rng: np.random.Generator) -> Camera:
    return camera_for(
        rng.uniform(-1, 1, 3),
        *rng.uniform(-0.6, 0.6, 3),
        focal=rng.uniform(0.02, 0.085),
        sensor_width=0.0359,
        width_px=1920,
        height_px=1080,
        shift_right=rng.uniform(-0.004, 0.004),
        shift_up=rng.uniform(-0.004, 0.004),
    )


def colour_difference() -> list[Figure]:
    """CIEDE2000 against the pairs of Sharma, Wu and Dalal 2005, from the tests' own table."""
    errors = np.abs(colour.de00(SHARMA[:, :3], SHARMA[:, 3:6]) - SHARMA[:, 6])
    return [at_most(f"CIEDE2000, worst of {len(errors)} pairs of Sharma et al.", float(errors.max()), "dE00", 1e-4)]


def _flat(scene: Scene, paint: str) -> Scene:
    """The scene under flat light, with another paint."""
    data = scene.model_dump()
    data["lamps"], data["light"]["ambient"], data["bridge"]["paint"] = (), 0.0, paint
    data["folder"] = scene.folder
    return Scene.model_validate(data)


def _looker(ready: ReadySet) -> Looker:
    looker = Looker(open_engine())
    looker.load(ready)
    return looker


def scores(names: tuple[str, ...]) -> list[Figure]:
    """What must be true of break, on the demonstration sets under flat light."""
    figures = []
    for name in names:
        scene = read_scene(SCENES / f"{name}.toml")
        ready = prepare(_flat(scene, "projected"))
        looker = _looker(ready)
        station = looker.look(FrameJob(ready.move.station_frame, *FRAME_PX, pictures=False)).judged.score
        figures.append(at_most(f"{name}: projected paint at the station point", station.break_pct or 0.0, "%", 2.0))
        bare = prepare(_flat(scene.edited(bridge__colour="#e8c020"), "bare"))
        looker.load(bare)
        found = looker.look(FrameJob(bare.move.station_frame, *FRAME_PX, pictures=False)).judged.score
        figures.append(at_least(f"{name}: bare contrasting bridge", found.break_pct or 0.0, "%", 90.0))
        looker.engine.close()
    return figures


def slip_and_break(name: str, seeds: int) -> list[Figure]:
    """Break as slip grows on a plain translation along X, mean over seeded walls; and the worst single wall."""
    curves = []
    slips: list[float] = []
    base = read_scene(SCENES / f"{name}.toml")
    for seed in range(seeds):
        data = _flat(base, "projected").model_dump()
        data["folder"] = base.folder
        data["wall"]["seed"] = 100 + seed
        data["rail"] |= {"along": (1.0, 0.0, 0.0), "radius": None, "travel": 0.02, "frames": 11, "ease": 0.0}
        data["rail"] |= {"stand": 0, "hold": (1001, 1002), "reveal": 1011, "station": 1001, "aim": "parallel"}
        ready = prepare(Scene.model_validate(data))
        looker = _looker(ready)
        row = [looker.look(FrameJob(f, *FRAME_PX, pictures=False)).judged.score for f in ready.move.frames]
        looker.engine.close()
        curves.append([s.break_pct or 0.0 for s in row])
        slips = [s.slip_px for s in row]
    mean = np.mean(curves, axis=0)
    single = max(float(np.max(np.maximum.accumulate(c) - c)) for c in curves)
    fall = float(np.max(np.maximum.accumulate(mean) - mean))
    what = f"{name}: largest fall of break as slip grows to {slips[-1]:.0f} px, mean of {seeds} walls"
    return [
        at_most(what, fall, "%", 3.0),
        Figure(f"{name}: the same on the worst single wall", single, "%"),
    ]


def same_bytes() -> list[Figure]:
    """Two runs, one worker and two: every frame, table and film byte for byte."""
    scene = read_scene(SCENES / "quarry.toml")
    with tempfile.TemporaryDirectory() as folder:
        text = (SCENES / "quarry.toml").read_text(encoding="utf-8")
        short = Path(folder) / "short.toml"
        lines = [
            "frames = 4" if line.startswith("frames ") else
            "stand = 0" if line.startswith("stand ") else
            "hold = [1001, 1002]" if line.startswith("hold ") else
            "reveal = 1004" if line.startswith("reveal ") else
            "station = 1001" if line.startswith("station ") else
            line
            for line in text.splitlines()
        ]
        short.write_text("\n".join(lines) + "\n", encoding="utf-8")
        if scene.plate is not None and scene.plate.figure is not None:
            target = Path(folder) / scene.plate.figure
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(scene.path(scene.plate.figure).read_bytes())
        outs = []
        for workers in ("1", "2"):
            out = Path(folder) / f"out{workers}"
            subprocess.run(
                _previz("shoot", str(short), "--out", str(out), "--workers", workers, "--width", "480"),
                check=True,
                capture_output=True,
                env=os.environ,
            )
            outs.append(out)
        names = sorted(p.relative_to(outs[0]).as_posix() for p in outs[0].rglob("*") if p.is_file())
        others = sorted(p.relative_to(outs[1]).as_posix() for p in outs[1].rglob("*") if p.is_file())
        _, different, odd = filecmp.cmpfiles(outs[0], outs[1], names, shallow=False)
        missing = len(set(names) ^ set(others))
        json.loads((outs[0] / "summary.json").read_text(encoding="utf-8"))
    count = len(different) + len(odd) + missing
    return [at_most(f"files that differ between one worker and two, of {len(names)}", count, "", 0)]


def main() -> None:
    """Measure and print."""
    asked = options("Figures of the main job.")
    figures = help_time() + projection() + colour_difference()
    left_out = []
    if asked.quick:
        figures += engines_agree(read_scene(SCENES / "quarry.toml"), "quarry")
        left_out = ["side view, recipes, Ctrl-C", "times of previz shoot", "engines on the other sets", "scores"]
        left_out += ["sight lines against OpenGL"]
        left_out += ["slip and break", "same bytes"]
    else:
        figures += moments() + times() + without_opengl(read_scene(SCENES / "quarry.toml"))
        for name in ("quarry", "seastack", "crevasse"):
            figures += engines_agree(read_scene(SCENES / f"{name}.toml"), name)
        figures += scores(("quarry", "seastack", "crevasse"))
        figures += slip_and_break("quarry", 12)
        figures += same_bytes()
    report("main", figures, asked.json, left_out)


if __name__ == "__main__":
    main()
