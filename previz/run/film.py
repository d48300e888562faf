"""Films: H.264 in MP4, tagged and converted as ITU-R BT.709, frame by frame from an iterator.

The code values of the frames are kept: what a pixel shows in a still is what it shows in the film. Only the
matrix and the range change, by BT.709 (primaries, transfer, matrix 1; limited range). Frames of odd size
get one more column or row, a copy of the last, because 4:2:0 colour comes in blocks of two by two; no
picture is lost.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import IO, Any

import av
import numpy as np
from av.video.reformatter import ColorRange, Colorspace, Interpolation, VideoReformatter

from previz.errors import OutputError
from previz.run.frames import Pixels8
from previz.run.output import OutputFolder, output_error

# ITU-T H.273, tables 2, 3 and 4: value 1 is BT.709 in all three
_BT709 = 1

# Near invisible loss on painted rock; common practice, no source
_QUALITY = 16

# A fixed number of threads: x264 gives the same bytes for the same number, whatever the machine has
_THREADS = 2

_EXACT = (
    Interpolation.BICUBIC | Interpolation.ACCURATE_RND | Interpolation.FULL_CHR_H_INP | Interpolation.BITEXACT
)


def even(picture: Pixels8) -> Pixels8:
    """The picture (H, W, 3) with height and width made even by repeating the last row and column."""
    h, w = picture.shape[:2]
    if h % 2 == 0 and w % 2 == 0:
        return picture
    return np.pad(picture, ((0, h % 2), (0, w % 2), (0, 0)), mode="edge")


def write_film(
    folder: OutputFolder, name: str, frames: Iterable[Pixels8], rate: Fraction, quality: int = _QUALITY
) -> Path:
    """Write ``frames``, (H, W, 3) uint8 sRGB codes all of one size, as the film ``name``; gives its place.

    ``rate`` is frames a second, exact (``Fraction(24000, 1001)``); ``quality`` is x264's constant rate factor,
    smaller is better. A keyframe comes every half second, so that a player can step to and fro.
    The same frames give the same bytes. Raises :class:`OutputError` where the film cannot be written.
    """
    with growing_film(folder, name, rate, quality) as add:
        for frame in frames:
            add(frame)
    return folder.place(name)


@contextmanager
def growing_film(
    folder: OutputFolder, name: str, rate: Fraction, quality: int = _QUALITY
) -> Iterator[Callable[[Pixels8], None]]:
    """The film that :func:`write_film` writes, of the frames that what this yields is called with; it is there, whole,
    when the block ends."""
    place = folder.place(name)
    # "bitexact" leaves out the writer's version and the time of day; with "faststart" it plays while it loads
    options = {"movflags": "+faststart", "fflags": "+bitexact"}
    coding = {"g": str(max(1, round(rate / 2)))}
    with folder.replacing(name) as temporary:
        with _told(place):
            film = _Film(str(temporary), Fraction(rate), quality, options, coding)

        def add(frame: Pixels8) -> None:
            with _told(place):
                film.add(frame)

        try:
            yield add
            with _told(place):
                film.end()
        finally:
            with _told(place):
                film.close()


@contextmanager
def _told(place: Path) -> Iterator[None]:
    """What goes wrong in the encoder told as what cannot be written."""
    try:
        yield
    except av.error.FFmpegError as error:
        if error.errno and error.errno > 0:
            raise output_error(OSError(error.errno, error.strerror), place) from error
        raise OutputError(f"cannot write {place}: {error.strerror or error}") from error


def film_bytes(frames: Iterable[Pixels8], rate: Fraction, quality: int, keyframe_every: int) -> bytes:
    """Frames as :func:`write_film` takes them as the bytes of a film in which no picture waits for a later one.

    Every ``keyframe_every`` pictures one needs no other, and only there, so that a decoder may begin at any of these.
    """
    out = io.BytesIO()
    # no picture is predicted from a later one, none needs no other but those asked for
    more = {"g": str(keyframe_every), "bf": "0", "sc_threshold": "0"}
    film = _Film(out, Fraction(rate), quality, {"fflags": "+bitexact"}, more)
    try:
        for frame in frames:
            film.add(frame)
        film.end()
    finally:
        film.close()
    return out.getvalue()


class _Film:
    """A film that is being written to ``target``; :meth:`end` it, and :meth:`close` it whatever happens."""

    def __init__(
        self, target: str | IO[bytes], rate: Fraction, quality: int, options: dict[str, str], coding: Mapping[str, str]
    ) -> None:
        self._rate, self._quality, self._coding = rate, quality, coding
        self._film = av.open(target, "w", format="mp4", options=options)
        self._convert = VideoReformatter()
        self._stream: Any = None
        self._size = (0, 0)
        self._count = 0

    def add(self, frame: Pixels8) -> None:
        """Add a frame, (H, W, 3) uint8, all of one size."""
        if frame.dtype != np.uint8 or frame.ndim != 3 or frame.shape[2] != 3:
            raise ValueError(f"a frame of a film is (H, W, 3) uint8, not {frame.shape} {frame.dtype}")
        if self._stream is None:
            self._size = (frame.shape[0], frame.shape[1])
            self._stream = _stream(self._film, self._size, self._rate, self._quality, self._coding)
        elif frame.shape[:2] != self._size:
            raise ValueError(f"every frame of a film has one size: {self._size} at first, now {frame.shape[:2]}")
        rgb = av.VideoFrame.from_ndarray(np.ascontiguousarray(even(frame)), format="rgb24")
        yuv = self._convert.reformat(
            rgb,
            format="yuv420p",
            src_colorspace=Colorspace.ITU709,
            dst_colorspace=Colorspace.ITU709,
            src_color_range=ColorRange.JPEG,
            dst_color_range=ColorRange.MPEG,
            interpolation=_EXACT,
            threads=1,
        )
        yuv.pts = self._count
        yuv.time_base = 1 / self._rate
        self._film.mux(self._stream.encode(yuv))
        self._count += 1

    def end(self) -> None:
        """Write what is left of it."""
        if self._stream is None:
            raise ValueError("a film needs at least one frame")
        self._film.mux(self._stream.encode(None))

    def close(self) -> None:
        """Close the file."""
        self._film.close()


def _stream(
    film: Any, size: tuple[int, int], rate: Fraction, quality: int, coding: Mapping[str, str]
) -> Any:
    stream = film.add_stream("libx264", rate=rate)
    stream.height, stream.width = size[0] + size[0] % 2, size[1] + size[1] % 2
    stream.pix_fmt = "yuv420p"
    stream.time_base = 1 / rate
    stream.options = {
        "preset": "faster",
        "crf": str(quality),
        "threads": str(_THREADS),
        # on processors with AVX-512 x264's macroblock tree reads memory that it has not written: other bytes each time
        "mbtree": "0",
        **coding,
    }
    codec = stream.codec_context
    codec.color_primaries = codec.color_trc = codec.colorspace = _BT709
    codec.color_range = ColorRange.MPEG
    return stream
