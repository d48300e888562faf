"""The command that brings plate and miniature together: what it leaves, what its film shows, and what it refuses."""

import csv
import json
import shutil
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from PIL import Image

from previz import colour
from previz.command.plate.animatic import AnimaticLayers, SetJob, staged
from previz.command.plate.plate import PlateWishes, _patches, plate
from previz.command.plate.plateinput import course_of
from previz.plate.framing import bars_of
from previz.run.ledger import Ledger
from previz.run.progress import Progress
from previz.run.workers import WorkerPool
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.stage.looking import FrameJob
from previz.stage.prepare import prepare
from tests.command.scenes import laid
from tests.conftest import Command, Run, ended, files, started
from tests.plate.cameras import FullSize

# a lamp to throw a shadow, bars, and a plate whose camera is the scene's own, 20 times as large
CAMERA = 'camera = { lens = "35 mm", height = "3.2 m", distance = "17 m", tilt = "-8 deg", travel = "1.2 m" }'
LAMP = (
    '[[lamp]]\nname = "key"\nposition = ["-300 mm", "900 mm", "1200 mm"]\nsize = "200 mm"\nlux = 600\n\n'
    "[light]\nambient = 300\n\n"
)
FRAMES = list(range(1001, 1012))


def plate_scene(folder: Path, *lines: str, camera: str = CAMERA, lamp: str = LAMP, name: str = "small.toml") -> Path:
    """The small scene with a lamp, six frames and more under [plate]; a white performer stands in it."""
    folder.mkdir(parents=True, exist_ok=True)
    picture = np.zeros((80, 40, 4), dtype=np.uint8)
    picture[10:70, 10:30] = 255
    Image.fromarray(picture).save(folder / "figure.png")
    plate = "\n".join((f"{lamp}[plate]", camera, *lines))
    return laid(folder, ("[plate]", plate), ("frames = 4", "frames = 6"), ("rate = 25", "rate = 25\nbars = 2.0"),
                name=name)  # fmt: skip


def table(place: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(place.read_text(encoding="utf-8").splitlines()))


def film(place: Path) -> list[np.ndarray]:
    with av.open(str(place)) as opened:
        return [frame.to_ndarray(format="rgb24") for frame in opened.decode(video=0)]


def take(folder: Path, count: int = 60, to_mm: float = 63.0) -> None:
    rows = "".join(f"{k + 1},{-3.0 + (to_mm + 3.0) * k / (count - 1):.4f}\n" for k in range(count))
    (folder / "take.csv").write_text("frame,rail_mm\n" + rows, encoding="utf-8")


@pytest.fixture(scope="module")
def plated(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Everything asked for at once, by two workers, in a process of its own."""
    folder = tmp_path_factory.mktemp("plated")
    scene = plate_scene(
        folder / "set", "back = true", 'take = "take.csv"', 'still = "still.png"', "drift_px = 8"
    )
    take(folder / "set")
    # a warm, bright plate
    rng = np.random.default_rng(3)
    stone = np.clip(rng.normal(0.25, 0.12, (90, 160, 1)) * [1.3, 1.0, 0.7], 0.0, 1.0)
    Image.fromarray(colour.encoded8(stone.astype(np.float32))).save(folder / "set" / "still.png")
    wishes = ("--burn-in", "--split", "--wipe")
    said = ended(
        started("plate", scene, "--out", folder / "out", "--width", 320, "--workers", 2, "--json", *wishes, cwd=folder)
    )
    assert said.code == 0, said.err
    return Run(scene, folder / "out", said)


def test_everything_is_there_and_nothing_else(plated: Run) -> None:
    single = {
        "animatic.mp4", "wipe.mp4", "split.mp4", "feet.csv", "retime.csv", "retime.otio", "match.cc", "match.ccc",
        "match.txt", "plate.csv", "plate.json",
    }  # fmt: skip
    series = {f"shadow/{frame}.png" for frame in FRAMES} | {f"track/{frame}.json" for frame in FRAMES}
    found = {name for name in files(plated.out) if not name.startswith("light/")}
    assert found == single | series
    assert json.loads(plated.said.out) == json.loads((plated.out / "plate.json").read_text(encoding="utf-8"))


def test_every_file_says_whether_it_is_before_or_after_drift_and_bars(plated: Run) -> None:
    values = json.loads(plated.said.out)
    assert list(values["files_are"]) == values["files"]
    after = {name for name, words in values["files_are"].items() if words == "after drift and bars"}
    assert after == {"animatic.mp4", "wipe.mp4", "split.mp4"}
    for name in ("feet.csv", "shadow/", "track/", "plate.csv", "match.cc"):
        assert "before drift and bars" in values["files_are"][name]
    otio = json.loads((plated.out / "retime.otio").read_text(encoding="utf-8"))
    assert "drift and bars" in otio["metadata"]["stationpoint"]["framing"]
    assert "before drift and bars" in (plated.out / "match.txt").read_text(encoding="utf-8")


def test_the_shadow_is_told_by_what_it_falls_on(plated: Run) -> None:
    shadow = json.loads(plated.said.out)["shadow"]
    assert shadow["falls_on_px"]["top"] > 0.0
    assert any("it falls on the bridge's top" in line for line in shadow["sentences"])
    # 255 takes at least what the lamp gives at the foot mark
    assert shadow["matte_255_takes"][1] >= shadow["share"][1] - 1e-4


def test_films_have_every_frame_at_the_delivered_rate(plated: Run) -> None:
    for name, width in (("animatic", 320), ("wipe", 320), ("split", 320)):
        with av.open(str(plated.out / f"{name}.mp4")) as opened:
            stream = opened.streams.video[0]
            assert stream.average_rate == Fraction(25)
            assert sum(1 for _ in opened.decode(video=0)) == len(FRAMES)
            assert stream.width == width


def test_out_and_back_is_mirrored(plated: Run) -> None:
    """Source frames and the camera's poses, by the files that tell them."""
    rows = table(plated.out / "retime.csv")
    assert [int(row["frame"]) for row in rows] == FRAMES
    source = np.array([float(row["source_frame"]) for row in rows])
    np.testing.assert_allclose(source, source[::-1], atol=1e-4)
    poses = [json.loads((plated.out / f"track/{frame}.json").read_text(encoding="utf-8")) for frame in FRAMES]
    x = np.array([pose["transforms"][0]["translation"]["x"] for pose in poses])
    np.testing.assert_allclose(x, x[::-1], atol=1e-9)
    wanted = move_of(read_scene(plated.scene)).rail
    np.testing.assert_allclose(x[:6] - x[0], wanted - wanted[0], atol=1e-4)


def test_the_retime_gives_the_wanted_positions(plated: Run) -> None:
    """The take is even: frame k stands at -3 + 66 k / 59 mm, k from 0."""
    for row in table(plated.out / "retime.csv"):
        shown = -3.0 + 66.0 * (float(row["source_frame"]) - 1.0) / 59.0
        assert shown == pytest.approx(float(row["wanted_mm"]), abs=0.05)


def test_numbers_of_the_match_of_scale(plated: Run) -> None:
    """The plate's camera is the scene's own, 20 times as large: nothing is missed."""
    rows = {row["name"]: row for row in table(plated.out / "plate.csv")}
    assert {"height", "distance", "lateral", "tilt", "roll", "lens", "travel", "top speed"} <= rows.keys()
    assert rows["height"]["wanted"] == "160.0000"
    assert rows["distance"]["wanted"] == "850.0000"
    values = json.loads(plated.said.out)
    assert all(miss["matches"] for miss in values["misses"])
    assert values["missed"] == ["nothing: the scene matches the plate"]
    assert values["match"]["asked"] is True
    assert values["match"]["slope"] != [1.0, 1.0, 1.0]
    assert values["feet"]["stands"] is True
    assert any("matches the plate already" in line for line in values["split"]["sentences"])


def test_the_match_names_its_space_in_the_table_and_for_both_spaces(plated: Run) -> None:
    match = json.loads(plated.said.out)["match"]
    said = " ".join(match["sentences"])
    for words in ("match_linear-rec709 in match.ccc", "match_acescct-ap1 in match.ccc, match.cc", "AP1 primaries",
                  "Rec.709 primaries", "before drift and bars"):  # fmt: skip
        assert words in said
    assert match["values_are"].startswith("ACEScct (S-2016-001)")
    assert match["found"].keys() == {"linear-rec709", "acescct-ap1"}
    assert match["found"]["acescct-ap1"]["slope"] == match["slope"]


def test_patches_are_measured_in_the_delivered_frame(tmp_path: Path) -> None:
    patches = "patches = [{ plate = [82, 40, 90, 46], miniature = [610, 330, 680, 380] }]"
    scene = read_scene(plate_scene(tmp_path, patches))
    # a frame drawn at half of the delivered width
    assert _patches(scene, 0.5) == [((305, 165, 340, 190), (82, 40, 90, 46))]


def test_the_match_warms_the_animatic(plated: Run) -> None:
    """The plate's still is warm: more red against blue in the film than in the set alone."""
    frame = film(plated.out / "animatic.mp4")[0][20:140].astype(np.float64)
    scene = read_scene(plated.scene)
    ready = prepare(scene, 320)
    bars = bars_of(320, 180, None)
    rail = np.repeat(move_of(scene).rail[:, None], 3, axis=1)
    with WorkerPool(1) as pool:
        pool.load(staged(ready, AnimaticLayers((320, 180), rail, bars, np.zeros(6))))
        (alone,) = pool.run([SetJob(0)])
    red, blue = (frame[..., c].mean() for c in (0, 2))
    assert red / blue > 1.15 * alone[20:140, :, 0].mean() / alone[20:140, :, 2].mean()


def test_the_table_says_how_far_the_picture_goes_up(plated: Run) -> None:
    """``drift_px = 8`` from the first frame to the last, of a frame as delivered."""
    up = [float(row["drift_up_px"]) for row in table(plated.out / "feet.csv")]
    assert (up[0], up[-1]) == (0.0, 8.0)
    assert up == sorted(up)


def test_mattes_are_grey_and_soft(plated: Run) -> None:
    for frame in FRAMES:
        with Image.open(plated.out / f"shadow/{frame}.png") as image:
            assert (image.mode, image.size) == ("L", (320, 180))
            values = np.asarray(image)
        assert values.max() > 200, "under the feet the key is kept back"
        assert len(np.unique(values)) > 20, "the lamp is large"
        foot = next(row for row in table(plated.out / "feet.csv") if int(row["frame"]) == frame)
        rows, columns = np.nonzero(values > 200)
        away = np.hypot(columns + 0.5 - float(foot["x_px"]), rows + 0.5 - float(foot["y_px"]))
        assert away.min() < 4.0, "the shadow begins at the feet"


def test_the_wipe_ends_with_the_bridge_and_begins_without(plated: Run) -> None:
    """The line goes from left to right; what lies to its left is the animatic's own frame. The performer is on both."""
    wipes, frames = film(plated.out / "wipe.mp4"), film(plated.out / "animatic.mp4")
    bars = bars_of(320, 180, 2.0)
    # below the words that name the sides
    inside = slice(bars.top + 20, bars.bottom - 1)
    for index in (2, 3, 4, 8):
        line = round((index + 0.5) / len(FRAMES) * 320)
        apart = np.abs(wipes[index][inside].astype(int) - frames[index][inside])
        assert apart[:, : line - 6].mean() < 4.5, "the same picture, coded twice"
        # the bridge lies in the middle: to the right of the line, then to its left
        assert (apart[:, : line - 6] > 50).sum() < 20
        assert ((apart[:, line + 6 :] > 50).sum() > 100) == (index < 5)
    # whiter than the paper that rims the line, whose blue is 237, by more than what coding it twice takes off
    for wipe, frame in zip(wipes, frames, strict=True):
        white = [(picture[inside].min(axis=-1) > 242).sum() for picture in (wipe, frame)]
        assert white[0] >= 0.8 * white[1] > 100


def marker(frame: np.ndarray, rows: slice) -> np.ndarray:
    """Rows and columns (N, 2) of a white figure in a decoded frame."""
    return np.argwhere(frame[rows].min(axis=-1) > 235)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run at the delivered size by one worker: nothing over the picture, no shadow to be seen."""
    from previz.command.plate.plate import PlateWishes, plate
    from previz.run.progress import Progress

    folder = tmp_path_factory.mktemp("plain")
    scene = plate_scene(folder / "set", "back = true")
    plate(scene, folder / "out", 320, PlateWishes(), 1, None, Progress(quiet=True))
    return folder


@pytest.mark.sweep
@pytest.mark.parametrize("after", [3, 15])
def test_a_stopped_run_goes_on_and_leaves_the_same(
    plated: Run, previz: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    """Stopped as the third frame of the animatic has been noted, and as the fourth of the split's left half has."""
    add, noted = Ledger.add, [0]

    def stopping(ledger: Any, number: int, entry: Any) -> None:
        if noted[0] == after:
            raise KeyboardInterrupt
        add(ledger, number, entry)
        noted[0] += 1

    wishes = PlateWishes(burn_in=True, split=True, wipe=True)
    out = tmp_path / "out"
    with monkeypatch.context() as there:
        there.setattr(Ledger, "add", stopping)
        with pytest.raises(KeyboardInterrupt):
            plate(plated.scene, out, 320, wishes, 1, None, Progress(quiet=True))
    assert "unfinished-plate-animatic.jsonl" in files(out)
    assert ("unfinished-plate-left.jsonl" in files(out)) == (after > len(FRAMES))
    # of eleven frames six are looked at: the others show the same place on the way back
    options = ("--burn-in", "--split", "--wipe", "--workers", 1)
    elsewhere = tmp_path / "elsewhere"
    shutil.copytree(out, elsewhere)
    wider = previz("plate", plated.scene, "--out", elsewhere, "--width", 336, *options)
    assert wider.code == 0
    assert "going on" not in wider.err
    done = previz("plate", plated.scene, "--out", out, "--width", 320, *options)
    assert done.code == 0
    which = "1 of 6 places of the move are" if after == 3 else "6 of 6 places of the move are"
    assert which in " ".join(done.err.split())
    assert ("2 of 6 places of the left half are" in " ".join(done.err.split())) == (after == 15)
    assert files(out) == files(plated.out)


def test_feet_in_the_film_are_where_the_table_says(plain: Path) -> None:
    """The lowest row of the white figure is its feet: within a pixel of feet.csv in every frame."""
    rows = table(plain / "out" / "feet.csv")
    frames = film(plain / "out" / "animatic.mp4")
    assert len(rows) == len(frames) == len(FRAMES)
    bars = bars_of(320, 180, 2.0)
    for row, frame in zip(rows, frames, strict=True):
        found = marker(frame, slice(bars.top + 2, bars.bottom - 2))
        assert len(found) > 50
        lowest = found[:, 0].max() + 1 + bars.top + 2
        assert lowest == pytest.approx(float(row["y_px"]), abs=1.0)
        middle = found[found[:, 0] > found[:, 0].max() - 4, 1].mean() + 0.5
        assert middle == pytest.approx(float(row["x_px"]), abs=1.0)


def test_feet_of_whole_plate_frames_are_where_the_table_says(tmp_path: Path) -> None:
    """Plate frames made from the plate's definition by OpenCV: a white performer, in another place in each."""
    from previz.command.plate.plate import PlateWishes, plate
    from previz.run.progress import Progress

    (tmp_path / "shot").mkdir()
    scene = plate_scene(tmp_path, 'height = "1.8 m"')
    rail = move_of(read_scene(scene)).rail
    for k, at in enumerate(rail):
        lens = FullSize((1.2 * at / rail[-1], -3.2, -17.0), np.radians(-8.0), 0.0, 0.0, 0.035, 0.0359, 1280, 720)
        foot, head = lens.project([[0.0, 0.0, 0.0], [0.0, -1.8, 0.0]])
        picture = np.zeros((720, 1280, 4), dtype=np.uint8)
        picture[round(head[1]) : round(foot[1]), round(foot[0]) - 20 : round(foot[0]) + 20] = 255
        Image.fromarray(picture).save(tmp_path / "shot" / f"plate.{1001 + k}.png")
    text = scene.read_text(encoding="utf-8").replace('figure = "figure.png"', 'figure = "shot"')
    scene.write_text(text, encoding="utf-8")
    made = plate(scene, tmp_path / "out", 320, PlateWishes(), 1, None, Progress(quiet=True))
    assert any("the whole plate picture" in line for line in made.values["figure"]["sentences"])
    assert len(made.values["feet"]["sentences"]) == 2, "the feet are where the numbers put them"
    bars = bars_of(320, 180, 2.0)
    for row, frame in zip(table(tmp_path / "out/feet.csv"), film(tmp_path / "out/animatic.mp4"), strict=True):
        found = marker(frame, slice(bars.top + 2, bars.bottom - 2))
        assert found[:, 0].max() + 1 + bars.top + 2 == pytest.approx(float(row["y_px"]), abs=1.0)
        assert found[:, 1].mean() + 0.5 == pytest.approx(float(row["x_px"]), abs=1.0)


def test_the_way_back_shows_the_way_out_mirrored(plain: Path) -> None:
    frames = [frame.astype(int) for frame in film(plain / "out" / "animatic.mp4")]
    for index in range(5):
        same = np.abs(frames[index] - frames[10 - index]).mean()
        other = np.abs(frames[index] - frames[index + 1]).mean()
        # coded twice, but the same picture
        assert same < 3.0 < other


@pytest.mark.sweep
def test_the_same_bytes_by_two_workers(plain: Path) -> None:
    again = ended(
        started("plate", plain / "set" / "small.toml", "--out", plain / "two", "--width", 320, "--workers", 2)
    )
    assert again.code == 0, again.err
    one, two = files(plain / "out"), files(plain / "two")
    assert one.keys() == two.keys()
    assert [name for name in one if one[name] != two[name]] == []


def test_the_set_is_drawn_as_it_is_when_it_is_shot(plain: Path) -> None:
    """The slimmer way of drawing changes nothing."""
    scene = read_scene(plain / "set" / "small.toml").edited(camera__focus=1.0)
    ready = prepare(scene, 320)
    move = move_of(scene)
    rail = course_of(scene, move).rail
    stage = AnimaticLayers((320, 180), rail, bars_of(320, 180, None), np.zeros(len(rail)))
    with WorkerPool(1) as pool:
        pool.load(staged(ready, stage))
        drawn = list(pool.run([SetJob(0), SetJob(3)]))
        shot = list(pool.run([FrameJob(1001, 320, 180), FrameJob(1004, 320, 180)]))
    for one, other in zip(drawn, shot, strict=True):
        assert other.code is not None
        # the middle of the exposure may differ in the last digit, and a value be rounded the other way
        apart = np.abs(one.astype(int) - other.code)
        assert apart.max() <= 1
        assert apart.mean() < 1e-4


def test_what_is_left_out_is_said(previz: Command, tmp_path: Path) -> None:
    """No figure, no lamp, no take, no still: everything else is there, and a sentence for each."""
    scene = plate_scene(tmp_path, lamp="")
    scene.write_text(scene.read_text(encoding="utf-8").replace('figure = "figure.png"\n', ""), encoding="utf-8")
    done = previz("plate", scene, "--out", tmp_path / "out", "--width", 160, "--workers", 1)
    assert done.code == 0, done.err
    assert {"animatic.mp4", "feet.csv", "plate.csv", "plate.json"} <= files(tmp_path / "out").keys()
    assert not any(name.startswith(("shadow/", "retime", "match")) for name in files(tmp_path / "out"))
    said = " ".join(done.err.split())
    for words in ("the scene names none (plate.figure)", "There is no take yet", "plate.still names no still"):
        assert words in said


def test_a_scaled_scene_that_cannot_be_built_is_said_and_the_rest_written(previz: Command, tmp_path: Path) -> None:
    low = CAMERA.replace("3.2 m", "-0.1 m").replace("17 m", "2 m")
    scene = plate_scene(tmp_path, camera=low)
    done = previz("plate", scene, "--out", tmp_path / "out", "--width", 160, "--workers", 1, "--split", "--json")
    assert done.code == 0, done.err
    values = json.loads(done.out)
    assert "inside the bridge at frame 1001" in values["split"]["sentences"][0]
    assert "split.mp4" not in values["files"]
    assert (tmp_path / "out" / "animatic.mp4").exists()


def test_what_an_earlier_run_left_is_told(previz: Command, tmp_path: Path) -> None:
    scene = plate_scene(tmp_path, lamp="")
    out = tmp_path / "out"
    (out / "shadow").mkdir(parents=True)
    for name in ("retime.csv", "shadow/1001.png", "shadow/1009.png"):
        (out / name).write_bytes(b"old")
    done = previz("plate", scene, "--out", out, "--width", 160, "--workers", 1, "--engine", "sightlines")
    assert done.code == 0, done.err
    assert "by an earlier run and no part of this one: retime.csv, shadow/1001.png (2 in all)" in done.err


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (('take = "take.csv"',), "it never reaches the reveal"),
        (("drift_px = 30",), "a drift of 30 px shows the edge"),
        (('wanted = "wanted.csv"',), "wanted.csv, line 3: frame 1002 is missing"),
        (('still = "still.png"',), "plate.still is no picture that can be read"),
        (("patches = [{ plate = [0, 0, 9, 9], miniature = [0, 0, 9, 9] }]",), "the scene names none; add still"),
        (("patches = [{ plate = [0, 0, 9], miniature = [0, 0, 9, 9] }]",), "left, top, right, bottom"),
    ],
)
def test_what_cannot_be_used_is_one_line_and_leaves_nothing(
    previz: Command, tmp_path: Path, lines: tuple[str, ...], words: str
) -> None:
    take(tmp_path, to_mm=20.0)
    (tmp_path / "wanted.csv").write_text("frame,rail_mm\n1001,0\n1003,5\n", encoding="utf-8")
    (tmp_path / "still.png").write_bytes(b"no picture")
    done = previz("plate", plate_scene(tmp_path, *lines), "--out", tmp_path / "out", "--width", 160, "--workers", 1)
    assert done.code == 2
    assert words in done.err
    # what went on is said before it
    assert sum(line.startswith("previz: ") for line in done.err.splitlines()) == 1
    assert not (tmp_path / "out").exists()
