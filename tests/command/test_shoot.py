"""The main job from end to end: what it leaves, and that it is the same every time."""

import csv
import io
import json
import os
import shutil
from fractions import Fraction
from hashlib import sha256
from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image

from previz import __version__
from previz.judge.telltable import TELL_TABLE
from tests.command.scenes import laid
from tests.conftest import Command, Run, files
from tests.deliver.made_up import near

FRAMES = [f"{frame}.png" for frame in (1001, 1002, 1003, 1004)]

# DEVELOPERS.md, "What the file says and what a run leaves": columns of hold.csv, and what summary.json holds at least
COLUMNS = "frame,rail_mm,break_pct,trace_pct,drift_deg_s,drift_pct,found_pct,mismatch_de,slip_px,tells"
KEYS = {
    "title", "scene_sha256", "version", "engine", "driver", "frames", "size_px", "station_frame", "hold_mm",
    "hold_frames", "break_mean_pct", "break_worst_pct", "break_station_pct", "break_reveal_pct", "worst_frame",
    "cautions", "trace_worst_pct", "hidden", "hold_still_mm", "hold_still_frames", "found_hold_pct",
    "drift_worst_deg_s", "viewers",
}  # fmt: skip


def rows(folder: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO((folder / "hold.csv").read_text(encoding="utf-8"))))


def test_everything_is_there_and_nothing_else(shot: Run) -> None:
    series = {f"{name}/{frame}" for name in ("lens", "side") for frame in FRAMES}
    single = {"lens.mp4", "side.mp4", "hold.csv", "hold.png", "worst.png", "summary.json", "report.html"}
    assert files(shot.out).keys() == series | single


def test_frames_have_the_size_asked_for(shot: Run) -> None:
    for frame in FRAMES:
        with Image.open(shot.out / "lens" / frame) as picture:
            assert picture.size == (160, 90)
            assert picture.mode == "RGB"


def test_the_bridge_and_the_figure_are_in_the_picture(shot: Run, previz: Command, tmp_path: Path) -> None:
    bare = laid(tmp_path, ('paint = "projected"', 'paint = "bare"\ncolour = "#e8c020"'))
    assert previz("shoot", bare, "--out", tmp_path / "out", "--width", 160, "--workers", 1).code == 0

    def reds(path: Path) -> tuple[int, int]:
        r, g, b = np.asarray(Image.open(path)).astype(int).transpose(2, 0, 1)
        # the figure of scenes.py is (200, 20, 20), the bridge #e8c020 in some light
        return int(((r > 120) & (g < 60) & (b < 60)).sum()), int(((g > 1.5 * b + 30) & (r > g)).sum())

    red, yellow = reds(shot.out / "lens" / "1001.png")
    assert red > 50
    assert yellow < 20
    red, yellow = reds(tmp_path / "out" / "lens" / "1001.png")
    assert red == 0, "a figure that was not asked for"
    assert yellow > 200


@pytest.mark.parametrize("name", ["lens", "side"])
def test_films_have_every_frame_at_the_scenes_rate(shot: Run, name: str) -> None:
    with av.open(str(shot.out / f"{name}.mp4")) as film:
        stream = film.streams.video[0]
        assert stream.average_rate == Fraction(25)
        pictures = [frame.to_ndarray(format="rgb24") for frame in film.decode(stream)]
    assert len(pictures) == len(FRAMES)
    still = np.asarray(Image.open(shot.out / name / FRAMES[-1]).convert("RGB")).astype(float)
    last = pictures[-1][: still.shape[0], : still.shape[1]]
    # the last frame of the film is the last still: nearer to it than to the first
    first = np.asarray(Image.open(shot.out / name / FRAMES[0]).convert("RGB")).astype(float)
    assert np.abs(last - still).mean() < min(6.0, np.abs(last - first).mean())


def test_table_has_a_row_a_frame(shot: Run) -> None:
    text = (shot.out / "hold.csv").read_bytes().decode("utf-8")
    assert text.splitlines()[0] == COLUMNS
    assert "\r" not in text
    table = rows(shot.out)
    assert [row["frame"] for row in table] == ["1001", "1002", "1003", "1004"]
    rail = [float(row["rail_mm"]) for row in table]
    assert rail[0] == 0.0
    assert rail[-1] == pytest.approx(60.0, abs=0.001)
    assert all(0.0 <= float(row["break_pct"]) <= 100.0 for row in table)
    # by definition there is no slip at the station point
    assert float(table[0]["slip_px"]) < 0.01 < float(table[1]["slip_px"])


def test_summary_says_what_the_design_asks_for(shot: Run) -> None:
    summary = json.loads((shot.out / "summary.json").read_text(encoding="utf-8"))
    assert summary.keys() >= KEYS
    assert summary["title"] == "Small quarry"
    assert summary["scene_sha256"] == sha256(shot.scene.read_bytes()).hexdigest()
    assert summary["version"] == __version__
    assert summary["frames"] == 4
    assert summary["size_px"] == [160, 90]
    assert summary["station_frame"] == 1001
    assert summary["cautions"]
    assert len(summary["cautions"]) == len(set(summary["cautions"]))


def test_summary_agrees_with_the_table(shot: Run) -> None:
    summary = json.loads((shot.out / "summary.json").read_text(encoding="utf-8"))
    breaks = {int(row["frame"]): float(row["break_pct"]) for row in rows(shot.out)}
    inside = [breaks[1001], breaks[1002]]
    # three decimals in both
    assert summary["break_station_pct"] == pytest.approx(breaks[1001], abs=0.001)
    assert summary["break_reveal_pct"] == pytest.approx(breaks[1004], abs=0.001)
    assert summary["break_mean_pct"] == pytest.approx(sum(inside) / 2, abs=0.001)
    assert summary["break_worst_pct"] == pytest.approx(max(inside), abs=0.001)
    holding = []
    for frame in (1001, 1002, 1003, 1004):
        if breaks[frame] > 5.0:
            break
        holding.append(frame)
    assert summary["hold_frames"] == len(holding)
    assert summary["hold_s"] == pytest.approx(len(holding) / 25.0, abs=0.001)
    assert [summary["hold_first"], summary["hold_last"]] == [holding[0], holding[-1]]


@pytest.mark.slow
def test_the_worst_frame_shows_what_slides(previz: Command, tmp_path: Path) -> None:
    """60 mm of rail in eight frames, all asked to hold: the line of parallax is in the picture and in its key."""
    scene = laid(
        tmp_path, ("frames = 4", "frames = 8"), ("hold = [1001, 1002]", "hold = [1001, 1008]"), ("reveal = 1004\n", "")
    )
    done = previz("shoot", scene, "--out", tmp_path / "out", "--width", 320, "--workers", 1, "--json")
    assert done.code == 0, done.err
    worst = json.loads(done.out)["worst_frame"]
    drift = {int(row["frame"]): float(row["drift_pct"]) for row in rows(tmp_path / "out")}
    assert drift[worst] > 50.0, "a worst frame in which nothing slides shows nothing of it"
    parallax = next(tell for tell in TELL_TABLE if tell.word == "parallax")
    with Image.open(tmp_path / "out" / "worst.png") as picture:
        seen = near(np.asarray(picture.convert("RGB")), parallax.colour, 6)
    assert seen[:180].sum() > 60
    assert seen[180:].sum() > 60


def test_json_is_the_summary_and_nothing_else(shot: Run) -> None:
    assert json.loads(shot.said.out) == json.loads((shot.out / "summary.json").read_text(encoding="utf-8"))


def test_nothing_names_the_folder_or_the_machine(shot: Run) -> None:
    for name, data in files(shot.out).items():
        assert str(shot.out.parent).encode() not in data, name


@pytest.mark.sweep
def test_sight_lines_give_the_same_bytes_twice(previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path)
    outs = [tmp_path / "one", tmp_path / "two"]
    for out in outs:
        done = previz("shoot", scene, "--out", out, "--width", 160, "--engine", "sightlines", "--workers", 1)
        assert done.code == 0
        assert "sight lines" in done.err
    assert files(outs[0]) == files(outs[1])


def test_score_says_the_same_as_shoot(shot: Run, previz: Command, tmp_path: Path) -> None:
    done = previz("score", shot.scene, "--out", tmp_path / "out", "--width", 160, "--workers", 1, "--json")
    assert done.code == 0
    made, wanted = files(tmp_path / "out"), files(shot.out)
    assert made.keys() == {"hold.csv", "summary.json"}
    assert made["hold.csv"] == wanted["hold.csv"]
    assert made["summary.json"] == wanted["summary.json"]
    assert json.loads(done.out) == json.loads(made["summary.json"])


def test_one_worker_writes_the_same_bytes_over_what_was_there(shot: Run, previz: Command, tmp_path: Path) -> None:
    out = tmp_path / "out"
    shutil.copytree(shot.out, out)
    (out / "lens" / "1002.png").write_bytes(b"spoilt")
    (out / "lens" / "1900.png").write_bytes(b"of a longer run")
    os.utime(out / "hold.csv", (0, 0))
    done = previz("shoot", shot.scene, "--out", out, "--width", 160, "--figure", "--workers", 1)
    assert done.code == 0
    assert "frames of an earlier run are still in" in done.err
    assert "1900.png (1 in all)" in done.err
    made = files(out)
    assert made.pop("lens/1900.png") == b"of a longer run"
    assert made == files(shot.out)


def test_results_lie_in_renders_unless_told_otherwise(previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path / "söt set", name="a.b.toml")
    work = tmp_path / "work"
    work.mkdir()
    done = previz("score", Path("..") / "söt set" / "a.b.toml", "--width", 160, "--workers", 1, cwd=work)
    assert done.code == 0, done.err
    assert files(work).keys() == {"renders/a.b/hold.csv", "renders/a.b/summary.json"}
    done = previz("score", scene, "--width", 160, "--workers", 1, "--out", "výsledky/1", cwd=work)
    assert done.code == 0, done.err
    assert {"výsledky/1/hold.csv", "výsledky/1/summary.json"} <= files(work).keys()
    assert "výsledky/1" in done.err
    assert files(scene.parent).keys() == {"a.b.toml", "figure.png"}


def test_line_ends_and_a_mark_at_the_start_change_nothing(shot: Run, previz: Command, tmp_path: Path) -> None:
    scene = laid(tmp_path, name="crlf.toml")
    scene.write_bytes(b"\xef\xbb\xbf" + scene.read_bytes().replace(b"\n", b"\r\n"))
    assert previz("score", scene, "--out", tmp_path / "out", "--width", 160, "--workers", 1).code == 0
    assert files(tmp_path / "out")["hold.csv"] == files(shot.out)["hold.csv"]


def test_nothing_is_written_outside(shot: Run) -> None:
    """Home, temporary folder, working folder and the set's own folder stay as they are."""
    for name in ("home", "temporary", "work"):
        assert list((shot.out.parent / name).iterdir()) == []
    assert files(shot.scene.parent).keys() == {"small.toml", "figure.png"}
