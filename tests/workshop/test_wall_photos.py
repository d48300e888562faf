"""Walls from photographs taken at an angle: made by OpenCV and SciPy (wallphotos.py), compared by scikit-image."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
import skimage.data
import skimage.transform
from PIL import Image

from previz.errors import BuildError, OutputError, SceneError
from previz.scene.cautions import cautions
from previz.scene.checks import impossible
from previz.scene.given.wallphoto import GreyBox
from previz.scene.model import Scene
from previz.scene.reader import read_scene
from previz.workshop.photographs.blend import blended, filled, matched_gains
from previz.workshop.photographs.plane import RadialLens, seen_plane
from previz.workshop.photographs.rectify import FlatWall, flat_wall
from previz.workshop.photographs.seen import photo_seen
from previz.workshop.set import build_wall, plot_of, texel_lines
from previz.workshop.walls.photo import photo_preview, photographed
from tests.lineup.photographs import Truth
from tests.scene.example import changed, written
from tests.workshop.sets import MM, scene
from tests.workshop.wallphotos import (
    Hung,
    TrueWall,
    against_truth,
    at_an_angle,
    box_of,
    light_on,
    painted_wall,
    saved,
    sheet_at,
)

SIZE = (1000, 750)
WALL = {"width": 1.2, "height": 0.8, "top": 0.45, "relief": 0.0, "texture_px": 600}
CARD = (0.2, -0.2, 0.12, 0.09)
SHEET = (-0.05, 0.15)
# measured points of the wall (m), none of them on its corners
MARKS = np.array([(-0.5, 0.38), (0.48, 0.4), (0.52, -0.3), (-0.45, -0.28), (0.02, 0.0)])


@pytest.fixture(scope="module")
def wall() -> TrueWall:
    return painted_wall(WALL["width"], WALL["height"], WALL["top"], 1.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, wall: TrueWall) -> Path:
    """A photograph at 35 degrees with a sheet and a card in it."""
    place = tmp_path_factory.mktemp("photographs")
    papers = [sheet_at(scene({"photo": "a.jpg"}), "left", SHEET)]
    saved(light_on(wall, at_35(), papers, Hung(CARD)), place / "sheet.jpg")
    return place


def at_35() -> Truth:
    return at_an_angle(35.0, 1.5, 1260.0, (1400, 1050))


def bent() -> Truth:
    return at_an_angle(25.0, 1.5, 900.0, SIZE, k1=-0.12)


def laid_flat(made: Scene) -> FlatWall:
    return flat_wall(made, *texel_lines(plot_of(made)))


def points(truth: Truth, marks: np.ndarray = MARKS) -> list[dict[str, object]]:
    """Points as a scene gives them, where OpenCV projects them."""
    px = truth.px(np.column_stack([marks, np.zeros(len(marks))]))
    return [{"px": tuple(p), "at": tuple(a)} for p, a in zip(px.tolist(), marks.tolist(), strict=True)]


def photo_scene(place: Path, *photos: dict[str, object], **more: object) -> Scene:
    return scene({"photo": list(photos), **WALL, **more}, folder=place)


def with_sheet(**more: object) -> dict[str, object]:
    return {"file": "sheet.jpg", "sheets": {"left": SHEET}, "grey": {"box": box_of(at_35(), CARD)}, **more}


def test_a_photograph_at_35_degrees_with_a_sheet_in_it(folder: Path, wall: TrueWall) -> None:
    made = photo_scene(folder, with_sheet())
    assert impossible(made) == []
    flat = laid_flat(made)
    found = against_truth(flat.picture, flat.covered, wall)
    # what issue 18 asks for: within 1 mm over 1 m, mean dE00 below 2; the patches reach over 1.2 x 0.8 m
    assert len(found.off_mm) > 30
    assert found.off_mm.max() < 1.0
    assert found.de00 < 2.0
    assert found.covered > 0.88
    [(name, words)] = flat.rows
    assert name == "photograph sheet.jpg"
    assert words.startswith("6 of 6 markers found; fitted to 0.0")
    # neither sheet nor card is left in the wall: nothing of it is as bright as paper, nor as even as the card
    assert flat.picture.max() < 0.8
    assert any("leave" in text and "mirroring" in text for text in flat.cautions)
    # the light's colour was red 0.62, green 0.8, blue 1.05; the card 0.18
    assert "red, green, blue times 1.6" in words


def test_without_a_grey_card_colours_are_as_photographed_and_that_is_said(folder: Path) -> None:
    plain = {key: value for key, value in with_sheet().items() if key != "grey"}
    x, y = np.linspace(-0.4, 0.4, 40), np.linspace(0.3, -0.2, 30)
    carded, bare = (flat_wall(photo_scene(folder, given), x, y) for given in (with_sheet(), plain))
    ratio = (bare.picture / carded.picture)[carded.covered > 0].mean(axis=0)
    # the light that the card was lit by, as the photograph was made
    assert ratio == pytest.approx(Hung().light, rel=0.02)
    assert any("no photograph has a grey card" in text for text in bare.cautions)


@pytest.mark.slow
def test_points_and_a_lens_that_distorts(folder: Path, wall: TrueWall) -> None:
    saved(light_on(wall, bent(), [], Hung(CARD), over=1), folder / "bent.png", blur_px=0.5)
    lens = bent().focal_px / SIZE[0] * 0.036
    given = {"file": "bent.png", "points": points(bent()), "grey": {"box": box_of(bent(), CARD)}}
    told = laid_flat(photo_scene(folder, {**given, "distortion": -0.12, "lens": lens}))
    found = against_truth(told.picture, told.covered, wall)
    assert found.off_mm.max() < 0.5
    assert found.de00 < 2.0
    # left out unless given: then places lie where the bent picture has them
    plain = laid_flat(photo_scene(folder, given))
    assert against_truth(plain.picture, plain.covered, wall).off_mm.max() > 1.5
    # and a point that is wrong by the width of a brick is told by its number
    given["points"][2]["at"] = (0.52, -0.27)
    wrong = photo_seen(photo_scene(folder, given), photo_scene(folder, given).wall.photo[0])
    assert any(text.startswith("bent.png: point ") and "measure again" in text for text in wrong.cautions)


def test_distortion_is_opencvs(folder: Path) -> None:
    truth = bent()
    lens = RadialLens(truth.focal_px, (0.5 * SIZE[0], 0.5 * SIZE[1]), truth.k1)
    places = np.column_stack([np.random.default_rng(2).uniform(-0.6, 0.6, (40, 2)), np.zeros(40)])
    plain = Truth(truth.place, truth.angles, truth.focal_px, SIZE)
    np.testing.assert_allclose(lens.seen(plain.px(places)), truth.px(places), atol=1e-6)
    np.testing.assert_allclose(lens.ideal(truth.px(places)), plain.px(places), atol=1e-6)


def test_two_photographs_are_matched_and_no_seam_is_left(tmp_path: Path, wall: TrueWall) -> None:
    left, right = (at_an_angle(pan, 1.0, 720.0, (640, 500)) for pan in (28.0, -28.0))
    # the second with half the light, and bluer; only the first has a card
    saved(light_on(wall, left, [], Hung(CARD), over=1), tmp_path / "l.png", blur_px=0.4, noise=0.0)
    light = light_on(wall, right, [], Hung(light=(0.3, 0.4, 0.6)), over=1)
    saved(light, tmp_path / "r.png", blur_px=0.4, noise=0.0)
    one = {"file": "l.png", "points": points(left), "grey": {"box": box_of(left, CARD)}}
    other = {"file": "r.png", "points": points(right)}
    flat = laid_flat(photo_scene(tmp_path, one, other))
    assert flat.covered.max() == 2
    assert (flat.covered == 1).any()
    found = against_truth(flat.picture, flat.covered, wall)
    assert found.off_mm.max() < 1.0
    assert found.de00 < 2.0
    # the light's own ratio, as it was made: 0.62 / 0.3, 0.8 / 0.4, 1.05 / 0.6 and the card's 0.18 / light
    assert any("r.png: its red, green and blue were multiplied by 3.3" in text for text in flat.cautions), flat.cautions
    # across the rims where one photograph ends nothing steps that the true wall does not
    true = wall.averaged(*flat.covered.shape[::-1])
    rims = np.argwhere(np.diff(flat.covered.astype(int), axis=1) != 0)
    rims = rims[(rims[:, 1] > 3) & (rims[:, 1] < flat.covered.shape[1] - 4)]
    off = (flat.picture - true).mean(axis=2)
    steps = [off[r, c + 1 : c + 4].mean() - off[r, c - 2 : c + 1].mean() for r, c in rims if flat.covered[r].min() > 0]
    assert len(steps) > 50
    assert abs(np.mean(steps)) < 0.01


def test_levels_are_matched_as_worked_out_by_hand() -> None:
    light = np.random.default_rng(1).uniform(0.2, 0.6, (64, 96, 3)).astype(np.float32)
    left, right = np.zeros((64, 96), bool), np.zeros((64, 96), bool)
    left[:, :64], right[:, 32:] = True, True
    layers = [(light * left[..., None], left), (light * np.float32(0.5) * right[..., None], right)]
    gains, said = matched_gains(layers, [True, False])
    assert gains[0] == pytest.approx(np.ones(3), abs=1e-3)
    assert gains[1] == pytest.approx(2.0 * np.ones(3), rel=1e-3)
    assert said[0][0] == 1
    # without a card both give way alike: by the root of two
    gains, _ = matched_gains(layers, [False, False])
    assert gains[0] == pytest.approx(np.full(3, 2.0**-0.5), rel=1e-3)
    picture, covered = blended([(layers[0][0], left), (layers[1][0] * np.float32(2.0), right)])
    np.testing.assert_allclose(picture, light, atol=1e-5)
    assert covered.tolist() == (left.astype(int) + right).tolist()
    # nothing in common: said
    far = np.zeros_like(left)
    far[:, 90:] = True
    assert "overlaps with no other" in matched_gains([layers[0], (light * far[..., None], far)], [True, False])[1][0][1]


def test_what_is_open_is_mirrored_in() -> None:
    picture = np.tile(np.arange(20.0, dtype=np.float32)[:, None, None], (1, 6, 3))
    there = np.ones((20, 6), bool)
    there[:5] = False
    out = filled(picture, there)
    assert out[:5, 0, 0].tolist() == [10.0, 9.0, 8.0, 7.0, 6.0]
    np.testing.assert_array_equal(out[there], picture[there])


def test_what_shrinks_is_averaged_over_its_area(tmp_path: Path) -> None:
    # straight on, eight pixels of a photograph to a texel: scikit-image averages the same
    photo = skimage.data.gravel()
    Image.fromarray(photo).save(tmp_path / "g.png")
    corners = [((0, 0), (-0.2, 0.2)), ((512, 0), (0.2, 0.2)), ((512, 512), (0.2, -0.2)), ((0, 512), (-0.2, -0.2))]
    given = {"file": "g.png", "points": [{"px": px, "at": at} for px, at in corners]}
    sizes = {"width": 0.4, "height": 0.4, "top": 0.2, "relief": 0.0, "texture_px": 64}
    flat = laid_flat(scene({"photo": given, **sizes}, folder=tmp_path))
    linear = ((photo / 255 + 0.055) / 1.055) ** 2.4
    wanted = skimage.transform.resize_local_mean(linear, (64, 64))
    inner = np.s_[1:-1, 1:-1]
    np.testing.assert_allclose(flat.picture[..., 0][inner], wanted[inner], atol=0.01)
    assert np.abs(flat.picture[..., 0][inner] - wanted[inner]).mean() < 0.002


def test_the_stated_doubt_is_that_of_the_points() -> None:
    """Points moved by chance a thousand times, by numpy: places scatter as they are said to."""
    truth = at_35()
    px = truth.px(np.column_stack([MARKS, np.zeros(5)]))
    rng = np.random.default_rng(4)
    places = np.array([(0.0, 0.0), (0.55, 0.4), (-0.55, -0.3)])
    seen_at = truth.px(np.column_stack([places, np.zeros(3)]))
    stated = seen_plane(px, MARKS, np.ones(5), None).sure(places)
    found = [seen_plane(px + rng.standard_normal(px.shape), MARKS, np.ones(5), None).at(seen_at) for _ in range(120)]
    scatter = np.sqrt(np.mean(np.sum((np.array(found) - places) ** 2, axis=2), axis=0))
    np.testing.assert_allclose(scatter, stated, rtol=0.2)


def test_check_says_what_was_understood(folder: Path) -> None:
    rows, said = photo_preview(photo_scene(folder, with_sheet()))
    assert rows[0][0] == "photograph sheet.jpg"
    assert "covers 9" in rows[0][1]
    assert all(text.startswith("wall.photo: ") for text in said)


TOML = '[[wall.photo]]\nfile = "p.png"\n'
FOUR = (
    'points = [{{ px = [10, 10], at = ["-400 mm", "300 mm"] }}, {{ px = [90, 12], at = ["400 mm", "300 mm"] }}, '
    '{{ px = [88, {third}], at = ["400 mm", "-300 mm"] }}, {{ px = {last}, at = ["-400 mm", "{up} mm"] }}]\n'
)


def written_photo(folder: Path, lines: str) -> Path:
    Image.new("RGB", (100, 80), (90, 80, 70)).save(folder / "p.png")
    text = changed(('kind   = "slate" ', "#"), ('relief = "40 mm"', 'relief = "0 mm"'), ("seed   = 7", ""))
    return written(folder, text.replace("[bridge]", lines + "\n[bridge]", 1))


@pytest.mark.parametrize(
    ("lines", "key", "says"),
    [
        (TOML + FOUR.format(third=70, last="[12, 200]", up=-300), "wall.photo[1].points[4].px", "100 x 80 px, upright"),
        (TOML + 'points = [{ px = [1, 1], at = ["0 mm", "0 mm"] }]', "wall.photo[1].points", "four or more points"),
        (TOML + FOUR.format(third=14, last="[50, 11]", up=300), "wall.photo[1].points", "no three of them in a line"),
        (TOML + 'points = [{ px = [1, 1], at = [0, 0] }]', "wall.photo[1].points[1].at[1]", 'write "0 mm"'),
        (TOML + "distortion = -0.1", "wall.photo[1].distortion", "taken as it is"),
        (TOML + "distortion = -0.1\n" + FOUR.format(third=70, last="[12, 70]", up=-300), "wall.photo[1].distortion",
         "lens beside distortion"),
        (TOML + "grey = { box = [90, 70, 20, 20] }", "wall.photo[1].grey.box", "in the photograph, 100 x 80 px"),
        (TOML + "gray = 3", "wall.photo[1].gray", 'did you mean "grey"?'),
        (TOML + TOML, "wall.photo[1]", "points or sheets in every one"),
        (TOML + "sheets = {}", "wall.photo[1].sheets", "a sheet and its middle"),
        (TOML.replace("p.png", "q.png"), "wall.photo[1].file", "no such file"),
        ("photo = 3", "wall.photo", "the name of a file in quotes"),
    ],
)  # fmt: skip
def test_faults_of_photographs_have_their_line(tmp_path: Path, lines: str, key: str, says: str) -> None:
    path = written_photo(tmp_path, "")
    if lines.startswith("photo"):
        path.write_text(path.read_text().replace("[wall]\n", f"[wall]\n{lines}\n"))
    else:
        path = written_photo(tmp_path, lines)
    with pytest.raises(SceneError) as caught:
        read_scene(path)
    faults = {fault.key: fault for fault in caught.value.faults}
    assert key in faults, str(caught.value)
    assert says in str(faults[key])
    assert faults[key].line > 1


def test_points_that_no_camera_sees_so_are_refused() -> None:
    """Corners exchanged, or the whole mirrored."""
    marks = np.array([(-0.4, 0.3), (0.4, 0.3), (0.4, -0.3), (-0.4, -0.3)])
    px = np.array([(10.0, 10.0), (90.0, 12.0), (88.0, 70.0), (12.0, 68.0)])
    seen_plane(px, marks, np.ones(4), None)
    with pytest.raises(BuildError, match="the photograph is mirrored"):
        seen_plane(px * (-1.0, 1.0) + (100.0, 0.0), marks, np.ones(4), None)
    with pytest.raises(BuildError, match="exchanged"):
        seen_plane(px[[1, 0, 2, 3]], marks, np.ones(4), None)


def test_a_photograph_without_its_markers_or_without_opencv(
    tmp_path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = photo_scene(folder, {**with_sheet(), "sheets": {"right": SHEET}})
    with pytest.raises(BuildError, match=r"sheet\.jpg: 0 markers of its sheets found, and 6 of other sheets"):
        laid_flat(made)
    for name in [name for name in sys.modules if name.startswith("previz.workshop.photographs.f")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "cv2", None)
    with pytest.raises(OutputError, match=r"pip install \"stationpoint\[lineup\]\""):
        laid_flat(photo_scene(folder, with_sheet()))


def test_a_grey_card_that_tells_nothing_is_refused(tmp_path: Path) -> None:
    for level, says in ((255, "burnt out"), (2, "nearly black")):
        Image.new("RGB", (100, 80), (level,) * 3).save(tmp_path / "p.png")
        photo = {"file": "p.png", "grey": {"box": (40, 40, 10, 10)}}
        with pytest.raises(BuildError, match=says):
            photographed(scene({"photo": photo, "relief": 0.0}, folder=tmp_path), np.arange(9.0), np.arange(7.0))
    # straight on a card does its work as well: sRGB code 118 is 0.1812 of linear light
    Image.new("RGB", (90, 70), (118,) * 3).save(tmp_path / "p.png")
    photo = {"file": "p.png", "grey": {"box": (40, 40, 10, 10), "reflectance": 0.36}}
    picture, _ = photographed(scene({"photo": photo, "relief": 0.0}, folder=tmp_path), np.arange(9.0), np.arange(7.0))
    assert picture == pytest.approx(np.full((7, 9, 3), 0.36), rel=1e-3)


def test_a_plain_photograph_of_another_shape_is_told_with_numbers(tmp_path: Path) -> None:
    Image.new("RGB", (400, 300), (90, 80, 70)).save(tmp_path / "p.png")
    sizes = {"width": 3.6, "height": 1.5, "top": 0.7, "relief": 0.0}
    [caution] = [c for c in cautions(scene({"photo": "p.png", **sizes}, folder=tmp_path)) if c.key == "wall.photo"]
    # 4:3 on 2.4:1: 1 - (4/3) / 2.4 = 44 % is lost; the whole would be 3600 / (4/3) = 2700 mm high
    assert "400 x 300 px, 1.333 : 1, the wall 3600.0 x 1500.0 mm, 2.400 : 1: 44 % of" in caution.text
    assert 'Write height = "2700.0 mm"' in caution.text
    for height in (2.7, 2.65):
        made = scene({"photo": "p.png", **sizes, "height": height}, folder=tmp_path)
        assert [c for c in cautions(made) if c.key == "wall.photo"] == []


def test_a_measured_relief(tmp_path: Path) -> None:
    Image.new("RGB", (90, 70), (118,) * 3).save(tmp_path / "p.png")
    # heights rise by 1 mm each 90 mm to the right, and by 2 mm each 100 mm down: a plane, whatever lies between
    rows = [[0.0 + i + 2 * j for i in range(11)] for j in range(8)]
    (tmp_path / "r.csv").write_text("\n".join(";".join(f"{v:g}" for v in row) for row in rows))
    given = {"photo": "p.png", "relief": {"file": "r.csv"}, "triangles": 4000}
    surface, _ = build_wall(scene(given, folder=tmp_path))
    field = surface.field
    x, y = np.meshgrid(field.x, field.y)
    wanted = ((x + 0.45) / 0.09 + 2.0 * (0.4 - y) / 0.1) * MM
    # the wall's own softening (0.8 of a fine line) bends the outermost lines alone
    np.testing.assert_allclose(field.z[2:-2, 2:-2], wanted[2:-2, 2:-2], atol=0.05 * MM)
    # as a picture of 16 bit: black -5 mm, white 20 mm, its middle grey half way
    codes = np.tile(np.linspace(0, 65535, 50).astype(np.uint16), (30, 1))
    Image.fromarray(codes).save(tmp_path / "h.png")
    grid = {"file": "h.png", "low": -0.005, "high": 0.02}
    surface, _ = build_wall(scene({**given, "relief": grid}, folder=tmp_path))
    middle = np.interp(0.0, surface.field.x, surface.field.z[len(surface.field.y) // 2])
    assert middle == pytest.approx(7.5 * MM, abs=0.05 * MM)
    assert surface.field.z.min() == pytest.approx(-5.0 * MM, abs=0.3 * MM)


def test_a_flat_photograph_stays_flat_at_the_bridge(tmp_path: Path) -> None:
    Image.new("RGB", (90, 70), (118,) * 3).save(tmp_path / "p.png")
    made = scene({"photo": "p.png"}, folder=tmp_path)
    surface, _ = build_wall(made)
    assert np.ptp(surface.field.z) == 0.0
    deep = scene({"photo": "p.png", "relief": 0.04}, folder=tmp_path)
    [caution] = [c for c in cautions(deep) if c.key == "wall.relief"]
    assert "40.0 mm, has no effect beside a photograph" in caution.text


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("1,2\n3\n", "row 2 has 1 heights, the first 2"),
        ("1,2\n3,x\n", "row 2 holds something that is no number"),
        ("1,2\n", "at least 2 x 2"),
        ("1,nan\n2,3\n", "not finite"),
        ("1,2\n3,99999\n", "no miniature's"),
        ("\n\n", "the table is empty"),
    ],
)
def test_a_grid_that_is_none_is_told_with_its_line(tmp_path: Path, content: str, says: str) -> None:
    path = written_photo(tmp_path, 'photo = "p.png"')
    (tmp_path / "r.csv").write_text(content)
    path.write_text(path.read_text().replace('relief = "0 mm"', 'relief = { file = "r.csv" }').replace(
        '[wall]\n', '[wall]\nphoto = "p.png"\n').replace('photo = "p.png"\n[bridge]', "[bridge]"))  # fmt: skip
    with pytest.raises(SceneError) as caught:
        read_scene(path)
    faults = {fault.key: fault for fault in caught.value.faults}
    assert says in str(faults["wall.relief.file"])
    assert faults["wall.relief.file"].line > 1


def test_a_range_goes_with_a_picture(tmp_path: Path) -> None:
    for grid, says in (
        ({"file": "r.csv", "low": -0.1}, "no low and high beside a CSV"),
        ({"file": "r.png"}, "low and high, the heights of black and white"),
        ({"file": "r.png", "low": 0.1, "high": 0.0}, "a low below the high"),
    ):
        with pytest.raises(ValueError, match=says):
            scene({"photo": "p.png", "relief": grid})


def test_the_card_is_the_trades() -> None:
    # 18 % is what grey cards are sold as (common practice, no source)
    assert GreyBox(box=(0, 0, 1, 1)).reflectance == 0.18
