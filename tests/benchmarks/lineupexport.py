"""Figures of ``previz export``: every file of the quarry read back by somebody else's reader.

glTF by the Khronos validator and a reader made from its specification, USD by OpenUSD's validators and frustum, EXR by
FFmpeg and a reader made from the published layout, OpenTrackIO against its published fields, SVG by svgelements and
DXF by ezdxf. What is not installed is said, and its figures are left out.
"""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np

from previz.camera import Camera
from previz.scene.model import Scene
from previz.scene.move import Move, move_of
from previz.scene.reader import read_scene
from previz.workshop.pattern.unfold import Pattern, unfold
from previz.workshop.set import build_bridge, build_wall
from tests.benchmarks.figures import Figure, at_most
from tests.command.scenes import laid
from tests.deliver.open_files import POINTS, Glb, exr_channels, gltf_issues
from tests.deliver.test_cameratrack import PUBLISHED
from tests.deliver.test_exr import decoded
from tests.draw.test_svg import cut_lengths, dxf_lines, lengths, svg_lines

ROOT = Path(__file__).resolve().parents[2]
WIDTH_PX = 320


def _exported(scene: Path, out: Path) -> dict[str, Any]:
    """Run the command in a process of its own; gives what it says."""
    command = [sys.executable, "-m", "previz.cli", "export", str(scene), "--all", "--width", str(WIDTH_PX),
               "--out", str(out), "--json"]  # fmt: skip
    done = subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True, encoding="utf-8")
    said: dict[str, Any] = json.loads(done.stdout)
    return said


def _there(name: str) -> bool:
    return importlib.util.find_spec(name) is not None


def _absent(what: str, name: str) -> Figure:
    return Figure(what, f"{name} is not installed", "")


def _worst_px(move: Move, project: Any) -> float:
    """The largest distance (px) between where ``project(key, camera)`` and our camera see the test points."""
    worst = 0.0
    for key, frame in enumerate(move.frames):
        camera = move.camera(frame)
        worst = max(worst, float(np.abs(project(key, camera) - camera.project(POINTS)).max()))
    return worst


def gltf_figures(out: Path, move: Move) -> list[Figure]:
    """The validator's word on ``set.glb``, and its camera against ours."""
    file = Glb.of((out / "set.glb").read_bytes())

    def project(key: int, camera: Camera) -> np.ndarray:
        return file.pixels(key, POINTS, (camera.width_px, camera.height_px))

    figures = [at_most("glTF: camera against ours, worst of all frames", _worst_px(move, project), "px", 0.01)]
    issues = gltf_issues(out / "set.glb")
    if issues is None:
        return [*figures, _absent("glTF: errors and warnings", "gltf-validator")]
    return [
        *figures,
        at_most("glTF: errors of the Khronos validator", issues["numErrors"], "", 0),
        at_most("glTF: warnings of the Khronos validator", issues["numWarnings"], "", 0),
    ]


def usd_figures(out: Path, move: Move) -> list[Figure]:
    """OpenUSD's validators on ``set.usda``, and its camera against ours."""
    if not _there("pxr"):
        return [_absent("USD: faults", "usd-core")]
    from pxr import Gf, Usd, UsdGeom, UsdValidation

    stage = Usd.Stage.Open(str(out / "set.usda"))
    checks = UsdValidation.ValidationRegistry().GetOrLoadAllValidators()
    faults = UsdValidation.ValidationContext(checks).Validate(stage)
    lens = UsdGeom.Camera(stage.GetPrimAtPath("/Set/camera"))
    per_m = 1.0 / UsdGeom.GetStageMetersPerUnit(stage)

    def project(key: int, camera: Camera) -> np.ndarray:
        frustum = lens.GetCamera(move.frames[key]).frustum
        clip = frustum.ComputeViewMatrix() * frustum.ComputeProjectionMatrix()
        seen = np.array([clip.Transform(Gf.Vec3d(*(point * per_m).tolist())) for point in POINTS])
        return np.asarray(0.5 * (1.0 + seen[:, :2] * (1.0, -1.0)) * (camera.width_px, camera.height_px))

    return [
        at_most(f"USD: faults found by {len(checks)} validators", len(faults), "", 0),
        at_most("USD: camera against ours, worst of all frames", _worst_px(move, project), "px", 0.01),
    ]


def exr_figures(out: Path) -> list[Figure]:
    """EXR read by two readers, and depth and ids against the set's own geometry."""
    if not (out / "exr").is_dir():
        return [_absent("EXR: read back", "OpenEXR")]
    path = sorted((out / "exr").glob("*.exr"))[0]
    ours = exr_channels(path.read_bytes())
    green, blue, red = decoded(path)
    alpha = decoded(path, "bridge")[3]
    pairs = ((red, "R"), (green, "G"), (blue, "B"), (alpha, "bridge.A"))
    apart = max(float(np.abs(got.astype(float) - ours[name].astype(float)).max()) for got, name in pairs)
    unknown = int((~np.isin(ours["id"], (0, 1, 2))).sum())
    # cover is by four samples a pixel, id by the one in the middle: they agree inside and outside
    cover = ours["bridge.A"].astype(float)
    lost = int(((cover >= 1.0) & (ours["id"] != 2)).sum() + ((cover <= 0.0) & (ours["id"] == 2)).sum())
    return [
        at_most("EXR: FFmpeg against the published layout", apart, "", 0.0),
        at_most("EXR: pixels of unknown id", unknown, "px", 0),
        # a sliver thinner than a sample may lie at the pixel's middle alone
        at_most("EXR: pixels whose id and cover disagree", 100.0 * lost / cover.size, "%", 0.1),
    ]


def track_figures(out: Path, frames: int) -> list[Figure]:
    """Every OpenTrackIO sample against the published fields."""
    judge = jsonschema.Draft202012Validator(PUBLISHED)
    paths = sorted((out / "camera").glob("*.json"))
    faults = sum(len(list(judge.iter_errors(json.loads(path.read_text(encoding="utf-8"))))) for path in paths)
    return [
        at_most(f"OpenTrackIO: faults in {len(paths)} samples", faults, "", 0),
        at_most("OpenTrackIO: frames without a sample", frames - len(paths), "", 0),
    ]


def drawing_figures(out: Path, scene: Scene, pattern: Pattern) -> list[Figure]:
    """Lengths of cut lines and of the plan by other readers against the scene's and the pattern's own."""
    figures = []
    readers = (
        ("SVG", "svgelements", lambda name: svg_lines((out / f"{name}.svg").read_text(encoding="utf-8"))),
        ("DXF", "ezdxf", lambda name: dxf_lines((out / f"{name}.dxf").read_text(encoding="ascii"), out)),
    )
    for kind, library, read in readers:
        if not _there(library):
            figures.append(_absent(f"{kind}: lengths", library))
            continue
        off = float(np.abs(lengths(read("cut")["cut"]) - cut_lengths(pattern)).max())
        figures.append(at_most(f"{kind}: cut lines off by at most", off, "mm", 0.01))
        plan = read("plan")
        size = np.ptp(plan["bridge"][0], axis=0)
        wanted = 1e3 * np.array([scene.bridge.length, scene.bridge.width])
        wall = abs(float(np.ptp(plan["wall"][0], axis=0)[1]) - 1e3 * scene.wall.width)
        figures.append(
            at_most(f"{kind}: plan off by at most", max(float(np.abs(size - wanted).max()), wall), "mm", 0.01)
        )
    return figures


def figures(quick: bool) -> list[Figure]:
    """Every figure; ``quick`` takes a small set of four frames instead of the quarry's hundred."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        path = laid(folder / "set") if quick else ROOT / "scenes" / "quarry.toml"
        out = folder / "out"
        _exported(path, out)
        scene = read_scene(path)
        move = move_of(scene)
        wall, _ = build_wall(scene)
        pattern = unfold(build_bridge(scene, wall, 0.002), scene.paint.sheet, scene.paint.material)
        return [
            *gltf_figures(out, move),
            *usd_figures(out, move),
            *exr_figures(out),
            *track_figures(out, len(move.frames)),
            *drawing_figures(out, scene, pattern),
        ]
