"""Frames of a film kept on disk as they are made: put in their order there, and found again by a run that goes on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

from previz.command.plate.animatic import AnimaticFrame, AnimaticJob
from previz.run.frames import frame_name, png_bytes, read_png
from previz.run.ledger import Ledger, ledger_name
from previz.run.output import OutputFolder
from previz.workshop.surface import Pixels8

# the folder inside the results in which frames wait for their film
_WAITING = "unfinished"

# films of drawn frames: the animatic and its wipe, and the two halves of the split
_REELS = ("animatic", "left", "right")
_PICTURES = (*_REELS, "wipe")


@dataclass(frozen=True)
class KeptFrame:
    """What a frame has left: the names of its ``files``."""

    files: tuple[str, ...]


class Reel:
    """The frames of a film as they wait for it; ``frames`` are their numbers.

    ``run`` says in texts all that they depend on: frames of a run of other texts are not taken up.
    """

    def __init__(self, folder: OutputFolder, name: str, frames: Sequence[int], run: Mapping[str, str]) -> None:
        self._folder, self._name, self._frames = folder, name, frames
        self._ledger = Ledger(folder, _ledger(name), {**run, "film": name}, KeptFrame)

    def missing(self, jobs: Sequence[AnimaticJob]) -> list[AnimaticJob]:
        """Those jobs of which not every frame is there."""
        return [
            job for job in jobs
            if not all(self._is_there(index) for index in (job.index, job.twin) if index is not None)
        ]  # fmt: skip

    def _is_there(self, index: int) -> bool:
        kept = self._ledger.done.get(index)
        return kept is not None and all(self._folder.has(name) for name in kept.files)

    def film(self, made: Iterator[AnimaticFrame]) -> Iterator[Pixels8]:
        """All frames in their order, those that are ``made`` now and those that are there; each is kept."""
        due = 0
        for frame in made:
            while due < frame.index and self._is_there(due):
                yield self._picture(self._name, due)
                due += 1
            self.keep(frame)
            if frame.index == due:
                yield frame.code
                due += 1
        yield from self.pictures(self._name, due)

    def keep(self, frame: AnimaticFrame) -> None:
        """Keep a frame; a matte is put where it belongs, all else waits."""
        number = frame_name(self._frames[frame.index])
        pictures = {_waiting(self._name, number): png_bytes(frame.code)}
        if frame.matte is not None:
            pictures[f"shadow/{number}"] = frame.matte
        if frame.wipe is not None:
            pictures[_waiting("wipe", number)] = frame.wipe
        for name, data in pictures.items():
            self._folder.write_bytes(name, data)
        self._ledger.add(frame.index, KeptFrame(tuple(pictures)))

    def pictures(self, name: str, first: int = 0) -> Iterator[Pixels8]:
        """Pictures called ``name`` that are kept, from an index on."""
        for index in range(first, len(self._frames)):
            yield self._picture(name, index)

    def _picture(self, name: str, index: int) -> Pixels8:
        return read_png(self._folder.place(_waiting(name, frame_name(self._frames[index]))))

    def close(self) -> None:
        """Let go of the ledger; what was kept stays for a run that goes on."""
        self._ledger.close(finished=False)


def forget_frames(folder: OutputFolder) -> None:
    """Remove all frames that wait, and what says of what run they are."""
    for reel in _REELS:
        folder.place(_ledger(reel)).unlink(missing_ok=True)
    for name in _PICTURES:
        for place in (folder.path / _WAITING).glob(f"{name}-*.png"):
            place.unlink(missing_ok=True)
    # other commands' pictures may wait there too
    with suppress(OSError):
        (folder.path / _WAITING).rmdir()


def _ledger(reel: str) -> str:
    return ledger_name(f"plate-{reel}")


def _waiting(name: str, number: str) -> str:
    return f"{_WAITING}/{name}-{number}"
