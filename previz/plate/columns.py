"""Columns of numbers from a CSV file that somebody typed or a spreadsheet wrote."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

import numpy as np

from previz.errors import PlateError, quoted
from previz.geometry import Array
from previz.scene.limits import TABLE_BYTES, TABLE_ROWS

_UNITS = ("mm", "cm", "m", "in", "ft", "s", "ms", "px", "deg")


@dataclass(frozen=True, eq=False)
class Columns:
    """Numbers of a file: ``values`` by column name, each (N,) float64; ``lines`` (N,) the line of each row, from 1."""

    name: str
    values: dict[str, Array]
    lines: tuple[int, ...]

    def refuse(self, row: int, text: str) -> NoReturn:
        """Raise :class:`PlateError` about a row, counted from 0."""
        raise PlateError(f"{self.name}, line {self.lines[row]}: {text}")


def read_columns(path: Path | str, *choices: Sequence[str]) -> Columns:
    """Columns of a CSV file whose header holds every name of one of ``choices``; the first that fits is taken.

    Fields are parted by commas or by semicolons (whichever the header has); with semicolons a decimal comma is
    understood too. The header line carries the names, the unit in the name (``rail_mm``); other columns are left
    alone, empty lines passed over. Raises :class:`PlateError` with the line of what cannot be read.
    """
    place = Path(path)
    text = _text(place)
    name = place.name
    if text.count("\n") > TABLE_ROWS + 1:
        raise PlateError(f"{name} has more than {TABLE_ROWS} rows; expected a row a frame")
    first = next((line for line in text.splitlines() if line.strip()), "")
    separator = ";" if ";" in first else ","
    rows: list[list[str]] = []
    lines: list[int] = []
    reader = csv.reader(text.splitlines(), delimiter=separator)
    try:
        for row in reader:
            if any(field.strip() for field in row):
                rows.append([field.strip() for field in row])
                lines.append(reader.line_num)
    except csv.Error as error:
        raise PlateError(f"{name}, line {reader.line_num}: not a table of values ({error})") from error
    if not rows:
        raise PlateError(f"{name} is empty; its first line must read {_wanted(choices)}")
    header = [field.lower() for field in rows[0]]
    taken = _chosen(name, lines[0], header, choices)
    places = [header.index(column) for column in taken]
    numbers: list[list[float]] = [[] for _ in taken]
    for row, line in zip(rows[1:], lines[1:], strict=True):
        for column, at, into in zip(taken, places, numbers, strict=True):
            into.append(_number(name, line, column, row[at] if at < len(row) else "", separator))
    if len(rows) == 1:
        raise PlateError(f"{name} has a header and no rows; write one row for each of {', '.join(taken)}")
    values = {column: np.array(into, dtype=np.float64) for column, into in zip(taken, numbers, strict=True)}
    return Columns(name, values, tuple(lines[1:]))


def whole_frames(columns: Columns, column: str = "frame") -> Array:
    """The frame numbers (N,) of a file, checked to be whole and rising. Raises :class:`PlateError`."""
    frames = columns.values[column]
    for row, frame in enumerate(frames):
        if frame != round(frame):
            columns.refuse(row, f"{column} {frame:g} is not a whole number")
        if row and frame <= frames[row - 1]:
            columns.refuse(
                row, f"{column} {frame:g} comes after {frames[row - 1]:g}; give each frame once, in rising order"
            )
    return frames


def _text(place: Path) -> str:
    try:
        if place.stat().st_size > TABLE_BYTES:
            raise PlateError(f"{place.name} is larger than {TABLE_BYTES // 1_000_000} MB; expected a row a frame")
        data = place.read_bytes()
    except OSError as error:
        raise PlateError(f"cannot read {place}: {error.strerror or error}") from error
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise PlateError(f'{place.name} is not plain text in UTF-8; save it as "CSV UTF-8"') from error


def _wanted(choices: Sequence[Sequence[str]]) -> str:
    return " or ".join('"' + ",".join(names) + '"' for names in choices)


def _chosen(name: str, line: int, header: Sequence[str], choices: Sequence[Sequence[str]]) -> Sequence[str]:
    for names in choices:
        if all(column in header for column in names):
            for column in names:
                if header.count(column) > 1:
                    raise PlateError(f'{name}, line {line}: the column "{column}" is there twice; keep one')
            return names
    known = {column for names in choices for column in names}
    for field in header:
        stem, _, unit = field.rpartition("_")
        near = [column for column in known if column.rpartition("_")[0] == (stem if unit in _UNITS else field)]
        if field not in known and near:
            raise PlateError(f'{name}, line {line}: found the column {quoted(field)}, expected "{near[0]}"; convert it')
    # what is in the line is not said: a scene may name any file of whoever runs it
    found = "one other name" if len(header) == 1 else f"{len(header)} other names"
    raise PlateError(f"{name}, line {line}: the first line must name the columns {_wanted(choices)}; found {found}")


def _number(name: str, line: int, column: str, text: str, separator: str) -> float:
    plain = text.replace("−", "-")
    if separator == ";" and plain.count(",") == 1 and "." not in plain:
        plain = plain.replace(",", ".")
    try:
        # an underscore is a digit mark to Python only
        value = math.nan if "_" in plain else float(plain)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        shown = quoted(text, 40) if text else "nothing"
        raise PlateError(f"{name}, line {line}: {column} must be a number like 12.5, found {shown}")
    return value
