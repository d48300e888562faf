"""``previz paint``: what it leaves, what it says, and what the edge cases come to."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pdfplumber
import pytest
import trimesh
from PIL import Image

from previz.command.paint.solvedpaint import kept
from previz.command.paint.solving import frames_between, solved_frames
from previz.run.output import OutputFolder
from previz.scene.reader import read_scene, scene_sha256
from previz.stage.prepare import WALL, prepare, sight_of
from previz.workshop.texels import texel_points
from tests.command.scenes import laid
from tests.conftest import Command

# a solve, or a page with a server behind it, for nearly every test
pytestmark = pytest.mark.slow

QUICK = ("--steps", 2, "--workers", 1)
MM = 1e-3


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small scene, painted with a comparison, by a command of its own."""
    from tests.conftest import ended, started

    folder = tmp_path_factory.mktemp("paint")
    scene = laid(folder)
    done = ended(started("paint", scene, "--compare", "--out", folder / "out", *QUICK))
    assert done.code == 0, done.err
    return folder


def test_everything_is_left(made: Path) -> None:
    out = made / "out"
    for name in ("paint.png", "guide.pdf", "pattern.pdf", "strings.csv", "paint.json", "compare.png", "compare.csv"):
        assert (out / name).stat().st_size > 100, name
    values = json.loads((out / "paint.json").read_text(encoding="utf-8"))
    assert set(values["files"]) == {
        "paint.png", "guide.pdf", "pattern.pdf", "strings.csv", "paint.json", "compare.png", "compare.csv",
    }  # fmt: skip
    assert values["frames_solved"] == [1001, 1002]
    assert {row["paint"] for row in values["compared"]} >= {
        "bare", "wash", "mean", "one view a face", "labelling", "projected", "solved",
    }  # fmt: skip
    assert values["break_worst_pct"] == next(r for r in values["compared"] if r["paint"] == "solved")["break_worst_pct"]
    with pdfplumber.open(out / "guide.pdf") as pdf:
        words = " ".join(page.extract_text() for page in pdf.pages)
    assert "Small quarry" in words
    assert "100 mm" in words


def test_paint_can_be_laid_on_again_as_a_picture(made: Path, previz: Command, tmp_path: Path) -> None:
    # paint.png is the bridge's map: a scene that names it as its image is judged with the very paint
    (tmp_path / "paint.png").write_bytes((made / "out" / "paint.png").read_bytes())
    again = laid(tmp_path, ('paint = "projected"', 'image = "paint.png"'))
    values = json.loads((made / "out" / "paint.json").read_text(encoding="utf-8"))
    summary = json.loads(previz("score", again, "--out", tmp_path / "o", "--width", 320, "--workers", 1, "--json").out)
    assert summary["break_worst_pct"] == pytest.approx(values["break_worst_pct"], abs=3.0)


@pytest.mark.sweep
def test_shooting_takes_the_paint_that_was_solved(made: Path, previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path)
    options = ("--steps", 2, "--workers", 1, "--out", tmp_path / "o")
    assert previz("paint", scene, *options).code == 0
    # what the paint follows from is the same: other words, another reveal, and the paint now asked for by name
    same = laid(
        tmp_path, ('paint = "projected"', 'paint = "solved"'), ("Small quarry", "Quarry again"),
        ("reveal = 1004", "reveal = 1003"), ('width = "50 mm"', 'width = "5 cm"'), name="same.toml",
    )  # fmt: skip
    done = previz("score", same, "--out", tmp_path / "o", "--workers", 1)
    assert done.code == 0
    assert "solved by an earlier run" in " ".join(done.err.split())


@pytest.mark.parametrize(
    "change",
    [("seed = 7", "seed = 8"), ("hold = [1001, 1002]", "hold = [1001, 1003]"), ('"-8 deg"', '"-7.9 deg"'),
     ('travel = "60 mm"', 'travel = "61 mm"'), ('width = "50 mm"', 'width = "51 mm"')],
)  # fmt: skip
def test_paint_of_other_content_is_not_taken(made: Path, tmp_path: Path, change: tuple[str, str]) -> None:
    # wall, hold, camera, move and bridge: each changes what would be solved
    folder = OutputFolder(made / "out")
    assert kept(folder, prepare(read_scene(laid(tmp_path, name="same.toml")))) is not None
    assert kept(folder, prepare(read_scene(laid(tmp_path, change)))) is None


def test_strings_meet_the_wall_where_another_ray_caster_says(made: Path) -> None:
    # trimesh's triangles, each met by the ray's own plane equation: an independent way to the same points
    ready = prepare(read_scene(made / "small.toml"))
    mesh = trimesh.Trimesh(ready.built.wall.vertices, ready.built.wall.faces, process=False)
    with (made / "out" / "strings.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["wall_x_mm"]]
    assert len(rows) > 10
    triangles = mesh.triangles
    for row in rows[::6]:
        lens, edge, wall = (
            np.array([float(row[f"{what}_{axis}_mm"]) for axis in "xyz"]) * MM for what in ("lens", "edge", "wall")
        )
        way = edge - lens
        # behind the edge, not before it
        nearest = _met(triangles, edge, way)
        assert nearest is not None
        assert np.linalg.norm(nearest - wall) < 0.2 * MM


def test_a_texel_seen_again_lies_on_the_wall_that_it_hides(made: Path) -> None:
    """A texel's place on the print, put on the bridge by its triangles' own shares and followed from the station point
    through the wall's triangles, all by numpy and trimesh: where the paint took its colour from by Embree."""
    ready = prepare(read_scene(made / "small.toml"))
    bridge, wall = ready.built.bridge, ready.built.wall
    surface, (width, height) = bridge.surface, bridge.size_px
    texels = texel_points(surface, width, height)
    corners = np.column_stack([surface.uv * (width, height), np.zeros(len(surface.uv))])[surface.faces]
    rng = np.random.default_rng(4)
    tried = 0
    for chart in bridge.charts[:3]:
        for _ in range(12):
            # millimetres on the print, in whole texels from the face's corner
            column, row = rng.integers(1, chart.width_px - 1), rng.integers(1, chart.height_px - 1)
            at = np.array([chart.left_px + column + 0.5, chart.top_px + row + 0.5, 0.0])
            shares = trimesh.triangles.points_to_barycentric(corners, np.broadcast_to(at, (len(corners), 3)))
            owners = np.flatnonzero((shares >= -1e-6).all(axis=1))
            if len(owners) == 0:
                continue
            place = shares[owners[0]] @ surface.vertices[surface.faces[owners[0]]]
            way = place - ready.station_point
            hidden = _met(wall.vertices[wall.faces], ready.station_point, way)
            texel = texels.points[chart.top_px + row, chart.left_px + column].astype(float)
            towards = texel - ready.station_point
            taken = sight_of(ready.built).first_hits(
                ready.station_point[None], (towards / np.linalg.norm(towards))[None], names=[WALL]
            )
            if hidden is not None and np.isfinite(taken.distance[0]):
                assert np.linalg.norm(hidden - taken.point[0]) < 0.2 * MM
                tried += 1
    assert tried > 15


def _met(triangles: np.ndarray, start: np.ndarray, way: np.ndarray) -> np.ndarray | None:
    """Where a ray meets the nearest of some triangles (N, 3, 3), by their plane equations."""
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    far = np.einsum("ij,ij->i", triangles[:, 0] - start, normal) / (normal @ way)
    met = start + far[:, None] * way
    inside = (trimesh.triangles.points_to_barycentric(triangles, met) >= -1e-9).all(axis=1) & (far > 0.0)
    return met[inside][far[inside].argmin()] if inside.any() else None


@pytest.mark.sweep
def test_the_same_scene_gives_the_same_bytes(made: Path, previz: Command, tmp_path: Path) -> None:
    again = ("--compare", "--steps", 4, "--workers", 2, "--out", tmp_path / "again")
    assert previz("paint", made / "small.toml", *again).code == 0
    for path in sorted((made / "out").iterdir()):
        assert (tmp_path / "again" / path.name).read_bytes() == path.read_bytes(), path.name


@pytest.mark.sweep
def test_a_wall_that_may_be_painted_over_is_printed_too(previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path)
    scene.write_text(scene.read_text(encoding="utf-8") + '\n[paint]\nwall = "free"\n', encoding="utf-8")
    done = previz("paint", scene, "--out", tmp_path / "o", "--json", *QUICK)
    assert done.code == 0, done.err
    with pdfplumber.open(tmp_path / "o" / "guide.pdf") as pdf:
        words = " ".join(page.extract_text() for page in pdf.pages)
    assert "repainted" in words.lower() or "new paint" in words.lower()
    # no further from the design than stated: 8 hundredths of the code range, and half a code of rounding
    ready = prepare(read_scene(scene))
    wall = np.asarray(Image.open(tmp_path / "o" / "solved-wall.png").convert("RGB")).astype(int)
    off = np.abs(wall - ready.wall.clean.code.astype(int))
    assert 0 < off.max() <= 0.08 * 255.0 + 1.0


# what one paint is, and brushes wider than a piece, stand in tests/paint: these two take a solve each
@pytest.mark.sweep
def test_a_palette_of_one_is_one_colour(previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path)
    scene.write_text(scene.read_text(encoding="utf-8") + "\n[paint]\npalette = 1\n", encoding="utf-8")
    done = previz("paint", scene, "--out", tmp_path / "o", "--json", *QUICK)
    assert done.code == 0, done.err
    values = json.loads(done.out)
    assert len(values["paints"]) == 1
    # one colour is found where the paint of many is not
    assert values["break_mean_pct"] >= next(
        r["break_mean_pct"] for r in values["compared"] if r["paint"] == "projected"
    )


@pytest.mark.sweep
def test_a_brush_wider_than_the_bridge_still_paints(previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path)
    scene.write_text(scene.read_text(encoding="utf-8") + '\n[paint]\nbrush = "80 mm"\n', encoding="utf-8")
    done = previz("paint", scene, "--out", tmp_path / "o", "--json", *QUICK)
    assert done.code == 0, done.err
    values = json.loads(done.out)
    assert any("brush" in caution for caution in values["cautions"])
    picture = np.asarray(Image.open(tmp_path / "o" / "paint.png").convert("RGB"))
    assert picture.std() > 0.0


def test_a_hold_of_one_frame(previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path, ("hold = [1001, 1002]", "hold = [1001, 1001]"))
    scene.write_text(scene.read_text(encoding="utf-8") + "\n[paint]\nsheet = '20 mm'\n", encoding="utf-8")
    # what knock has said of the same scene goes on the first sheet
    told = {"scene_sha256": scene_sha256(scene), "sentences": ["lock the height: 0.8 mm is all you have"]}
    (tmp_path / "o").mkdir()
    (tmp_path / "o" / "knock.json").write_text(json.dumps(told), encoding="utf-8")
    (tmp_path / "o" / "pattern.pdf").write_bytes(b"of an earlier run")
    done = previz("paint", scene, "--out", tmp_path / "o", "--json", *QUICK)
    assert done.code == 0, done.err
    values = json.loads(done.out)
    assert values["frames_solved"] == [1001]
    # board of 20 mm cannot be folded to a bridge of 12 mm: what is not there is not named
    assert any("No cut pattern" in caution for caution in values["cautions"])
    assert "pattern.pdf" not in values["files"]
    assert not (tmp_path / "o" / "pattern.pdf").exists()
    with pdfplumber.open(tmp_path / "o" / "guide.pdf") as pdf:
        first = pdf.pages[0].extract_text()
    assert "Lock the height: 0.8 mm is all you have." in first
    assert values["break_worst_pct"] <= 2.0


def test_an_unseen_bridge_is_told_and_nothing_is_left(previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path, ('tilt = "-8 deg"', 'tilt = "60 deg"'))
    done = previz("paint", scene, "--out", tmp_path / "o", *QUICK)
    assert done.code == 2
    said = " ".join(done.err.split())
    assert "rail.hold" in said
    assert "Traceback" not in said
    assert not (tmp_path / "o" / "guide.pdf").exists()


def test_frames_between_are_not_those_solved_for(tmp_path: Path) -> None:
    scene = read_scene(laid(tmp_path)).edited(rail__frames=100, rail__hold=(1001, 1040))
    solved, between = solved_frames(scene), frames_between(scene)
    assert not set(solved) & set(between)
    assert solved[0] == 1001
    assert solved[-1] == 1040
    assert len(solved) == 20
