"""The rig command, from scene file to card."""

import json
import math
from pathlib import Path

import pytest

from previz.command.rig import rig as rigcommand
from previz.run.knocktold import knock_lines
from previz.run.output import OutputFolder
from tests.command.scenes import changed, laid
from tests.conftest import Command, files
from tests.deliver.pdf_lengths import bar_faults, opened

# so much light from all over that the lamp's shadow is not found, and no fill is sought
LAMPS = """
[light]
ambient = 4000

[[lamp]]
name = "key"
position = ["-800 mm", "600 mm", "1500 mm"]
size = "400 mm"
lux = 900
watts = 150

[[card]]
name = "black flag"
kind = "flag"
position = ["-500 mm", "500 mm", "700 mm"]
aim = ["-800 mm", "600 mm", "1500 mm"]
size = "300 x 200 mm"
"""


def lit(folder: Path, name: str = "small.toml") -> Path:
    """The small scene with a lamp, a flag and a focus."""
    camera = ('tilt = "-8 deg"', 'tilt = "-8 deg"\nfocus = "900 mm"\niso = 3200')
    # so slow that nothing blurs: frames that move alike are judged by one wall
    path = laid(folder, camera, ('travel = "60 mm"', 'travel = "6 mm"'), name=name)
    path.write_text(path.read_text(encoding="utf-8") + LAMPS, encoding="utf-8", newline="\n")
    return path


def text_of(data: bytes) -> list[str]:
    """The words of every page."""
    with opened(data) as file:
        return [page.extract_text() for page in file.pages]


def test_the_card_says_what_the_scene_says(
    previz: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # small frames are judged sooner; tests/command/test_rig_shadow.py has them as large as score's
    monkeypatch.setattr(rigcommand, "JUDGED_WIDTH_PX", 320)
    done = previz("rig", lit(tmp_path / "set"), "--out", tmp_path / "out", "--json")
    assert done.code == 0, done.err
    values = json.loads(done.out)
    left = files(tmp_path / "out")
    light = [name for name in left if name.startswith("light/")]
    assert set(left) - set(light) == {"rig.pdf", "rig.html", "rig.json", "shadow.png"}
    assert len(light) == 1
    assert json.loads(left["rig.json"]) == values
    pages = text_of(left["rig.pdf"])
    drawn = next(k for k, page in enumerate(pages) if page.startswith("Plan"))
    assert len(pages) == drawn + 4
    assert bar_faults(left["rig.pdf"]) == []
    card = "\n".join(pages[:drawn])
    assert values["shadow"]["hold"] == "nothing"
    assert "shadow is not found, in the hold or outside it" in " ".join(card.split())
    for word in ("35 mm", "f/22", "900 mm", "1/50 s", "3200", "160.0", "1250.0", "-8.0", "key", "black flag", "150"):
        assert word in card
    for name in ("start", "hold begins", "station point", "hold ends", "reveal", "end"):
        assert name in card
    # a lamp at (-800, 600, 1500), aimed at the origin: 1803 mm of tape
    assert "1803 mm" in card
    assert "electrician" in card
    assert "black flag" in pages[drawn]
    assert "previz knock" in card


def test_the_card_tells_how_the_rail_lies_and_what_is_taped_from_the_sensor_mark(
    previz: Command, tmp_path: Path
) -> None:
    # a rail of 100 mm along (2, 2, -1): a third of it towards the wall, two thirds aside and up (the 1-2-2-3 box)
    camera = 'tilt = "-8 deg"\nfocus = "900 mm"\nmount_from_sensor = "44 mm"\npupil_from_mount = "31 mm"'
    path = laid(tmp_path, ('tilt = "-8 deg"', camera), ('travel = "60 mm"', 'travel = "150 mm"\nalong = [2, 2, -1]'))
    text = path.read_text(encoding="utf-8") + '\n[search]\nfloor = "-1.2 m"\n'
    path.write_text(text, encoding="utf-8", newline="\n")
    values = json.loads(previz("rig", path, "--out", tmp_path / "out", "--json").out)
    rail = values["rail"]
    assert rail["runs"] == "to camera right, 26.6 deg towards the wall"
    assert rail["bearing_deg"] == pytest.approx(math.degrees(math.atan2(1, 2)), abs=1e-3)
    assert rail["rise_mm"] == pytest.approx(100.0, abs=1e-3)
    assert rail["rise_deg"] == pytest.approx(math.degrees(math.asin(2 / 3)), abs=1e-3)
    assert rail["end_over_floor_mm"] - rail["start_over_floor_mm"] == pytest.approx(100.0, abs=1e-3)
    assert rail["station_over_floor_mm"] == pytest.approx(160.0 + 1200.0, abs=1e-3)
    assert rail["floor_given"]
    taped = {row["name"]: row["set_to"].replace("\u00a0", " ") for row in values["focus_by_tape"]}
    # 900 mm from the pupil, which lies 44 + 31 mm ahead of the mark
    assert taped["focus, sensor mark"] == "975.0 mm"
    assert [row[0] for row in values["order_of_work"]] == [
        "1 print", "2 hang", "3 rail", "4 line-up", "5 paint", "6 lamp", "7 focus", "8 rehearse", "9 take"
    ]  # fmt: skip


def test_marks_stand_where_and_when_the_camera_passes(previz: Command, tmp_path: Path) -> None:
    path = laid(tmp_path, ("rate = 25", "rate = 25"), ('tilt = "-8 deg"', 'tilt = "-8 deg"\nrate = 50'))
    path.write_text(path.read_text().replace("travel", 'ease = "0%"\ntravel', 1))
    values = json.loads(previz("rig", path, "--out", tmp_path / "out", "--json").out)
    marks = {row["mark"]: row for row in values["marks"]}
    # 60 mm over 4 frames without ease: 20 mm a frame, 1/50 s each while shooting
    assert [marks[name]["rail_mm"] for name in ("start", "hold ends", "reveal")] == pytest.approx([0.0, 20.0, 60.0])
    assert [marks[name]["time_s"] for name in ("start", "hold ends", "end")] == pytest.approx([0.0, 0.02, 0.06])


@pytest.mark.slow
def test_knock_limits_of_the_same_scene_are_taken_over(previz: Command, tmp_path: Path) -> None:
    scene = lit(tmp_path / "set")
    first = json.loads(previz("rig", scene, "--out", tmp_path / "out", "--json").out)
    told = {"scene_sha256": first["scene_sha256"], "sentences": ["lock the height: 0.8 mm is all you have"]}
    (tmp_path / "out" / "knock.json").write_text(json.dumps(told))
    values = json.loads(previz("rig", scene, "--out", tmp_path / "out", "--json").out)
    assert values["knock"] == ["Lock the height: 0.8 mm is all you have."]
    for spoilt in (json.dumps({**told, "scene_sha256": "other"}), "not JSON", "[]", '{"sentences": 3}'):
        (tmp_path / "out" / "knock.json").write_text(spoilt)
        assert "previz knock" in knock_lines(OutputFolder(tmp_path / "out"), first["scene_sha256"])[0]


@pytest.mark.sweep
def test_same_scene_same_bytes_and_other_paper_other_pages(previz: Command, tmp_path: Path) -> None:
    scene = lit(tmp_path / "set")
    done = [previz("rig", scene, "--out", tmp_path / name, "--paper", paper) for name, paper in
            (("a", "a4"), ("b", "a4"), ("c", "letter"))]  # fmt: skip
    assert [d.code for d in done] == [0, 0, 0]
    a, b, c = (files(tmp_path / name) for name in "abc")
    assert a == b
    with opened(a["rig.pdf"]) as four, opened(c["rig.pdf"]) as letter:
        # ISO 216 and ANSI/ASME Y14.1, in points
        assert float(four.pages[0].width) == pytest.approx(210.0 / 25.4 * 72.0, abs=0.1)
        assert float(letter.pages[0].width) == pytest.approx(8.5 * 72.0, abs=0.1)


def test_a_scene_without_lamps_and_one_without_a_focus(previz: Command, tmp_path: Path) -> None:
    done = previz("rig", laid(tmp_path), "--out", tmp_path / "out", "--json")
    assert done.code == 0, done.err
    values = json.loads(done.out)
    assert "No lamps" in values["light"]["lines"][0]
    assert values["light"]["wall_stops"] is None
    assert values["settings"]["focus"].startswith("not given")
    assert any("shown flat" in text for text in values["cautions"])


@pytest.mark.slow
def test_words_for_people(previz: Command, tmp_path: Path) -> None:
    done = previz("rig", lit(tmp_path / "set"), "--out", tmp_path / "out")
    assert done.code == 0
    assert done.out == ""
    for word in ("f/22", "station point", "arm", "rig.pdf", "stops"):
        assert word in done.err


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('tilt = "-8 deg"', 'tilt = "-8 deg"\nstop = "f/0"', "f/0.5"),
        ('tilt = "-8 deg"', 'tilt = "-8 deg"\niso = 0', "iso"),
        ('tilt = "-8 deg"', 'tilt = "-8 deg"\nfocus = "20 mm"', "beyond the focal length"),
    ],
)
def test_impossible_settings_are_refused(previz: Command, tmp_path: Path, old: str, new: str, says: str) -> None:
    assert old in changed()
    done = previz("rig", laid(tmp_path, (old, new)), "--out", tmp_path / "out")
    assert done.code == 2
    assert says in done.err
    assert not (tmp_path / "out").exists()
