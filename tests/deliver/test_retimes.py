"""The retime's files read back: the table by the standard library, the pieces by opentimelineio itself."""

from __future__ import annotations

import csv
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import opentimelineio as otio
import pytest
from scipy.interpolate import PchipInterpolator

from previz.deliver.plate.retimes import RETIME_HEADER, WITHOUT_OTIO, retime_csv, retime_otio, write_retime
from previz.plate.retime import Retime, out_and_back, retimed
from previz.plate.take import take_of
from previz.rail import eased
from previz.run.output import OutputFolder
from tests.plate.pushes import KINDS, pushed

MM = 1e-3


def table_of(kind: str, shot: Fraction = Fraction(50), delivered: Fraction = Fraction(25), held: int = 5) -> Retime:
    noisy = pushed(kind, 2) + np.random.default_rng(2).normal(0.0, 0.05 * MM, 200)
    take = take_of(np.arange(1, 201), noisy, shot, "take 3.csv")
    return retimed(take, out_and_back(0.12 * eased(np.linspace(0.0, 1.0, 60), 0.1), held), delivered)


@pytest.mark.parametrize("kind", KINDS)
def test_the_written_table_composes_to_the_wanted_positions(tmp_path: Path, kind: str) -> None:
    table = table_of(kind)
    places, said = write_retime(OutputFolder(tmp_path), table, "Quarry walk")
    assert [place.name for place in places] == ["retime.csv", "retime.otio"]
    (text,) = said
    assert f"retime.otio has {len(table.pieces())} pieces of constant speed, up to 0.0" in text
    with places[0].open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, strict=True))
    assert tuple(rows[0]) == RETIME_HEADER
    assert [int(row["frame"]) for row in rows] == list(range(1001, 1001 + 124))
    source = np.array([float(row["source_frame"]) for row in rows])
    wanted_mm = np.array([float(row["wanted_mm"]) for row in rows])
    composed_mm = PchipInterpolator(table.take.frames, table.take.rail)(source) / MM
    assert np.abs(composed_mm - wanted_mm).max() < 0.05
    assert np.abs(wanted_mm * MM - table.wanted).max() < 1e-3 * MM
    assert {row["direction"] for row in rows} == {"1", "0", "-1"}
    steps = np.diff(source)
    signed = np.array([float(row["speed"]) * int(row["direction"]) for row in rows])
    np.testing.assert_allclose(signed[:-1], steps, atol=1.1e-3)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("shot", "delivered"),
    [(Fraction(50), Fraction(25)), (Fraction(60000, 1001), Fraction(24000, 1001)), (Fraction(48), Fraction(25))],
)
def test_opentimelineio_composes_the_pieces_to_the_curve(
    tmp_path: Path, kind: str, shot: Fraction, delivered: Fraction
) -> None:
    table = table_of(kind, shot, delivered)
    places, _ = write_retime(OutputFolder(tmp_path), table, "Quarry walk")
    timeline = otio.adapters.read_from_file(str(places[1]))
    assert timeline.name == "Quarry walk"
    assert timeline.global_start_time == otio.opentime.RationalTime(1001, float(delivered))
    (track,) = timeline.tracks
    assert track.duration() == otio.opentime.RationalTime(len(table.frames), float(delivered))
    shown = []
    for number in range(len(table.frames)):
        now = otio.opentime.RationalTime(number, float(delivered))
        clip = track.child_at_time(now)
        (warp,) = clip.effects
        assert isinstance(warp, otio.schema.LinearTimeWarp)
        gone = now - track.range_of_child(clip).start_time
        warped = otio.opentime.TimeTransform(scale=warp.time_scalar).applied_to(gone)
        shown.append((clip.source_range.start_time + warped.rescaled_to(float(shot))).value_rescaled_to(float(shot)))
    assert np.abs(np.array(shown) - table.source).max() <= 0.25 + 1e-6
    scalars = [clip.effects[0].time_scalar for clip in track]
    assert max(scalars) > 0.0 > min(scalars)
    # the take lasts as long as it was shot, and no piece asks for more of it
    for clip in track:
        there = clip.media_reference.available_range
        assert there.start_time.rate == pytest.approx(float(shot))
        assert there.start_time.value <= clip.source_range.start_time.value <= there.start_time.value + 199.0
        assert isinstance(clip.media_reference, otio.schema.MissingReference)
        assert clip.media_reference.name == "take 3.csv"
    assert len(track) < len(table.frames) / 3


def test_a_real_time_push_has_scalar_one() -> None:
    # 1 mm a shot frame at 50, wanted 2 mm a delivered frame at 25: as the hand moved
    take = take_of(np.arange(1, 201), np.arange(200) * MM, Fraction(50), smooth=False)
    timeline = otio.adapters.read_from_string(
        retime_otio(retimed(take, np.arange(60) * 2 * MM, Fraction(25)), "x"), "otio_json"
    )
    (clip,) = timeline.tracks[0]
    assert clip.effects[0].time_scalar == pytest.approx(1.0)
    assert clip.source_range.duration.value == 60.0


def test_a_held_move_is_a_freeze() -> None:
    take = take_of(np.arange(1, 201), np.arange(200) * MM, Fraction(50), smooth=False)
    timeline = otio.adapters.read_from_string(retime_otio(retimed(take, [0.05], Fraction(25)), "x"), "otio_json")
    (clip,) = timeline.tracks[0]
    assert isinstance(clip.effects[0], otio.schema.FreezeFrame)
    assert clip.source_range.start_time.value == pytest.approx(51.0)


def test_same_table_same_bytes() -> None:
    assert retime_csv(table_of("uneven")) == retime_csv(table_of("uneven"))
    assert retime_otio(table_of("uneven"), "x") == retime_otio(table_of("uneven"), "x")


def test_without_opentimelineio_the_table_is_written_and_the_rest_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "opentimelineio", None)
    places, left_out = write_retime(OutputFolder(tmp_path), table_of("even"), "Quarry walk")
    assert [place.name for place in places] == ["retime.csv"]
    assert left_out == [WITHOUT_OTIO]
    assert not (tmp_path / "retime.otio").exists()
