"""What a search has found, in a SQLite file: every candidate with its values and its outcome.

A candidate is judged once: a run that was killed, or that is given a larger budget, is searched again from the start,
and what the file knows is not judged anew. So the same table comes out, whenever and however often it was stopped.
The file holds it all; the memory needed does not grow with the number of candidates.
"""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import astuple, dataclass, fields
from pathlib import Path
from types import TracebackType
from typing import Any

from previz.errors import OutputError
from previz.search.freedoms import Values
from previz.search.objective import Outcome, rank_of

_COLUMNS = tuple(f.name for f in fields(Outcome))

# what a rank (rank_of) is kept in
_RANKS = tuple(f"rank{k}" for k in range(6))

# results are made safe at least this often, s
_COMMIT_EVERY = 0.5


@dataclass(frozen=True)
class Row:
    """A candidate: its number in the order in which it was asked for, its values, and what was found."""

    number: int
    values: dict[str, str]
    outcome: Outcome


class SearchLedger:
    """The file at ``path``; use it in a ``with`` block. Only one run may write to it.

    ``run`` says in texts all that a judgement depends on besides a candidate's values; a file of another run begins
    anew. Raises :class:`OutputError` where the file cannot be used.
    """

    def __init__(self, path: Path, run: Mapping[str, str], least_reveal: float) -> None:
        self._path = path
        self._least_reveal = least_reveal
        self._count = 0
        self._safe_at = time.monotonic()
        wanted = json.dumps({**run, "columns": _COLUMNS}, sort_keys=True)
        try:
            if not self._opened(wanted):
                self._connection.close()
                path.unlink()
                self._opened(wanted)
        except (sqlite3.Error, OSError) as error:
            raise self._error(error) from error

    def _opened(self, wanted: str) -> bool:
        """Open the file; whether it is one of the wanted run, or new."""
        self._connection = sqlite3.connect(self._path, isolation_level=None)
        try:
            self._connection.execute("PRAGMA synchronous = NORMAL")
            self._connection.execute("BEGIN")
            self._connection.execute("CREATE TABLE IF NOT EXISTS run (described TEXT NOT NULL)")
            found = self._connection.execute("SELECT described FROM run").fetchone()
            if found is not None and found[0] != wanted:
                return False
            if found is None:
                self._connection.execute("INSERT INTO run VALUES (?)", (wanted,))
            columns = ", ".join(_COLUMNS)
            for table in ("judged", "drawn"):
                self._connection.execute(f"CREATE TABLE IF NOT EXISTS {table} (candidate TEXT PRIMARY KEY, {columns})")
            # which of them this run has asked for, in its order; found again by every run for itself
            self._connection.execute("DROP TABLE IF EXISTS asked")
            ranks = ", ".join(f"{name} REAL" for name in _RANKS)
            self._connection.execute(
                f"CREATE TABLE asked (number INTEGER PRIMARY KEY, candidate TEXT UNIQUE, {ranks}, drawn INTEGER)"
            )
            self._connection.execute(f"CREATE INDEX best ON asked ({', '.join(_RANKS)}, number)")
            self._connection.execute("COMMIT")
            self._connection.execute("BEGIN")
        except sqlite3.OperationalError:
            # the disk, or another program that holds the file
            raise
        except sqlite3.DatabaseError:
            # not a ledger, or one that was spoilt
            return False
        return True

    def __enter__(self) -> SearchLedger:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with suppress(sqlite3.Error):
            self._connection.execute("COMMIT")
        if kind is None:
            self._laid_anew()
        self._connection.close()

    def _laid_anew(self) -> None:
        """Lay the file out as if it had been written at one go.

        When results were made safe, the clock's doing, and what was dropped leave no trace in its bytes. Where that
        cannot be done it stays as it is, and says the same.
        """
        anew = self._path.with_name(f".part-{os.getpid()}-0-{self._path.name}")
        try:
            with suppress(OSError):
                anew.unlink()
            self._connection.execute("VACUUM INTO ?", (str(anew),))
            self._connection.close()
            fresh = sqlite3.connect(anew, isolation_level=None)
            # how often tables were made, which counts up with every run
            fresh.execute("PRAGMA schema_version = 1")
            fresh.close()
            anew.replace(self._path)
        except (sqlite3.Error, OSError):
            with suppress(OSError):
                anew.unlink()

    @property
    def count(self) -> int:
        """Candidates asked for so far."""
        return self._count

    def was_asked(self, values: Values) -> bool:
        """Whether this run has asked for the candidate already."""
        return self._run("SELECT 1 FROM asked WHERE candidate = ?", _key(values)).fetchone() is not None

    def outcome(self, values: Values) -> Outcome | None:
        """What the fast judge said of a candidate, in this run or one before it; None where it was not asked."""
        return self._known("judged", values)

    def drawn(self, values: Values) -> Outcome | None:
        """What its drawn frames say of a candidate, in this run or one before it; None where none were drawn."""
        return self._known("drawn", values)

    def _known(self, table: str, values: Values) -> Outcome | None:
        columns = ", ".join(_COLUMNS)
        found = self._run(f"SELECT {columns} FROM {table} WHERE candidate = ?", _key(values)).fetchone()
        return None if found is None else _outcome(found)

    def add(self, values: Values, outcome: Outcome) -> None:
        """Keep a candidate's outcome."""
        self._keep("judged", values, outcome)

    def add_drawn(self, values: Values, outcome: Outcome) -> None:
        """Keep what the drawn frames of a candidate that was asked for say; it stands in the table instead."""
        self._keep("drawn", values, outcome)
        places = ", ".join(f"{name} = ?" for name in _RANKS)
        rank = rank_of(outcome, self._least_reveal)
        self._run(f"UPDATE asked SET {places}, drawn = 1 WHERE candidate = ?", *rank, _key(values))

    def _keep(self, table: str, values: Values, outcome: Outcome) -> None:
        places = ", ".join("?" * (1 + len(_COLUMNS)))
        self._run(f"INSERT OR REPLACE INTO {table} VALUES ({places})", _key(values), *astuple(outcome))
        if time.monotonic() - self._safe_at >= _COMMIT_EVERY:
            self.commit()

    def ask(self, values: Values, outcome: Outcome) -> None:
        """Note that this run has asked for a candidate; its number is the next. Asked for again, nothing happens."""
        rank = rank_of(outcome, self._least_reveal)
        places = ", ".join("?" * (2 + len(_RANKS)))
        done = self._run(f"INSERT OR IGNORE INTO asked VALUES ({places}, 0)", self._count, _key(values), *rank)
        self._count += done.rowcount

    def commit(self) -> None:
        """Make safe what was added: it outlives the end of this process, however it comes."""
        try:
            self._connection.execute("COMMIT")
            self._connection.execute("BEGIN")
        except sqlite3.Error as error:
            raise self._error(error) from error
        self._safe_at = time.monotonic()

    def best_first(self, most: int = -1) -> Iterator[Row]:
        """Every candidate that was asked for, or ``most`` of them, the best first, one at a time."""
        return self._ranked(most)

    def best(self) -> Row | None:
        """The best candidate so far; None before the first."""
        return next(iter(list(self._ranked(1))), None)

    def _ranked(self, most: int) -> Iterator[Row]:
        columns = ", ".join(f"{table}.{name}" for table in ("judged", "drawn") for name in _COLUMNS)
        found = self._run(
            f"SELECT asked.number, asked.candidate, asked.drawn, {columns} FROM asked JOIN judged USING (candidate) "
            f"LEFT JOIN drawn USING (candidate) ORDER BY {', '.join(_RANKS)}, number LIMIT ?",
            most,
        )
        for number, candidate, drawn, *rest in found:
            told = rest[len(_COLUMNS) :] if drawn else rest[: len(_COLUMNS)]
            yield Row(int(number), dict(json.loads(candidate)), _outcome(told))

    def row(self, number: int) -> Row | None:
        """The candidate of a number."""
        found = self._run("SELECT candidate, drawn FROM asked WHERE number = ?", number).fetchone()
        if found is None:
            return None
        values = dict(json.loads(found[0]))
        outcome = self.drawn(values) if found[1] else self.outcome(values)
        return None if outcome is None else Row(number, values, outcome)

    def _run(self, statement: str, *given: Any) -> sqlite3.Cursor:
        try:
            return self._connection.execute(statement, given)
        except sqlite3.Error as error:
            raise self._error(error) from error

    def _error(self, error: Exception) -> OutputError:
        return OutputError(f"cannot use {self._path}: {error}; remove the file, or write elsewhere with --out")


def _key(values: Values) -> str:
    return json.dumps(dict(values), sort_keys=True)


def _outcome(found: Sequence[Any]) -> Outcome:
    named = dict(zip(_COLUMNS, found, strict=True))
    return Outcome(**{**named, "fits": bool(named["fits"]), "drawn": bool(named["drawn"])})
