"""The frames of a hold made ready for the solver: what each sees of the bridge, and what its outline is judged by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.errors import JudgeError
from previz.judge.breaks import sides_of
from previz.judge.ends import ends_of, just_inside
from previz.judge.fields import reach_px
from previz.judge.frame import wall_px_per_m
from previz.judge.ordinary import OrdinaryWall
from previz.judge.outline import outline_of
from previz.judge.viewer import Viewer
from previz.look.sight import SightLines
from previz.look.view import Engine
from previz.paint.framemodel import FrameModel, texel_looks
from previz.paint.freewall import FreeWall
from previz.paint.sensitivity import FrameBreak
from previz.paint.solver import HeldFrame
from previz.workshop.surface import BRIDGE as BRIDGE_LAYER
from previz.workshop.surface import WALL as WALL_LAYER

Array = NDArray[np.float64]

# pixels around the bridge that the windows inside its outline can see, past a narrow bridge
_AROUND_PX = 30


def held_frames(
    cameras: Sequence[tuple[int, Camera]],
    engine: Engine,
    sight: SightLines,
    ordinary: OrdinaryWall,
    surfaces: tuple[str, str, str],
    texture_px: tuple[int, int],
    bridge_px: Array,
    free_wall: FreeWall | None = None,
) -> list[HeldFrame]:
    """Frames, given as (number, camera), made ready to solve a paint for.

    ``surfaces`` are the names of the wall, the clean wall and the bridge as ``engine`` knows them; ``sight`` knows wall
    and bridge. ``texture_px`` (width, height) is the bridge's map, ``bridge_px`` (V, 3) m its vertices. The engine is
    left with a black bridge. Frames without an outline are left out. With a ``free_wall`` the frames look at its texels
    too (:func:`previz.paint.freewall.in_one_row` counts them).
    """
    wall, clean_wall, bridge = surfaces
    width, height = texture_px
    # without light of its own the bridge only takes the wall's away: what is left is what the paint adds to
    engine.repaint(bridge, np.zeros((height, width, 3), dtype=np.uint8))
    frames: list[HeldFrame] = []
    for number, whole in cameras:
        viewer = Viewer(whole.height_px)
        camera, first = _cropped(whole, bridge_px, reach_px(viewer))
        if camera is None:
            continue
        dark = engine.draw(camera, (wall, bridge))
        clean_view = engine.draw(camera, (clean_wall,))
        clean = np.clip(clean_view.colour, 0.0, 1.0)
        outline = outline_of(dark.cover(BRIDGE_LAYER), viewer)
        try:
            limits = ordinary.at(wall_px_per_m(outline, camera, sight, wall))
        except JudgeError:
            continue
        sides = sides_of(np.clip(dark.colour, 0.0, 1.0), clean, outline, viewer)
        # what the solver draws again and again is as small as can be
        around = _AROUND_PX if free_wall is None else reach_px(viewer)
        inner, corner = _cropped(camera, bridge_px, around)
        if inner is None:
            continue
        part = (slice(corner[1], corner[1] + inner.height_px), slice(corner[0], corner[0] + inner.width_px))
        seen = _part(dark.layer == BRIDGE_LAYER, part, dark.samples)
        looks = texel_looks(inner, seen, sight, bridge, texture_px)
        origin = first[0] + corner[0], first[1] + corner[1]
        model = FrameModel(origin, np.ascontiguousarray(np.clip(dark.colour[part], 0.0, 1.0)), (looks,))
        if free_wall is not None:
            of_wall = _part(dark.layer == WALL_LAYER, part, dark.samples)
            shaded = free_wall.shaded(texel_looks(inner, of_wall, sight, wall, free_wall.size_px))
            of_clean = _part(clean_view.layer == WALL_LAYER, part, dark.samples)
            clean_looks = texel_looks(inner, of_clean, sight, wall, free_wall.size_px)
            model = FrameModel(origin, np.zeros_like(model.fixed), (looks, shaded), clean_looks)
        place = just_inside(outline, camera, sight, bridge)
        ends = ends_of(outline, camera, place)
        judged = FrameBreak(outline, sides, limits, viewer, model.size_px, corner, ends)
        frames.append(HeldFrame(number, model, judged, place))
    return frames


def _part(layer: NDArray[np.bool_], part: tuple[slice, slice], samples: int) -> NDArray[np.bool_]:
    rows, columns = part
    return layer[
        rows.start * samples : rows.stop * samples, columns.start * samples : columns.stop * samples
    ]


def _cropped(camera: Camera, points: Array, margin: int) -> tuple[Camera | None, tuple[int, int]]:
    """The part of a camera's frame that shows points (V, 3) m and ``margin`` px around them, and its first pixel.

    None where they are out of the frame.
    """
    ahead = points[camera.depth(points) > 1e-3]
    if len(ahead) == 0:
        return None, (0, 0)
    px = camera.project(ahead)
    low = np.clip(np.floor(px.min(axis=0)) - margin, 0, None).astype(int)
    high = np.minimum(np.ceil(px.max(axis=0)) + margin, [camera.width_px, camera.height_px]).astype(int)
    if np.any(high - low < 4):
        return None, (0, 0)
    cropped = replace(
        camera,
        centre_x_px=camera.centre_x_px - float(low[0]),
        centre_y_px=camera.centre_y_px - float(low[1]),
        width_px=int(high[0] - low[0]),
        height_px=int(high[1] - low[1]),
    )
    return cropped, (int(low[0]), int(low[1]))
