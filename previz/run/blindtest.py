"""What real viewers found: the tables that the report's blind test saves, laid into the folder of results.

A table has a row a clip, with ``BLIND_HEADER``: the viewer's own label, the first 16 digits of the scene file's
SHA-256, which clip of that viewer's it was, whether the bridge was in it, whether it was turned left to right, where it
was clicked (px of the delivered frame as it was shot, ``x y``) or ``nothing``, whether that was right, and after how
long.
"""

from __future__ import annotations

import csv
import io
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from previz.errors import OutputError, quoted
from previz.judge.film.people import share_interval, viewers_needed
from previz.judge.viewer import HOLDS_BELOW_PCT

BLIND_HEADER: Final = ("viewer", "scene", "clip", "truth", "mirrored", "click", "right", "seconds")
# digits of the scene's hash
HASH_DIGITS: Final = 16
# what a label may be long, a file large, and how many files and rows there may be: by far more than any test has
LONGEST_LABEL: Final = 40
_MOST_BYTES: Final = 1_000_000
_MOST_FILES: Final = 200
_MOST_ROWS: Final = 10_000
_LONGEST_S: Final = 3600.0


@dataclass(frozen=True)
class BlindClip:
    """One clip as one viewer answered it; ``seconds`` from its first frame to the answer."""

    viewer: str
    scene: str
    has_bridge: bool
    clicked: bool
    right: bool
    seconds: float


def is_label(text: str) -> bool:
    """Whether a viewer may be called so: letters, digits, blanks and ``. _ -``, at most 40 of them."""
    return text.strip() != "" and len(text) <= LONGEST_LABEL and all(c.isalnum() or c in " ._-" for c in text)


def blind_test(folder: Path, sha256: str) -> dict[str, Any] | None:
    """What the viewers of a scene found, by all ``blind*.csv`` in the folder, as ``summary.json`` has it; None without.

    A viewer has found the bridge who clicked on it in the first clip that had it. Clips of another state of the scene
    file are counted and left out. Raises :class:`OutputError` with one line where a table cannot be read.
    """
    files = sorted(path for path in folder.glob("blind*.csv") if path.is_file())
    if not files:
        return None
    if len(files) > _MOST_FILES:
        raise OutputError(f"{folder} has {len(files)} tables blind*.csv; at most {_MOST_FILES} are read")
    clips: list[BlindClip] = []
    owner: dict[str, Path] = {}
    for path in files:
        rows = _read(path)
        for viewer in {clip.viewer for clip in rows}:
            if viewer in owner:
                raise OutputError(
                    f"{path}: viewer {quoted(viewer)} is in {owner[viewer].name} too; a viewer counts once: "
                    "delete one of both, or change the label"
                )
            owner[viewer] = path
        clips += rows
    own = [clip for clip in clips if clip.scene == sha256[:HASH_DIGITS]]
    return _summary(own, len(clips) - len(own))


def _summary(clips: Sequence[BlindClip], strangers: int) -> dict[str, Any]:
    first: dict[str, BlindClip] = {}
    for clip in clips:
        if clip.has_bridge:
            first.setdefault(clip.viewer, clip)
    found = [clip for clip in first.values() if clip.right]
    without = [clip for clip in clips if not clip.has_bridge]
    low, high = share_interval(len(found), len(first)) if first else (0.0, 1.0)
    median = round(statistics.median(clip.seconds for clip in found), 2) if found else None
    return {
        "viewers": len(first),
        "found": len(found),
        "found_pct": round(100.0 * len(found) / len(first), 1) if first else None,
        "found_low_pct": round(100.0 * low, 1),
        "found_high_pct": round(100.0 * high, 1),
        "median_s": median,
        "clips_without": len(without),
        "clicked_without": sum(clip.clicked for clip in without),
        "clips_of_another_scene": strangers,
        # to claim what the hold claims
        "claim_pct": HOLDS_BELOW_PCT,
        "viewers_for_claim": viewers_needed(len(found), HOLDS_BELOW_PCT / 100.0),
    }


def blind_words(told: dict[str, Any]) -> str:
    """The test in a sentence: ``6 of 9 viewers found it (35 to 88 of 100), median 2.3 s; ...``."""
    if not told["viewers"]:
        return f"no clip of this state of the scene ({told['clips_of_another_scene']} of another)"
    words = (
        f"{told['found']} of {told['viewers']} viewers found it "
        f"({told['found_low_pct']:.0f} to {told['found_high_pct']:.0f} of 100)"
    )
    if told["median_s"] is not None:
        words += f", median {told['median_s']:.1f} s"
    words += f"; clicked in {told['clicked_without']} of {told['clips_without']} clips without it"
    needed, claim = told["viewers_for_claim"], f"at most {told['claim_pct']:g} of 100"
    if told["viewers"] >= needed:
        return f"{words}; enough to claim that {claim} find it"
    who = "none finding it" if told["found"] == 0 else f"no more than these {told['found']} finding it"
    return f"{words}; to claim that {claim} do, {needed} viewers are needed, {who}"


def _read(path: Path) -> list[BlindClip]:
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise OutputError(f"{path} is larger than {_MOST_BYTES // 1_000_000} MB: no table of a blind test")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise OutputError(f"{path} cannot be read ({error}); save it from the report again, or delete it") from error
    try:
        rows = list(csv.reader(io.StringIO(text), strict=True))
    except csv.Error as error:
        raise OutputError(f"{path} is no table ({error}); save it from the report again, or delete it") from error
    if not rows or tuple(rows[0]) != BLIND_HEADER:
        found = ",".join(rows[0]) if rows else ""
        raise OutputError(f"{path}, line 1: expected {','.join(BLIND_HEADER)}, found {quoted(found)}")
    if len(rows) > _MOST_ROWS:
        raise OutputError(f"{path} has {len(rows)} rows; at most {_MOST_ROWS} are read")
    return [_clip(path, number, row) for number, row in enumerate(rows[1:], start=2) if row]


def _clip(path: Path, line: int, row: Sequence[str]) -> BlindClip:
    def fault(what: str, found: str) -> OutputError:
        return OutputError(f"{path}, line {line}: {what}, found {quoted(found)}")

    def one_of(name: str, words: tuple[str, str]) -> bool:
        if value[name] not in words:
            raise fault(f"{name} must be {words[0]} or {words[1]}", value[name])
        return value[name] == words[0]

    if len(row) != len(BLIND_HEADER):
        raise fault(f"expected {len(BLIND_HEADER)} fields", f"{len(row)}")
    value = dict(zip(BLIND_HEADER, row, strict=True))
    if not is_label(value["viewer"]):
        raise fault(f"viewer must be at most {LONGEST_LABEL} letters, digits, blanks or . _ -", value["viewer"])
    clicked = value["click"] != "nothing"
    if clicked:
        place = [_number(text) for text in value["click"].split(" ")]
        if len(place) != 2 or None in place:
            raise fault("click must be two numbers, px across and down, or nothing", value["click"])
    seconds = _number(value["seconds"])
    if seconds is None or not 0.0 <= seconds <= _LONGEST_S:
        raise fault(f"seconds must be a number from 0 to {_LONGEST_S:g}", value["seconds"])
    has_bridge, right = one_of("truth", ("with", "without")), one_of("right", ("yes", "no"))
    one_of("mirrored", ("yes", "no"))
    if right and has_bridge is not clicked:
        raise fault("a click is right only where the bridge is, nothing only where it is not", value["click"])
    return BlindClip(value["viewer"].strip(), value["scene"], has_bridge, clicked, right, seconds)


def _number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None
