"""The film inside a page: every frame with the bridge and without it, in one H.264 stream that is sought by frame.

A frame's two pictures follow one another in the stream, so that the second costs hardly more than what the bridge
changes, and both are coded in the same way; which of them is first changes from frame to frame, so that neither kind is
always the better one. A group of ``GROUP`` frames begins with a picture that needs no other: a page decodes by groups.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import av
import numpy as np

from previz.deliver.shoot.pagedata import WIDEST_PX, CleanPatch, base64_text, smaller
from previz.run.film import film_bytes
from previz.workshop.surface import Pixels8

# frames that are decoded together: the longest that a jump to any of them takes
GROUP = 8

# x264's constant rate factor: no better than this, which is near invisible loss on painted rock (common practice);
# and no worse before the pictures are made smaller
_BEST, _WORST = 16, 28
# of the frames' width, from the widest down; the last is taken as coarse as need be
_SCALES = (1.0, 0.833, 0.667, 0.5, 0.333, 0.25)
_COARSEST = 44
# a step of the rate factor changes the size by about so much (measured: 960 px wide slate, from 20 to 30)
_PER_STEP = 0.89


@dataclass(frozen=True)
class PageFilm:
    """A film for a page: the file ``mp4``, and where in it each picture lies, in the order of decoding.

    ``samples`` are (offset, size) in bytes, two a frame; ``avcc`` is the decoder's configuration (ISO/IEC 14496-15,
    5.3.3.1) and ``codec`` its name (RFC 6381, 3.3); the picture is ``width_px`` by ``height_px``; ``quality`` is x264's
    constant rate factor.
    """

    mp4: bytes
    samples: tuple[tuple[int, int], ...]
    avcc: bytes
    width_px: int
    height_px: int
    rate: Fraction
    quality: int

    @property
    def codec(self) -> str:
        """The codec's name as browsers are asked for it: profile, constraints and level of the configuration."""
        return f"avc1.{self.avcc[1:4].hex()}"

    def data(self) -> dict[str, Any]:
        """What ``film.js`` takes. ``sizes`` are those of the samples, which follow one another from ``from`` on."""
        ends = [offset + size for offset, size in self.samples]
        if any(end != offset for end, (offset, _) in zip(ends, self.samples[1:], strict=False)):
            raise RuntimeError("the pictures of the film do not lie side by side in its file")
        return {
            "mp4": base64_text(self.mp4),
            "from": self.samples[0][0],
            "sizes": [size for _, size in self.samples],
            "avcc": base64_text(self.avcc),
            "codec": self.codec,
            "width": self.width_px,
            "height": self.height_px,
            "rate": float(self.rate),
            "group": GROUP,
        }


def clean_of(seen: Pixels8, patch: CleanPatch | None) -> Pixels8:
    """The frame (H, W, 3) uint8 without the bridge: the one with it, and its patch laid over."""
    if patch is None:
        return seen
    out = seen.copy()
    h, w = patch.code.shape[:2]
    there = out[patch.top : patch.top + h, patch.left : patch.left + w]
    covers = np.ones((h, w), dtype=np.bool_) if patch.code.shape[2] == 3 else patch.code[..., 3] > 0
    there[covers] = patch.code[..., :3][covers]
    return out


def is_clean(picture: int) -> bool:
    """Whether a picture of the stream, counted from 0, is the one without the bridge; its frame is ``picture // 2``."""
    return (picture % 2 == 1) == (picture // 2 % 2 == 0)


def page_film(frames: Sequence[tuple[Pixels8, CleanPatch | None]], rate: Fraction, room: int) -> PageFilm:
    """The film of ``frames`` in the best size and quality that takes at most ``room`` characters of base64.

    Frames are (H, W, 3) uint8 with what changes without the bridge. Where nothing fits, the smallest comes back.
    """
    full = frames[0][0].shape[1]
    probe = _probe(len(frames))
    film: PageFilm | None = None
    for scale in _SCALES:
        width = max(round(min(full, WIDEST_PX) * scale), 16)
        worst = _COARSEST if scale == _SCALES[-1] else _WORST
        quality = _BEST
        if len(probe) < len(frames):
            told = _encoded([frames[i] for i in probe], width, rate, _BEST)
            quality = _finer(_BEST, _characters(told) * len(frames) / len(probe), room)
        while quality <= worst:
            film = _encoded(frames, width, rate, quality)
            if _characters(film) <= room:
                return film
            quality = max(quality + 1, _finer(quality, _characters(film), room))
    return film if film is not None else _encoded(frames, max(round(full * _SCALES[-1]), 16), rate, _COARSEST)


def _characters(film: PageFilm) -> float:
    # in base64, with the sizes of the samples and all
    return len(film.mp4) * 4.0 / 3.0 + 6.0 * len(film.samples) + 400.0


def _finer(quality: int, size: float, room: int) -> int:
    """The best rate factor at which a film of ``size`` at ``quality`` would fit."""
    return quality if size <= room else quality + int(np.ceil(np.log(size / room) / -np.log(_PER_STEP)))


def _probe(count: int) -> list[int]:
    """Frames that tell the size of all: three whole groups, from the beginning, the middle and the end."""
    if count <= 6 * GROUP:
        return list(range(count))
    starts = (0, (count // 2) // GROUP * GROUP, count - GROUP)
    return [start + k for start in starts for k in range(GROUP)]


def _encoded(
    frames: Sequence[tuple[Pixels8, CleanPatch | None]], width: int, rate: Fraction, quality: int
) -> PageFilm:
    def pictures() -> Iterator[Pixels8]:
        for number, (seen, patch) in enumerate(frames):
            pair = smaller(seen, width), smaller(clean_of(seen, patch), width)
            yield from pair if number % 2 == 0 else pair[::-1]

    mp4 = film_bytes(pictures(), 2 * rate, quality, keyframe_every=2 * GROUP)
    with av.open(io.BytesIO(mp4)) as film:
        stream = film.streams.video[0]
        samples = tuple((packet.pos, packet.size) for packet in film.demux(stream) if packet.size)
        avcc = bytes(stream.codec_context.extradata)
    # the coded picture has one more column or row where the frame's size is odd
    h, w = smaller(frames[0][0], width).shape[:2]
    return PageFilm(mp4, samples, avcc, w, h, rate, quality)
