"""The contact sheet from end to end."""

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.command.scenes import laid
from tests.conftest import Command, Run, ended, files, started

# the last stands so high that the bridge is below the frame
ASKED = ("--height", "120, 160, 1400 mm", "--lens", "28, 35 mm", "--width", 160)


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Six candidates, two of which cannot be judged, by two workers in a process of its own."""
    folder = tmp_path_factory.mktemp("sheet")
    scene = laid(folder / "set")
    said = ended(started("sheet", scene, "--out", folder / "out", *ASKED, "--workers", 2, "--json"))
    assert said.code == 0, said.err
    return Run(scene, folder / "out", said)


def test_sheet_and_table_are_there_and_nothing_else(sheet: Run) -> None:
    assert files(sheet.out).keys() == {"sheet.png", "sheet-2.png", "sheet.csv", "sheet.json"}
    with Image.open(sheet.out / "sheet.png") as page:
        # a sheet of the A series (ISO 216): sides as 1 to the square root of 2, to a pixel
        assert page.width / page.height == pytest.approx(np.sqrt(2.0), abs=1.0 / page.height)


def test_rows_are_sorted_best_first(sheet: Run) -> None:
    rows = json.loads(sheet.said.out)
    assert [row["rank"] for row in rows] == [1, 2, 3, 4, 5, 6]
    judged = [row for row in rows if not row["reason"]]
    assert len(judged) == 4
    keys = [(-row["hold_mm"], -row["hold_s"], row["found_hold_pct"], row["break_mean_pct"]) for row in judged]
    # the film's hold is never longer than that of its stills
    assert all(row["hold_mm"] <= row["hold_still_mm"] + 1e-6 for row in judged)
    assert any(row["drift_worst_deg_s"] > 0.0 for row in judged)
    assert keys == sorted(keys)
    assert rows[: len(judged)] == judged, "what cannot be judged comes last"


def test_a_candidate_that_cannot_be_judged_stays_with_its_reason(sheet: Run) -> None:
    lost = [row for row in json.loads(sheet.said.out) if row["reason"]]
    assert {(row["height_mm"], row["lens_mm"]) for row in lost} == {(1400.0, 28.0), (1400.0, 35.0)}
    assert all("outline is not in the frame" in row["reason"] for row in lost)
    assert all(row["hold_mm"] is None and row["break_worst_pct"] is None for row in lost)


def test_file_and_json_agree(sheet: Run) -> None:
    rows = json.loads(sheet.said.out)
    table = list(csv.DictReader(io.StringIO((sheet.out / "sheet.csv").read_text(encoding="utf-8"))))
    assert len(table) == len(rows)
    for line, row in zip(table, rows, strict=True):
        for key in (
            *("rank", "height_mm", "lens_mm", "hold_mm", "hold_s", "found_hold_pct"),
            *("break_mean_pct", "break_reveal_pct"),
        ):
            # three decimals in both
            assert (float(line[key]) if line[key] else None) == pytest.approx(row[key], abs=0.001), key
        assert line["reason"] == row["reason"]


def test_the_performer_stands_in_the_pictures(sheet: Run, previz: Command, tmp_path: Path) -> None:
    def reds(path: Path) -> int:
        r, g, b = np.asarray(Image.open(path).convert("RGB")).astype(int).transpose(2, 0, 1)
        # the colour of the figure of scenes.py; signal red on the sheet is (200, 32, 38), and thin
        return int(((abs(r - 200) < 8) & (abs(g - 20) < 8) & (abs(b - 20) < 8)).sum())

    bare = laid(tmp_path, ('figure = "figure.png"\n', ""))
    assert previz("sheet", bare, "--out", tmp_path / "out", "--width", 160, "--workers", 1).code == 0
    assert reds(tmp_path / "out" / "sheet.png") == 0
    assert reds(sheet.out / "sheet.png") > 500


def test_same_bytes_by_one_worker_and_a_table_that_fits(sheet: Run, previz: Command, tmp_path: Path) -> None:
    done = previz("sheet", sheet.scene, "--out", tmp_path / "out", *ASKED, "--workers", 1)
    assert done.code == 0
    assert files(tmp_path / "out") == files(sheet.out)
    assert done.out == ""
    assert "2 candidates cannot be judged" in done.err
    lines = done.err.splitlines()
    at = next(n for n, line in enumerate(lines) if line.split()[:2] == ["rank", "height"])
    assert [line.split()[0] for line in lines[at + 1 : at + 5]] == ["1", "2", "3", "4"]
    assert max(map(len, lines[: at + 5])) <= 80
    # the columns that it is sorted by come first, in that order, and a line says so
    shown = lines[at].replace("rank", "").replace("height mm", "").replace("lens mm", "").split("  ")
    assert [head.strip() for head in shown if head.strip()][:4] == ["hold mm", "hold s", "found %", "mean %"]
    assert any(line.strip().startswith("best first: hold mm, then hold s") for line in lines)


def test_a_scene_without_ranges_is_a_sheet_of_one(previz: Command, tmp_path: Path) -> None:
    done = previz(
        "sheet", laid(tmp_path), "--out", tmp_path / "out", "--width", 160, "--workers", 1, "--json"
    )
    assert done.code == 0
    (row,) = json.loads(done.out)
    assert (row["height_mm"], row["tilt_deg"], row["distance_mm"], row["lens_mm"]) == (160.0, -8.0, 1250.0, 35.0)


def test_a_camera_that_cannot_be_is_a_row_with_its_reason(previz: Command, tmp_path: Path) -> None:
    # 500 mm from the wall the lens would stand in the bridge, which is 700 mm long; 1e9 mm is no miniature
    done = previz(
        "sheet", laid(tmp_path), "--out", tmp_path / "out", "--distance", "500, 1250, 1e9 mm",
        "--width", 160, "--workers", 1, "--json",
    )  # fmt: skip
    assert done.code == 0, done.err
    rows = json.loads(done.out)
    assert [row["distance_mm"] for row in rows] == [1250.0, 500.0, 1e9]
    assert "bridge.length" in rows[1]["reason"]
    assert rows[2]["reason"]


@pytest.mark.parametrize(
    ("option", "text", "words"),
    [
        ("--height", "12 bananas", '"12 bananas" is not a length'),
        ("--height", "", "is not a length"),
        ("--height", "nan mm", "is not a length"),
        ("--height", "120", "is not a length"),
        ("--height", "120..240 mm", "write a span like"),
        ("--height", "120..240 mm x 0", "0 values are not between 1 and"),
        ("--height", "120..240 mm x 5000", "5000 values are not between 1 and"),
        ("--height", "120..240 mm x " + "9" * 5000, "write a span like"),
        ("--height", ", ".join(f"{n} mm" for n in range(1, 5001)), "5000 candidates are more than"),
        ("--tilt", "-8 mm", '"-8 mm" is not an angle'),
        ("--lens", "35, 50 deg", "is not a length"),
    ],
)
def test_ranges_that_cannot_be_read(previz: Command, tmp_path: Path, option: str, text: str, words: str) -> None:
    done = previz("sheet", laid(tmp_path), option, text, "--out", tmp_path / "out", "--json")
    assert done.code == 2
    assert done.out == ""
    assert words in done.err
    assert len(done.err) < 400
    assert "Traceback" not in done.err
    assert not (tmp_path / "out").exists()
