"""Pictures of the best so far, kept on disk: a search looks at thousands of candidates and shows the best of them."""

from __future__ import annotations

from bisect import insort
from contextlib import suppress

import numpy as np
from PIL import Image

from previz.run.frames import png_bytes, read_png
from previz.run.output import OutputFolder
from previz.workshop.surface import Pixels8

# pictures wider than this are halved until they are not: no sheet shows one larger
_WIDEST = 1600

_FOLDER = "unfinished"


class Shelf:
    """Holds the pictures of the ``room`` best; ``key`` of a picture sorts the best first."""

    def __init__(self, folder: OutputFolder, room: int) -> None:
        self._folder = folder
        self._room = room
        self._kept: list[tuple[tuple[float, ...], int]] = []

    def put(self, key: tuple[float, ...], number: int, picture: Pixels8) -> None:
        """Keep the picture (H, W, 3) of candidate ``number``, as long as it is among the best."""
        while picture.shape[1] > _WIDEST:
            picture = np.asarray(Image.fromarray(picture).reduce(2))
        self._folder.write_bytes(self._name(number), png_bytes(picture))
        self.remember(key, number)

    def remember(self, key: tuple[float, ...], number: int) -> None:
        """Take up a picture that is there already."""
        insort(self._kept, (key, number))
        if len(self._kept) > self._room:
            self._folder.place(self._name(self._kept.pop()[1])).unlink(missing_ok=True)

    def has(self, number: int) -> bool:
        """Whether the picture is there."""
        return self._folder.has(self._name(number))

    def picture(self, number: int) -> Pixels8 | None:
        """The picture, None where it is not among the best or there never was one."""
        if not any(number == kept for _, kept in self._kept):
            return None
        return read_png(self._folder.place(self._name(number)))

    def clear(self) -> None:
        """Remove the pictures."""
        for _, number in self._kept:
            self._folder.place(self._name(number)).unlink(missing_ok=True)
        self._kept = []
        with suppress(OSError):
            (self._folder.path / _FOLDER).rmdir()

    def _name(self, number: int) -> str:
        return f"{_FOLDER}/{number:04d}.png"
