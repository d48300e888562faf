"""Paint as it is laid: under a real brush and from a real palette, where the scene states them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.command.paint.solving import USUAL_BRUSH, SolvedPaint, reflectance_of
from previz.geometry import Array
from previz.paint.brush import numbered_brushstrokes
from previz.paint.palette import Palette, in_order, labelled, numbered_strokes, palette_of
from previz.paint.patches import merged
from previz.stage.prepare import Painter, ReadySet, sight_of
from previz.workshop.charts import PADDING_PX
from previz.workshop.surface import Picture, Pixels8
from previz.workshop.texels import texel_owners

# paints of the numbered guide where the scene states no palette
_USUAL_PALETTE = 12

# what no frame sees counts little when colours are chosen
_UNSEEN = 0.02


@dataclass(frozen=True, eq=False)
class LaidPaint:
    """A paint as it is laid: reflectance (H, W, 3), palette and its numbers (H, W), and all of it as it is ``lit``."""

    reflectance: Picture
    lit: SolvedPaint
    paints: Palette
    region: NDArray[np.int16]
    painter: Painter


@dataclass(frozen=True, eq=False)
class LaidStrokes:
    """A bridge in strokes: ``number`` (H, W) int32 of the one that each texel lies in, -1 where there is none.

    ``paints`` (N,) int32 is the row of ``reflectance`` (K, 3) that each is painted with; where ``own`` is set each has
    its own. ``ground`` (H, W, 3) is the reflectance where there is no stroke, ``wall`` the wall's picture where it is
    painted over.
    """

    number: NDArray[np.int32]
    paints: NDArray[np.int32]
    reflectance: Array
    own: bool
    ground: Picture
    wall: Pixels8 | None

    @property
    def picture(self) -> Picture:
        """Reflectance (H, W, 3) all over."""
        laid = self.reflectance[self.paints].astype(np.float32)[np.maximum(self.number, 0)]
        return np.where(self.number[..., None] >= 0, laid, self.ground)


class LayingHand:
    """Lays paints on one set, with its scene's brush and palette or with others. ``seen`` (H, W) are the texels that
    some frame sees."""

    def __init__(self, ready: ReadySet, seen: NDArray[np.bool_]) -> None:
        self.brush, self.palette = ready.scene.paint.brush, ready.scene.paint.palette
        self._texel = ready.built.bridge.texel
        self._painter = Painter(ready.built, ready.wall, sight_of(ready.built))
        valid = self._painter.texels.valid
        self._weight = np.where(valid, np.where(seen, 1.0, _UNSEEN), 0.0).astype(np.float32)
        self._owner = _charts_of(ready, *valid.shape[::-1])

    @property
    def changes(self) -> bool:
        """Whether brush or palette leave anything of a paint undone."""
        return self.brush is not None or self.palette is not None

    @property
    def light(self) -> Picture:
        """Light (H, W, 3) on the bridge's map."""
        return self._painter.light

    def strokes(self, paint: SolvedPaint, brush: float | None = None, palette: int | None = None) -> LaidStrokes:
        """A paint in strokes, with another ``brush`` (m) or another number of paints than the scene's where they are
        given."""
        brush, palette = brush or self.brush, palette or self.palette
        reflectance, valid = reflectance_of(paint.bridge, self._painter.light), self._painter.texels.valid
        wide = (brush or USUAL_BRUSH) / self._texel
        if palette is None:
            number, colours = numbered_brushstrokes(reflectance, valid, wide, self._owner)
            own = np.arange(len(colours), dtype=np.int32)
            return LaidStrokes(number, own, colours, True, reflectance, paint.wall)
        paints = palette_of(reflectance, self._weight, palette)
        number, rows = numbered_strokes(reflectance, valid, paints, wide, self._owner)
        return LaidStrokes(number, rows, paints.reflectance, False, reflectance, paint.wall)

    def lit(self, strokes: LaidStrokes) -> SolvedPaint:
        """Strokes as they are lit."""
        return self._lit(strokes.picture, strokes.wall)

    def laid(self, paint: SolvedPaint | LaidStrokes) -> LaidPaint:
        """The paint as the scene has it laid, and its numbers for the guide."""
        valid, wide = self._painter.texels.valid, (self.brush or USUAL_BRUSH) / self._texel
        if isinstance(paint, LaidStrokes) and not paint.own:
            paints, rows = in_order(paint.reflectance)
            number = np.where(paint.number >= 0, rows[paint.paints][np.maximum(paint.number, 0)] + 1, 0)
            region = merged(number.astype(np.int16), valid, wide, self._owner)
            reflectance = _numbered(paint.ground, paints, region)
            return LaidPaint(reflectance, self._lit(reflectance, paint.wall), paints, region, self._painter)
        if isinstance(paint, LaidStrokes):
            reflectance, lit = paint.picture, self.lit(paint)
        else:
            reflectance, lit = reflectance_of(paint.bridge, self._painter.light), paint
        paints = palette_of(reflectance, self._weight, self.palette or _USUAL_PALETTE)
        region = merged(labelled(reflectance, valid, paints, wide, self._owner), valid, wide, self._owner)
        return LaidPaint(reflectance, lit, paints, region, self._painter)

    def _lit(self, reflectance: Picture, wall: Pixels8 | None) -> SolvedPaint:
        return SolvedPaint(colour.encoded8(reflectance * self._painter.light), wall)


def _numbered(reflectance: Picture, paints: Palette, region: NDArray[np.int16]) -> Picture:
    """A picture (H, W, 3) in the paints that its texels are numbered with; where there is no number, as it was."""
    laid = paints.reflectance[np.maximum(region, 1) - 1].astype(np.float32)
    return np.where(region[..., None] > 0, laid, reflectance)


def _charts_of(ready: ReadySet, width: int, height: int) -> NDArray[np.int32]:
    """The chart (H, W) that each texel of the bridge's map belongs to, -1 for none."""
    faces = texel_owners(ready.built.bridge.surface, width, height, margin=True)
    owner = np.full((height, width), -1, dtype=np.int32)
    for number, chart in enumerate(ready.built.bridge.charts):
        window = chart.window(PADDING_PX // 2)
        owner[window] = np.where(faces[window] >= 0, number, owner[window])
    return owner
