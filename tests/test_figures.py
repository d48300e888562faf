"""The benchmarks' report: its JSON is what DEVELOPERS.md says, and a missed target stays in it."""

import json
import platform

import pytest

from tests.benchmarks.figures import Figure, at_least, at_most, machine, options, report, within

FIGURES = [
    at_most("time", 3.0, "s", 5.0),
    at_least("frames a second", 2.0, "1/s", 4.0),
    within("hold", 31.9, "mm", 32.0, 0.5),
    Figure("driver", "software", ""),
    Figure("far", float("inf"), "m"),
]


def test_json_is_one_object_and_keeps_what_was_missed(capsys: pytest.CaptureFixture[str]) -> None:
    report("main", FIGURES, json=True, left_out=["paint"])
    whole = json.loads(capsys.readouterr().out)
    assert {"machine", "figures"} <= whole.keys()
    assert all(figure.keys() == {"name", "value", "unit", "target", "met"} for figure in whole["figures"])
    assert [figure["met"] for figure in whole["figures"]] == [True, False, True, None, None]
    assert whole["figures"][1] == {
        "name": "frames a second",
        "value": 2.0,
        "unit": "1/s",
        "target": ">= 4",
        "met": False,
    }
    assert whole["figures"][4]["value"] is None
    assert whole["left_out"] == ["paint"]


def test_table_says_what_was_missed_and_left_out(capsys: pytest.CaptureFixture[str]) -> None:
    report("main", FIGURES, left_out=["paint"])
    table = capsys.readouterr().out
    assert "not met: frames a second" in table
    assert "left out by --quick: paint" in table
    report("main", FIGURES[:1])
    assert "not met" not in capsys.readouterr().out


def test_machine_does_not_tell_its_name() -> None:
    host = machine()
    assert host.keys() == {"processor", "cores", "system", "python"}
    assert int(host["cores"]) >= 1
    assert platform.node() not in host.values()


def test_options() -> None:
    assert options("x", []).quick is False
    both = options("x", ["--quick", "--json"])
    assert both.quick
    assert both.json
