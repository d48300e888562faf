"""What a stopped run has already done, kept beside its results so that it can be continued.

One line a finished frame, after a first line that says of what run it is. A ledger of another scene, version,
size or engine is not continued: its results would not belong together.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from pathlib import Path
from typing import IO

from previz.deliver.output import OutputFolder, output_error
from previz.judge.hold import FrameScore

LEDGER = "unfinished.jsonl"


class Ledger:
    """The ledger of a run in a folder; ``done`` holds the scores of the frames that need not be made again."""

    def __init__(self, folder: OutputFolder, run: dict[str, str]) -> None:
        self._folder = folder
        self._path = folder.place(LEDGER)
        self._key = hashlib.sha256(json.dumps(run, sort_keys=True).encode()).hexdigest()
        self._file: IO[str] | None = None
        self.done: dict[int, FrameScore] = self._read()

    def _read(self) -> dict[int, FrameScore]:
        try:
            lines = self._path.read_text(encoding="utf-8").splitlines()
        except (OSError, UnicodeDecodeError):
            return {}
        done: dict[int, FrameScore] = {}
        try:
            if not lines or json.loads(lines[0]).get("run") != self._key:
                return {}
            for line in lines[1:]:
                entry = json.loads(line)
                entry["tells"] = tuple(entry["tells"])
                done[entry["frame"]] = FrameScore(**entry)
        except (ValueError, TypeError, KeyError, AttributeError):
            # a line cut short by a kill: what stands before it counts
            pass
        return done

    def add(self, score: FrameScore) -> None:
        """Note a finished frame; its files are whole by now."""
        try:
            if self._file is None:
                self._file = self._path.open("w", encoding="utf-8", newline="\n")
                self._file.write(json.dumps({"run": self._key}) + "\n")
                for earlier in self.done.values():
                    self._file.write(json.dumps(asdict(earlier)) + "\n")
            self._file.write(json.dumps(asdict(score)) + "\n")
            self._file.flush()
        except OSError as error:
            raise output_error(error, self._path) from error

    def close(self, finished: bool) -> None:
        """Let go of the ledger; a finished run needs none any more."""
        if self._file is not None:
            try:
                self._file.close()
            except OSError as error:
                raise output_error(error, self._path) from error
        if finished:
            Path(self._path).unlink(missing_ok=True)
