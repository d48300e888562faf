"""Tables read back by the standard library's CSV reader; the summary by its JSON reader."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest

from previz.run.output import OutputFolder
from previz.run.table import SUMMARY_KEYS, HoldRow, csv_text, hold_csv, summary_text, write_hold, write_summary


def test_fields_with_commas_quotes_and_lines_come_back() -> None:
    rows = [["a,b", 'say "hold"', "two\nlines", "plain", ""]]
    text = csv_text(["one", "two", "three", "four", "five"], rows)
    # RFC 4180, section 2, items 5 to 7
    assert text.splitlines()[1].startswith('"a,b","say ""hold""","two')
    assert list(csv.reader(io.StringIO(text), strict=True))[1] == rows[0]
    assert "\r" not in text


def test_numbers() -> None:
    text = csv_text(list("abcdef"), [[1, 2.0, np.float32(0.5), float("nan"), None, -0.0001]], decimals=2)
    assert text == "a,b,c,d,e,f\n1,2.00,0.50,,,0.00\n"
    with pytest.raises(ValueError, match="row 1 has 1 fields"):
        csv_text(["a", "b"], [[1]])
    with pytest.raises(TypeError, match="dict"):
        csv_text(["a"], [[{}]])


def test_hold(tmp_path: Path) -> None:
    rows = [
        HoldRow(1001, 0.0, 1.25, 0.4, 0.0),
        HoldRow(1002, 0.61, 12.5, 3.1, 2.25, ("colour", "slip"), 40.0, 0.25, 30.5, 4.75),
        HoldRow(1003, 1.2, None, None, None),
    ]
    place = write_hold(OutputFolder(tmp_path), rows)
    assert place.name == "hold.csv"
    assert place.read_bytes() == hold_csv(rows).encode()
    got = list(csv.DictReader(io.StringIO(place.read_text(encoding="utf-8")), strict=True))
    film = ["drift_deg_s", "drift_pct", "found_pct"]
    assert list(got[0]) == ["frame", "rail_mm", "break_pct", "trace_pct", *film, "mismatch_de", "slip_px", "tells"]
    assert got[1] == {
        "frame": "1002",
        "rail_mm": "0.610",
        "break_pct": "12.500",
        "trace_pct": "40.000",
        "drift_deg_s": "0.250",
        "drift_pct": "30.500",
        "found_pct": "4.750",
        "mismatch_de": "3.100",
        "slip_px": "2.250",
        "tells": "colour; slip",
    }
    assert got[2]["break_pct"] == ""


def test_summary(tmp_path: Path) -> None:
    values: dict[str, object] = dict.fromkeys(reversed(SUMMARY_KEYS), 1 / 3)
    values |= {"title": "Quarry walk", "cautions": ["hot lamp"], "size_px": (960, 540), "zebra": 1, "apple": 2}
    place = write_summary(OutputFolder(tmp_path), values)
    got = json.loads(place.read_text(encoding="utf-8"))
    assert list(got) == [*SUMMARY_KEYS, "apple", "zebra"]
    assert got["hold_mm"] == 0.3333
    assert got["size_px"] == [960, 540]
    del values["engine"]
    with pytest.raises(ValueError, match="lacks engine"):
        summary_text(values)
