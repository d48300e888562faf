"""Frames as they are delivered: drawn, shone on, and blurred by the lens and the shutter."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from previz.camera import Camera
from previz.geometry import Array
from previz.judge.frame import BEST_PAINT, Looks, Without
from previz.look.blur import LensBlur
from previz.look.rings import ringed
from previz.look.sampling import averaged_to_size
from previz.look.soft import SoftFrame, soft_frame
from previz.look.spreading import spread_as
from previz.look.view import Engine, View
from previz.stage.paintrange import PaintRange
from previz.stage.prepare import BRIDGE, CLEAN, CLEAN_WALL, WALL, WITH_BRIDGE, WITHOUT_SHADOW, ReadySet
from previz.stage.shining import Shining
from previz.workshop.compiled import compiled
from previz.workshop.surface import BRIDGE as BRIDGE_LAYER
from previz.workshop.surface import Picture

# frames whose wall moves alike to this, px, while the shutter is open are compared with the same ordinary wall
_STEP_PX = 2.0

# Frames are judged this wide, whatever width is asked for from _JUDGED_FROM_PX on: a score is the shot's, not that of
# its pictures' size. Wider frames are averaged down, narrower ones are drawn this wide and averaged for their pictures.
# Below that, where a quick look is wanted, a frame is judged as it is.
JUDGED_WIDTH_PX = 960
_JUDGED_FROM_PX = 640

# Looks each way in a pixel of a frame that is judged as it is drawn: with two, pattern finer than a pixel comes through
# as grain that no lens and sensor would show, and single frames of a shot jump. Wider frames are averaged down.
_LOOKS: Final = 3
_LOOKS_IN_WIDE: Final = 2

# a frame's looks, and what they would be with one cause of break taken away
Delivered = tuple[Looks, Without]


def judged_size(width_px: int, height_px: int) -> tuple[int, int]:
    """The size (width, height) px at which a frame of ``width_px`` x ``height_px`` is judged."""
    if width_px < _JUDGED_FROM_PX:
        return width_px, height_px
    return JUDGED_WIDTH_PX, max(round(height_px * JUDGED_WIDTH_PX / width_px), 1)


def drawn_size(width_px: int, height_px: int) -> tuple[int, int]:
    """The size (width, height) px at which it is drawn for that: never smaller than it is delivered or judged."""
    return max((width_px, height_px), judged_size(width_px, height_px))


def looks_across(width_px: int) -> int:
    """How many looks are taken each way in a pixel of a frame ``width_px`` wide."""
    return _LOOKS if width_px <= JUDGED_WIDTH_PX else _LOOKS_IN_WIDE


def averaged(shown: Delivered, size_px: tuple[int, int]) -> Delivered:
    """A frame at a smaller size (width, height) px: every pixel the mean of what it covers."""
    looks, without = shown
    if looks.cover.shape == size_px[::-1]:
        return shown

    def pair(draw: Callable[[], tuple[Picture, Picture]]) -> Callable[[], tuple[Picture, Picture]]:
        def smaller() -> tuple[Picture, Picture]:
            seen, clean = draw()
            return small(seen), small(clean)

        return smaller

    def small(picture: Picture) -> Picture:
        return averaged_to_size(np.clip(picture, 0.0, 1.0), size_px)

    smaller = Looks(*(small(picture) for picture in (looks.seen, looks.clean, looks.cover, looks.right_paint)))
    return smaller, {name: pair(draw) for name, draw in without.items()}


def delivered(
    engine: Engine,
    ready: ReadySet,
    camera: Camera,
    blur: LensBlur | None,
    shining: Shining | None = None,
    paint_range: PaintRange | None = None,
) -> Delivered:
    """A frame of the set that ``engine`` has loaded, as ``camera`` and ``blur`` give it; None is no blur at all.

    What ``shining`` lays on the set stays there: what is drawn later on for a tell is drawn with it, too. With a
    ``paint_range`` there is a frame of the best that paint can do.
    """
    without: dict[str, Callable[[], tuple[Picture, Picture]]] = {}
    shines = shining is not None and shining.any
    if shining is not None and shines:
        shining.lay(engine, camera.position)
    soft = None if blur is None else blurred(engine, ready, blur)
    if soft is None:
        looks = _sharp(engine, camera)
        if ready.wall.shadows:
            without["shadow"] = lambda: (_drawn(engine, camera, WITHOUT_SHADOW).colour, looks.clean)
    else:
        looks = _looks(soft)
        if ready.wall.shadows:
            without["shadow"] = lambda: (soft.without_shadow().colour, looks.clean)
        without["focus"] = soft.in_focus
    if shining is not None and shines:
        without["shine"] = lambda: _matt(engine, ready, camera, blur, shining)
    if shining is not None and paint_range is not None and paint_range.any:
        without[BEST_PAINT] = lambda: (paint_range.as_right_as_can_be(looks, engine, camera, shining), looks.clean)
    return looks, without


def _matt(
    engine: Engine, ready: ReadySet, camera: Camera, blur: LensBlur | None, shining: Shining
) -> tuple[Picture, Picture]:
    """The frame as it would be if all paint were matt."""
    with shining.matt(engine):
        soft = None if blur is None else blurred(engine, ready, blur)
        looks = _sharp(engine, camera) if soft is None else _looks(soft)
    return looks.seen, looks.clean


def blurred(engine: Engine, ready: ReadySet, blur: LensBlur) -> SoftFrame | None:
    """The frame's layers, blurred; None where nothing of the set is blurred enough to be seen."""
    wall, bridge = ready.built.wall, ready.built.bridge.surface
    shadowed = WALL if ready.wall.shadows else CLEAN_WALL
    names, samples = (shadowed, CLEAN_WALL, BRIDGE), looks_across(blur.camera.width_px)
    return soft_frame(engine, blur, names, wall.corners, bridge.corners, samples)


def _sharp(engine: Engine, camera: Camera) -> Looks:
    with_bridge, clean = _drawn(engine, camera, WITH_BRIDGE), _drawn(engine, camera, CLEAN)
    return Looks.sharp(with_bridge.colour, clean.colour, with_bridge.cover(BRIDGE_LAYER))


def _drawn(engine: Engine, camera: Camera, names: Sequence[str]) -> View:
    return engine.draw(camera, names, looks_across(camera.width_px))


def seen_in(soft: SoftFrame) -> Picture:
    """The set with the bridge, (H, W, 3) linear light, in a frame's blurred layers."""
    return _looks(soft).seen


def _looks(soft: SoftFrame) -> Looks:
    seen, clean, right_paint = (np.empty_like(soft.clean) for _ in range(3))
    _lay(soft.wall, soft.clean, soft.bridge, soft.cover, seen, clean, right_paint)
    return Looks(seen, clean, soft.cover, right_paint)


@compiled
def _lay(wall, clean_wall, bridge, cover, seen, clean, right_paint):  # type: ignore[no-untyped-def]
    """Fill in a frame's looks (H, W, 3) from its layers, in one pass: light beyond white is white."""
    one, none = np.float32(1.0), np.float32(0.0)
    for y in range(cover.shape[0]):
        for x in range(cover.shape[1]):
            share = cover[y, x]
            for c in range(3):
                beside = wall[y, x, c] * (one - share)
                seen[y, x, c] = min(max(beside + bridge[y, x, c], none), one)
                clean[y, x, c] = min(max(clean_wall[y, x, c], none), one)
                right_paint[y, x, c] = min(max(beside + clean_wall[y, x, c] * share, none), one)


def blurred_square_on(picture: Picture, blur: LensBlur, px_per_m: float) -> Picture:
    """A wall drawn square on, (H, W, 3), as blurred as the lens would show it at ``px_per_m``."""
    kernel = blur.kernel(blur.camera.focal_px / px_per_m)
    return np.clip(ringed(convolved(picture, kernel), blur.wave_px()), 0.0, 1.0)


def convolved(picture: Picture, kernel: Array) -> Picture:
    """A picture (H, W, 3) with every point spread as ``kernel`` (2k + 1, 2k + 1) says; its rim goes on."""
    if kernel.size == 1:
        return picture
    return np.asarray(np.clip(spread_as(picture, kernel), 0.0, 1.0), dtype=np.float32)


def at_rest(blur: LensBlur | None) -> LensBlur | None:
    """The same lens with nothing moving: focus and diffraction are left; None where that leaves nothing."""
    return None if blur is None or blur.focus is None else replace(blur, moments=())


def as_moving(blur: LensBlur | None, depth: float) -> tuple[int, int]:
    """How far a point at ``depth`` m moves while the shutter is open, across and down, in steps of two pixels."""
    if blur is None or not blur.moments:
        return (0, 0)
    path = blur.path_px(depth)
    across, down = np.rint(np.abs(path[-1] - path[0]) / _STEP_PX).astype(int)
    return int(across), int(down)
