"""The bench at rest against ``score`` of the scene written: two ways to one set of numbers, equal to the last digit."""

import csv
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from previz.bench.fulljudge import SOLVED, STALE, UNSOLVED, FullJudge, NewerOrderError, _Interruptible, outwards
from previz.bench.order import Answer, Order
from previz.command.paint.solvedpaint import keep
from previz.command.paint.solving import SolvedPaint
from previz.command.shoot.shoot import score
from previz.command.shoot.verdict import USUAL_WIDTH
from previz.run.output import OutputFolder
from previz.run.progress import Progress
from previz.scene.model import Scene
from previz.scene.move import move_of
from previz.scene.reader import read_scene, scene_sha256
from previz.stage.prepare import prepare
from tests.command.scenes import laid

# what the two say of themselves, and what only ``score`` takes the time to try
OWN = ("scene_sha256", "helps")

TWO_FRAMES = (("frames = 4", "frames = 2"), ("reveal = 1004\n", ""))


class _Bench:
    """A judge at rest in this process, and all that it has said."""

    def __init__(self, folder: Path) -> None:
        self.said: list[Answer] = []
        self.stop_after = 10**9
        self._asked = 0
        self.judge = FullJudge(None, folder, self._give_way, self.said.append)

    def _give_way(self) -> None:
        self._asked += 1
        if self._asked > self.stop_after:
            raise NewerOrderError

    def rests(self, scene: Scene, frame: int, number: int = 1, laid_at: Any = None) -> dict[str, Any]:
        """All that is said of a state at rest in the end."""
        self.said.clear()
        self._asked = 0
        place = scene.camera.position if laid_at is None else laid_at
        self.judge.judge(Order(number, scene, frame, True, laid_at is None, place))
        return self.last()

    def last(self) -> dict[str, Any]:
        return [answer for answer in self.said if answer.what == "full"][-1].values


def scored(path: Path, out: Path) -> tuple[dict[str, Any], list[dict[str, str]]]:
    """What ``score`` leaves of a scene file: summary and rows."""
    score(path, out, USUAL_WIDTH, 1, None, Progress(quiet=True))
    with (out / "hold.csv").open(encoding="utf-8", newline="") as file:
        return json.loads((out / "summary.json").read_text(encoding="utf-8")), list(csv.DictReader(file))


def test_the_same_numbers_and_tells_as_score(tmp_path: Path) -> None:
    path = laid(tmp_path, *TWO_FRAMES, ('tilt = "-8 deg"', 'tilt = "-8 deg"\nstop = "f/8"\nfocus = "900 mm"'))
    scene, bench = read_scene(path), _Bench(tmp_path / "out")
    # as far as to the first drawing: the set is there
    bench.stop_after = 4
    with pytest.raises(NewerOrderError):
        bench.rests(scene, 1002)
    bench.stop_after = 10**9
    # the hand has been somewhere else meanwhile: the set is taken over, its paint and its place are new
    text = path.read_text(encoding="utf-8").replace('["0 mm", "160 mm", "1250 mm"]', '["15 mm", "175 mm", "1240 mm"]')
    moved = path.with_name("moved.toml")
    moved.write_text(text, encoding="utf-8")
    told = bench.rests(read_scene(moved), 1001)
    summary, rows = scored(moved, tmp_path / "scored")
    assert {k: v for k, v in told["summary"].items() if k not in OWN} == {
        k: v for k, v in summary.items() if k not in OWN
    }
    assert told["cautions"] == summary["cautions"]
    for own, row in zip(told["rows"], rows, strict=True):
        assert (own["frame"], "; ".join(own["tells"])) == (int(row["frame"]), row["tells"])
        for name in ("rail_mm", "break_pct", "trace_pct", "found_pct", "slip_px"):
            assert f"{own[name]:.3f}" == row[name], name
    assert (told["done"], told["of"], told["wide"], told["high"]) == (2, 2, 960, 540)
    pictures = {answer.what: answer for answer in bench.said if answer.picture}
    assert set(pictures) == {"exact", "exact clean"}
    assert pictures["exact"].values == {"frame": 1001, "wide": 960, "high": 540}


def test_from_the_station_outwards_and_those_of_the_hold_first(tmp_path: Path) -> None:
    longer = ("frames = 4", "frames = 9"), ("reveal = 1004", "reveal = 1009")
    middle = ("hold = [1001, 1002]", "hold = [1003, 1006]"), ("station = 1001", "station = 1004")
    scene = read_scene(laid(tmp_path, *longer, *middle))
    order = list(outwards(move_of(scene), scene.rail.hold))
    assert order == [1004, 1003, 1005, 1006, 1002, 1001, 1007, 1008, 1009]


@pytest.mark.slow
def test_it_gives_way_at_a_drawing_and_goes_on_where_it_was(tmp_path: Path) -> None:
    scene, bench = read_scene(laid(tmp_path, *TWO_FRAMES)), _Bench(tmp_path / "out")
    bench.stop_after = 8
    with pytest.raises(NewerOrderError):
        bench.rests(scene, 1001)
    done = bench.last()["done"] if any(answer.what == "full" for answer in bench.said) else 0
    assert done < 2
    bench.stop_after = 10**9
    told = bench.rests(scene, 1001)
    assert told["done"] == 2
    # a state that was judged before is told before anything is drawn
    bench.rests(scene.edited(rail__hold=(1001, 1001)), 1001)
    bench.stop_after = 0
    with pytest.raises(NewerOrderError):
        bench.rests(scene, 1001, number=5)
    assert bench.last()["done"] == 2
    assert bench.said[-1].number == 5


@pytest.mark.sweep
def test_solved_paint_is_shown_as_solved_and_as_stale_where_the_scene_has_changed_since(tmp_path: Path) -> None:
    path, out = laid(tmp_path, *TWO_FRAMES, ('paint = "projected"', 'paint = "solved"')), tmp_path / "out"
    bench, scene = _Bench(out), read_scene(path)
    none = bench.rests(scene, 1001)
    assert none["paint"] == UNSOLVED
    # any paint will do for one: that which is projected, a little darker
    ready = prepare(scene)
    art: Any = SimpleNamespace(lit=SolvedPaint((ready.bridge.code * 0.9).astype(np.uint8), None))
    keep(OutputFolder(out), scene_sha256(path), ready, art)
    solved = bench.rests(scene, 1001)
    assert solved["paint"] == SOLVED
    assert solved["own"]["break_pct"] > none["own"]["break_pct"]
    summary, _ = scored(path, out)
    assert {k: solved["summary"][k] for k in summary if k not in OWN} == {
        k: v for k, v in summary.items() if k not in OWN
    }
    # a camera that stands elsewhere sees the paint that was solved, where it lies
    moved = bench.rests(scene.edited(camera__position=(0.02, 0.17, 1.3)), 1001)
    assert moved["paint"] == STALE
    # it does not lie on a bridge of another size
    assert bench.rests(scene.edited(bridge__width=0.08), 1001)["paint"] == UNSOLVED


def test_it_gives_way_at_every_drawing() -> None:
    """Once something newer is wanted nothing is drawn any more."""
    drawn: list[object] = []
    newer = False

    class Drawing:
        name, driver = "none", "none"

        def draw(self, *what: object) -> None:
            drawn.append(what)

    def give_way() -> None:
        if newer:
            raise NewerOrderError

    engine = _Interruptible(Drawing(), give_way)
    engine.draw("camera", ["wall"])
    newer = True
    with pytest.raises(NewerOrderError):
        engine.draw("camera", ["wall"])
    assert drawn == [("camera", ["wall"])]
