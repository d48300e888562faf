"""The attack draws the same cases for the same numbers, goes on after a stop, and counts what it is meant to find."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path
from typing import Any

import pytest

from previz.errors import Fault, PlateError, SceneError
from previz.scene.reader import read_scene
from tests.benchmarks import attack, attackcases
from tests.benchmarks.attackcases import KINDS, Case, case_of
from tests.benchmarks.attacksets import BRIDGES, LAMPS, PAINTS, WALLS, _inconsistent, _out_of_range, set_of
from tests.conftest import files


def test_no_case_depends_on_those_before_it(tmp_path: Path) -> None:
    """Messages and meshes are trees: what is laid into one must not be the same thing as in the next."""
    numbers = [*range(6, 400, 10), *range(1, 100, 10)]
    ways = []
    for order in (numbers, numbers[::-1]):
        found = {}
        for number in order:
            case = case_of(number, 9, tmp_path)
            found[number] = (case.what, files(tmp_path))
            for path in tmp_path.iterdir():
                path.unlink()
        ways.append(found)
    assert ways[0] == ways[1]
    before = json.dumps(attackcases._ODD_JSON)
    case_of(6, 9, tmp_path)
    assert json.dumps(attackcases._ODD_JSON) == before


def test_a_number_is_a_case(tmp_path: Path) -> None:
    for number in range(2 * len(KINDS)):
        (tmp_path / f"{number}").mkdir()
        (tmp_path / f"{number}-again").mkdir()
        one, two = (case_of(number, 5, tmp_path / f"{number}{again}") for again in ("", "-again"))
        assert (one.kind, one.what) == (two.kind, two.what)
        assert files(tmp_path / f"{number}") == files(tmp_path / f"{number}-again")


@pytest.mark.parametrize("number", range(12))
def test_sets_can_be_read(tmp_path: Path, number: int) -> None:
    scene = read_scene(set_of(number, 3, tmp_path))
    assert 0.008 <= scene.camera.lens <= 0.2
    assert WALLS[number % len(WALLS)] in scene.title


def test_every_wall_meets_every_bridge_paint_and_lamp(tmp_path: Path) -> None:
    met = set()
    for number in range(300):
        title = set_of(number, 3, tmp_path).read_text(encoding="utf-8").partition("\n")[0]
        wall, bridge, paint, lamp = title.split(": ")[1].rstrip('"').split(", ")
        met |= {(wall, bridge), (wall, paint), (wall, lamp)}
    assert len(met) == len(WALLS) * (len(set(BRIDGES)) + len(set(PAINTS)) + len(LAMPS))


def _broken(read: Any) -> Any:
    return lambda number, seed, folder: Case("made up", "for this test", read)


def _raises(error: BaseException) -> Any:
    def read() -> None:
        raise error

    return read


@pytest.mark.parametrize(
    ("read", "word"),
    [(_raises(IndexError("x")), "traceback"), (_raises(SceneError([Fault("", 0, 0, "a", "b", "c")])), "place"),
     (_raises(MemoryError()), "large"), (_raises(SceneError([Fault("a.toml", 0, 0, "a", "b", "c")])), "place")],
)  # fmt: skip
def test_what_goes_wrong_is_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, read: Any, word: str) -> None:
    monkeypatch.setattr(attackcases, "case_of", _broken(read))
    outcome = attack.run_case(0, 1, tmp_path)
    assert any(trouble.startswith(word) for trouble in outcome.troubles)
    (counted,) = [f for f in attack.figures_of([outcome]) if f.name == attack.TROUBLES[word]]
    assert (counted.value, counted.met) == (1, False)


def test_a_raw_control_character_and_a_slow_case_are_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    error = PlateError("x")
    error.args = ("\x1b[2J",)
    monkeypatch.setattr(attackcases, "case_of", _broken(_raises(error)))
    assert attack.run_case(0, 1, tmp_path).troubles[0].startswith("control")
    clock = iter((0.0, 7.0))
    monkeypatch.setattr(time, "monotonic", lambda: next(clock))
    monkeypatch.setattr(attackcases, "case_of", _broken(lambda: None))
    assert attack.run_case(0, 1, tmp_path).troubles == ["slow: 7.0 s"]


def _row(**changed: str) -> dict[str, str]:
    plain = {
        "frame": "1001", "rail_mm": "-3.0", "break_pct": "0.0", "trace_pct": "0.0", "drift_deg_s": "0.0",
        "drift_pct": "0.0", "found_pct": "0.0", "mismatch_de": "0.0", "slip_px": "0.0", "tells": "",
    }  # fmt: skip
    return plain | changed


def test_scores_and_holds_are_looked_at() -> None:
    rows = [_row(), _row(frame="1002", found_pct="6.0"), _row(frame="1003", break_pct="9.0")]
    told = {"station_frame": 1001, "hold_frames": 1, "hold_still_frames": 2}
    assert _out_of_range(rows) == []
    assert _inconsistent(rows, told) == []
    assert _inconsistent(rows, told | {"hold_frames": 2})[0].startswith("hold: hold_frames is 2, the table says 1")
    for bad in ({"break_pct": "100.5"}, {"slip_px": "-1"}, {"mismatch_de": "nan"}):
        assert _out_of_range([_row(**bad), _row(), _row()])[0].startswith("range: ")


@pytest.mark.slow
def test_a_stopped_attack_goes_on(tmp_path: Path) -> None:
    jobs = [("case", number) for number in range(6, 12)]
    outcomes = list(attack.run_all(jobs, 2, 1, str(tmp_path)))
    assert sorted(o.number for o in outcomes) == list(range(6, 12))
    assert not any(trouble.startswith("died") for o in outcomes for trouble in o.troubles)
    lines = [json.dumps({"seed": 1, **vars(o)}) for o in outcomes[:3]]
    place = tmp_path / "outcomes.jsonl"
    place.write_text("\n".join([*lines, lines[0][: len(lines[0]) // 2]]))
    assert attack._known(place, 1) == outcomes[:3]
    assert attack._known(place, 2) == []


def test_memory_is_told_on_linux() -> None:
    if not Path("/proc/self/statm").exists():
        pytest.skip("no /proc on this system")
    assert attack._held(os.getpid()) > 10_000_000
