"""The retime as files: ``retime.csv``, a row a delivered frame, and ``retime.otio``, pieces of constant speed."""

from __future__ import annotations

import math
from pathlib import Path

from previz.plate.pieces import TOLERANCE
from previz.plate.retime import Retime
from previz.run.output import OutputFolder
from previz.run.table import csv_text

# what the frame numbers of both files are of
FRAMING = "before drift and bars, which move the picture inside the frame and change no frame's time"

RETIME_HEADER = ("frame", "wanted_mm", "source_frame", "speed", "direction", "note")

WITHOUT_OTIO = (
    "retime.otio is left out because the package opentimelineio is not installed; "
    "install it with: pip install 'stationpoint[interchange]'"
)

# source frames a delivered frame; below it a piece is a still
_STANDING = 1e-9

# what the numbers of retime.otio mean, written into it: programs differ in what they take for granted
_CONVENTION = (
    "A clip lasts source_range.duration on the track, at the delivered rate. Its delivered frame k, counted from 0, "
    "shows the source at start_time + time_scalar * k / delivered rate, in seconds; start_time counts frames of the "
    "take at the shooting rate. A negative time_scalar plays backwards from start_time, then the highest source frame."
)


def retime_csv(table: Retime) -> str:
    """The text of ``retime.csv``.

    ``source_frame`` is fractional, in the take's own frame numbers; ``speed`` the shot frames that go by in a delivered
    one, which is the share of normal playing; ``direction`` 1 with the take, -1 against it, 0 held.
    """
    rows = zip(
        table.frames,
        (float(position) * 1e3 for position in table.wanted),
        (float(source) for source in table.source),
        (abs(float(speed)) for speed in table.speed),
        table.direction,
        table.notes,
        strict=True,
    )
    return csv_text(RETIME_HEADER, rows, decimals=4)


def retime_otio(table: Retime, title: str, tolerance: float = TOLERANCE) -> str:
    """The text of ``retime.otio``: a track of clips of constant speed, within ``tolerance`` source frames of the table
    and 0.1 mm of its places.

    Every clip has a linear time warp (a held one a freeze) and names the take, without a path. Raises
    ``ModuleNotFoundError`` where opentimelineio is not installed.
    """
    import opentimelineio as otio

    def moment(value: float, rate: float) -> otio.opentime.RationalTime:
        return otio.opentime.RationalTime(value, rate)

    take = table.take
    shot, delivered = float(take.rate), float(table.rate)
    lowest, highest = float(take.frames[0]), float(take.frames[-1])
    there = otio.opentime.TimeRange(
        moment(math.floor(lowest), shot), moment(math.ceil(highest) - math.floor(lowest) + 1, shot)
    )
    track = otio.schema.Track(name="slide", kind=otio.schema.TrackKind.Video)
    pieces = table.pieces(tolerance)
    for piece in pieces:
        first = table.frames[piece.first]
        scalar = piece.speed * delivered / shot
        warp = (
            otio.schema.LinearTimeWarp(name="retime", time_scalar=scalar)
            if abs(piece.speed) > _STANDING
            else otio.schema.FreezeFrame(name="retime")
        )
        ends = (piece.start, piece.start + piece.speed * (piece.count - 1))
        track.append(
            otio.schema.Clip(
                name=f"slide {first}-{first + piece.count - 1}",
                media_reference=otio.schema.MissingReference(name=take.name, available_range=there),
                source_range=otio.opentime.TimeRange(moment(piece.start, shot), moment(piece.count, delivered)),
                effects=[warp],
                metadata={
                    "stationpoint": {
                        "first_frame": first,
                        "source_frame_first": ends[0],
                        "source_frame_last": ends[1],
                        "speed": piece.speed,
                    }
                },
            )
        )
    timeline = otio.schema.Timeline(
        name=title,
        tracks=[track],
        global_start_time=moment(table.frames[0], delivered),
        metadata={
            "stationpoint": {
                "convention": _CONVENTION,
                "shooting_rate": str(take.rate),
                "delivered_rate": str(table.rate),
                "tolerance_source_frames": tolerance,
                "off_the_table_mm": round(table.pieces_error(pieces) * 1e3, 4),
                "framing": FRAMING,
            }
        },
    )
    return str(otio.adapters.write_to_string(timeline, "otio_json")).rstrip("\n") + "\n"


def write_retime(
    folder: OutputFolder, table: Retime, title: str, tolerance: float = TOLERANCE
) -> tuple[list[Path], list[str]]:
    """Write ``retime.csv`` and ``retime.otio``; gives their places, and what to tell about what was left out."""
    try:
        otio = retime_otio(table, title, tolerance)
    except ModuleNotFoundError as error:
        if error.name != "opentimelineio":
            raise
        otio = None
    places = [folder.write_text("retime.csv", retime_csv(table))]
    if otio is None:
        return places, [WITHOUT_OTIO]
    pieces = table.pieces(tolerance)
    told = (
        f"retime.csv has every frame to 0.0001 of a shot frame; retime.otio has {len(pieces)} pieces of constant "
        f"speed, up to {table.pieces_error(pieces) * 1e3:.3f} mm off."
    )
    return [*places, folder.write_text("retime.otio", otio)], [told]
