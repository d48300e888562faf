"""Paint as it is laid: under a real brush and from a real palette, where the scene states them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.command.paint.solving import USUAL_BRUSH, SolvedPaint, reflectance_of
from previz.paint.brush import brushed
from previz.paint.palette import Palette, labelled, palette_of
from previz.paint.patches import merged
from previz.stage.prepare import Painter, ReadySet, sight_of
from previz.workshop.charts import PADDING_PX
from previz.workshop.surface import Picture
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

    def laid(self, paint: SolvedPaint) -> LaidPaint:
        """The paint as the scene has it laid, and its numbers for the guide."""
        reflectance = reflectance_of(paint.bridge, self._painter.light)
        paints = palette_of(reflectance, self._weight, self.palette or _USUAL_PALETTE)
        region = self._numbers(reflectance, paints, self.brush)
        if not self.changes:
            return LaidPaint(reflectance, paint, paints, region, self._painter)
        if self.palette is not None:
            reflectance = _numbered(reflectance, paints, region)
        else:
            reflectance = self._brushed(reflectance)
        return LaidPaint(reflectance, self._lit(reflectance, paint), paints, region, self._painter)

    def lit(self, paint: SolvedPaint, brush: float | None = None, palette: int | None = None) -> SolvedPaint:
        """The paint as it looks when it is laid, with another ``brush`` (m) or another number of paints than the
        scene's where they are given."""
        brush, palette = brush or self.brush, palette or self.palette
        if brush is None and palette is None:
            return paint
        reflectance = reflectance_of(paint.bridge, self._painter.light)
        if palette is None:
            return self._lit(self._brushed(reflectance, brush), paint)
        paints = palette_of(reflectance, self._weight, palette)
        region = self._numbers(reflectance, paints, brush)
        return self._lit(_numbered(reflectance, paints, region), paint)

    def _numbers(self, reflectance: Picture, paints: Palette, brush: float | None) -> NDArray[np.int16]:
        """Which paint (H, W) goes where, in patches that the brush can lay."""
        valid, wide = self._painter.texels.valid, (brush or USUAL_BRUSH) / self._texel
        return merged(labelled(reflectance, valid, paints, wide, self._owner), valid, wide, self._owner)

    def _brushed(self, reflectance: Picture, brush: float | None = None) -> Picture:
        wide = (brush or self.brush or USUAL_BRUSH) / self._texel
        return brushed(reflectance, self._painter.texels.valid, wide, self._owner)

    def _lit(self, reflectance: Picture, paint: SolvedPaint) -> SolvedPaint:
        return SolvedPaint(colour.encoded8(reflectance * self._painter.light), paint.wall)


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
