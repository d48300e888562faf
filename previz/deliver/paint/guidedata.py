"""What a painting guide is drawn from: plain data, all lengths in metres."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz.draw.paper import TitleBlock
from previz.geometry import Array
from previz.workshop.surface import Pixels8

Mark = tuple[str, float, float]
Place = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class PaintSwatch:
    """One paint of the palette: its ``number`` (from 1), sRGB ``code`` (8 bit), CIELAB and a recipe in words or ""."""

    number: int
    code: tuple[int, int, int]
    lab: tuple[float, float, float]
    recipe: str = ""


@dataclass(frozen=True, eq=False)
class GuideFace:
    """One flat face of the bridge (a chart of :mod:`previz.workshop.charts`) at true size.

    ``code`` (h, w, 3) uint8 sRGB is its paint, ``region`` (h, w) int16 the swatch number of every texel, 0 where it is
    not painted, ``seen`` (h, w) bool what some frame of the hold sees; texels are squares of ``texel`` m and cover
    the face from its top left corner, so the picture may be up to a texel larger than ``size`` (width, height) m.
    ``outline`` (K, 2) m goes round the face, right and down from that corner; ``marks`` are (name, x, y) there.
    ``rightwards`` and ``downwards`` say where those directions lead. ``place`` (K, 3) m is the outline in the set's
    axes, ``facing`` (3,) where the face looks, ``visible`` whether any frame of the whole move sees it.
    """

    name: str
    code: Pixels8
    region: NDArray[np.int16]
    size: tuple[float, float]
    outline: Array
    rightwards: str
    downwards: str
    seen: NDArray[np.bool_]
    texel: float
    marks: tuple[Mark, ...] = ()
    place: Array | None = None
    facing: tuple[float, float, float] = (0.0, 1.0, 0.0)
    visible: bool = True


@dataclass(frozen=True)
class GuideTube:
    """What to buy of a pigment: ``area_cm2`` that it covers on its own, and ``volume_ml``."""

    pigment: str
    area_cm2: float
    volume_ml: float


@dataclass(frozen=True, eq=False)
class GuideWall:
    """The wall around the bridge, square on, in the wall's datum plane.

    ``code`` (h, w, 3) uint8 sRGB is ``size`` (width, height) m large; its top left corner lies at set coordinates
    x = ``left``, y = ``top``. ``outline`` are polylines (K, 2) of the bridge's outline as seen from the station
    point, and ``marks`` (name, x, y), both x right and y up. ``repainted`` is the wall's new paint and ``region`` its
    swatch numbers (h, w), where the wall is painted too.
    """

    code: Pixels8
    left: float
    top: float
    size: tuple[float, float]
    outline: tuple[Array, ...]
    marks: tuple[Mark, ...] = ()
    repainted: Pixels8 | None = None
    region: NDArray[np.int16] | None = None


@dataclass(frozen=True, eq=False)
class GuideString:
    """A string from the lens through a point of the bridge's edge to the ``wall``, None where it meets no wall."""

    name: str
    lens: Place
    edge: Place
    wall: Place | None


@dataclass(frozen=True, eq=False)
class Guide:
    """All that a guide shows, the faces in the order to paint them; ``notes`` and ``errors``, what must be right and by
    how much, are plain sentences for its first page. ``tubes_note`` says what the amounts of ``tubes`` rest on."""

    title_block: TitleBlock
    faces: tuple[GuideFace, ...]
    wall: GuideWall
    swatches: tuple[PaintSwatch, ...]
    strings: tuple[GuideString, ...] = ()
    notes: tuple[str, ...] = ()
    errors: tuple[str, ...] = ()
    tubes: tuple[GuideTube, ...] = ()
    tubes_note: str = ""
