"""The films of a shoot, written as its frames come: to read a picture back takes as long as to encode it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from fractions import Fraction

from previz.run.film import growing_film
from previz.run.frames import read_frame
from previz.run.output import OutputFolder
from previz.workshop.surface import Pixels8


class Films:
    """The films of both series. Frames come in any order; one that comes before its turn is read back in it."""

    def __init__(
        self, folder: OutputFolder, frames: Sequence[int], there: set[int], add: Sequence[Callable[[Pixels8], None]]
    ) -> None:
        self._folder, self._frames, self._there, self._add = folder, frames, set(there), add
        self._next = 0

    def came(self, frame: int, lens: Pixels8, side: Pixels8) -> None:
        """A frame has been written, with these pictures of the two series."""
        self._read_back(frame)
        if self._next < len(self._frames) and self._frames[self._next] == frame:
            for add, picture in zip(self._add, (lens, side), strict=True):
                add(picture)
            self._next += 1
        self._there.add(frame)

    def rest(self) -> None:
        """All frames are there."""
        self._read_back(None)

    def _read_back(self, until: int | None) -> None:
        while self._next < len(self._frames):
            frame = self._frames[self._next]
            if frame == until or frame not in self._there:
                return
            for add, series in zip(self._add, ("lens", "side"), strict=True):
                add(read_frame(self._folder, series, frame))
            self._next += 1


@contextmanager
def growing_films(
    folder: OutputFolder, frames: Sequence[int], there: set[int], rate: Fraction
) -> Iterator[Films]:
    """The films of ``frames``, of which some are ``there`` already; whole when the block ends."""
    with growing_film(folder, "lens.mp4", rate) as lens, growing_film(folder, "side.mp4", rate) as side:
        yield Films(folder, frames, there, (lens, side))
