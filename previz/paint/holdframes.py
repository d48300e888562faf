"""The frames of a hold made ready for the solver: what each sees of the bridge, and what its outline is judged by."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.camera import Camera
from previz.errors import JudgeError
from previz.judge.breaks import sides_of
from previz.judge.ends import ends_of, just_inside
from previz.judge.fields import reach_px
from previz.judge.frame import wall_px_per_m
from previz.judge.ordinary import OrdinaryWall
from previz.judge.outline import outline_of
from previz.judge.viewer import Viewer
from previz.look.blur import LensBlur, cut
from previz.look.layerblur import gathered_blur, spread_blur
from previz.look.sight import SightLines
from previz.look.soft import depths_between, soft_frame, widened
from previz.look.view import Engine, View
from previz.paint.framemodel import FrameModel, Hand, LensLooks, texel_looks
from previz.paint.freewall import FreeWall
from previz.paint.sensitivity import FrameBreak
from previz.paint.solver import HeldFrame
from previz.stage.hand import MixingError
from previz.stage.misbuilt import Misbuilt, seeing_it_hung
from previz.stage.misprint import meant_points
from previz.workshop.surface import BRIDGE as BRIDGE_LAYER
from previz.workshop.surface import WALL as WALL_LAYER
from previz.workshop.surface import Picture, corners_of

Array = NDArray[np.float64]

# pixels around the bridge that the windows inside its outline can see, past a narrow bridge
_AROUND_PX = 30


@dataclass(frozen=True, eq=False)
class HeldView:
    """A ``frame`` of the hold as a ``camera`` sees it, of the whole size, through the ``blur`` of its lens and shutter;
    None where nothing is blurred.

    ``built`` is what is wrong with the build that it sees, None for nothing. Of that count how the bridge hangs, how
    the paint lies on it and how its colours are mixed.
    """

    frame: int
    camera: Camera
    blur: LensBlur | None = None
    built: Misbuilt | None = None

    def seen_from(self, moved: Callable[[Camera], Camera]) -> HeldView:
        """The same frame with its camera ``moved``, all the way while the shutter is open."""
        blur = self.blur
        if blur is not None:
            blur = replace(blur, camera=moved(blur.camera), moments=tuple(moved(moment) for moment in blur.moments))
        return replace(self, camera=moved(self.camera), blur=blur)

    @property
    def of_bridge(self) -> HeldView:
        """The view in which the bridge in its own place looks as it does where it hangs."""
        if self.built is None or not self.built.hung.any():
            return self
        return self.seen_from(partial(seeing_it_hung, hung=self.built.hung))


@dataclass(frozen=True, eq=False)
class _Hand:
    """A painter's hand that lays paint ``off`` (3,) m and turned by ``turn`` rad about ``middle`` (3,) m, and mixes its
    colours wrong by ``error``; ``around`` (3,) is the CIELAB colour that they lie around."""

    off: Array
    turn: float
    middle: Array
    error: MixingError | None
    around: Array

    @classmethod
    def of(cls, built: Misbuilt, points: Array, clean: Picture) -> _Hand:
        """The hand of a build whose bridge has vertices (V, 3) m before a ``clean`` wall (H, W, 3)."""
        error = None if built.colour == 0.0 else MixingError.drawn((*built.seed, 0), built.colour, points)
        around = colour.lab(clean.reshape(-1, 3).mean(axis=0, dtype=np.float64))
        middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
        return cls(built.print_off, built.print_turn, middle, error, np.asarray(around))

    def meant(self, points: Array) -> Array:
        """Points (M, 3) m whose paint lies there instead."""
        return meant_points(points, self.off, self.turn, self.middle)

    def mixed(self, points: Array) -> NDArray[np.float32]:
        """What an error of CIELAB is in codes, for a colour like the wall's; codes go nearly as CIELAB does."""
        if self.error is None:
            return np.zeros((len(points), 3), dtype=np.float32)
        wrong, right = (
            colour.encoded(np.clip(colour.xyz_of_lab(lab) @ colour.RGB_FROM_XYZ.T, 0.0, 1.0))
            for lab in (self.around + self.error.at(points), self.around)
        )
        return np.asarray(wrong - right, dtype=np.float32)


@dataclass(frozen=True, eq=False)
class HeldSurfaces:
    """Names of the ``wall``, the ``clean`` wall and the ``bridge`` as an engine knows them, and points (N, 3) m of wall
    and bridge. ``texture_px`` (width, height) is the bridge's map."""

    wall: str
    clean: str
    bridge: str
    wall_points: Array
    bridge_points: Array
    texture_px: tuple[int, int]


def held_frames(
    views: Sequence[HeldView],
    engine: Engine,
    sight: SightLines,
    ordinary: Callable[[LensBlur | None], OrdinaryWall],
    surfaces: HeldSurfaces,
    free_wall: FreeWall | None = None,
) -> list[HeldFrame]:
    """Frames made ready to solve a paint for.

    ``sight`` knows wall and bridge, ``ordinary`` what is ordinary on the wall as a blur shows it. The engine is left
    with a black bridge. Frames without an outline are left out. With a ``free_wall`` the frames look at its texels too
    (:func:`previz.paint.freewall.in_one_row` counts them).
    """
    width, height = surfaces.texture_px
    # without light of its own the bridge only takes the wall's away: what is left is what the paint adds to
    engine.repaint(surfaces.bridge, np.zeros((height, width, 3), dtype=np.uint8))
    found = (_held_frame(view, engine, sight, ordinary(view.blur), surfaces, free_wall) for view in views)
    return [frame for frame in found if frame is not None]


@dataclass(frozen=True, eq=False)
class _Dark:
    """A crop of a frame with a black bridge, linear light: ``seen`` and ``clean`` (H, W, 3), the bridge's ``cover``
    (H, W)."""

    seen: Picture
    clean: Picture
    cover: NDArray[np.float32]


def _held_frame(
    view: HeldView,
    engine: Engine,
    sight: SightLines,
    ordinary: OrdinaryWall,
    surfaces: HeldSurfaces,
    free_wall: FreeWall | None,
) -> HeldFrame | None:
    viewer = Viewer(view.camera.height_px)
    blur, spill = _blurring(view, surfaces)
    # the bridge as it hangs is the bridge in its own place seen from elsewhere
    bridged = view.of_bridge
    camera, first = _cropped(bridged.camera, surfaces.bridge_points, reach_px(viewer) + spill)
    if camera is None:
        return None
    camera, bridge_camera = (_same_part(each.camera, first, camera) for each in (view, bridged))
    blurs = None if blur is None else tuple(_cut(each.blur, first, camera) for each in (view, bridged))
    dark = _dark(blurs, camera, bridge_camera, engine, surfaces)
    outline = outline_of(dark.cover, viewer)
    try:
        limits = ordinary.at(wall_px_per_m(outline, camera, sight, surfaces.wall))
    except JudgeError:
        return None
    sides = sides_of(dark.seen, dark.clean, outline, viewer)
    # what the solver draws again and again is as small as can be
    around = spill + (_AROUND_PX if free_wall is None else reach_px(viewer))
    inner_bridge, corner = _cropped(bridge_camera, surfaces.bridge_points, around)
    if inner_bridge is None:
        return None
    inner = _same_part(camera, corner, inner_bridge)
    part = slice(corner[1], corner[1] + inner.height_px), slice(corner[0], corner[0] + inner.width_px)
    origin = first[0] + corner[0], first[1] + corner[1]
    lens = _Lens(None if blur is None else _cut(view.blur, origin, inner), inner, spill, engine, sight)
    of_bridge = replace(
        lens, blur=None if blur is None else _cut(bridged.blur, origin, inner), camera=inner_bridge,
        hand=None if view.built is None else _Hand.of(view.built, surfaces.bridge_points, dark.clean),
    )  # fmt: skip
    looks = of_bridge.looks((surfaces.wall, surfaces.bridge), surfaces.bridge, BRIDGE_LAYER, surfaces.texture_px)
    model = FrameModel(origin, np.ascontiguousarray(dark.seen[part]), (looks,))
    if free_wall is not None:
        bare = np.ascontiguousarray(1.0 - dark.cover[part])
        # as it hangs, the bridge is not where it is drawn
        whole = blur is not None or bridged is not view
        names = (surfaces.wall,) if whole else (surfaces.wall, surfaces.bridge)
        of_wall = lens.looks(names, surfaces.wall, WALL_LAYER, free_wall.size_px)
        shaded = LensLooks(free_wall.shaded(of_wall.samples), of_wall.blur, bare if whole else None)
        clean_looks = lens.looks((surfaces.clean,), surfaces.wall, WALL_LAYER, free_wall.size_px)
        model = FrameModel(origin, np.zeros_like(model.fixed), (looks, shaded), clean_looks)
    place = just_inside(outline, bridge_camera, sight, surfaces.bridge)
    ends = ends_of(outline, bridge_camera, place)
    judged = FrameBreak(outline, sides, limits, viewer, model.size_px, corner, ends)
    return HeldFrame(view.frame, model, judged, place)


def _blurring(view: HeldView, surfaces: HeldSurfaces) -> tuple[LensBlur | None, int]:
    """The blur of a view, and how far (px) it takes light; None where nothing is blurred enough to be seen."""
    if view.blur is None:
        return None, 0
    near, far = depths_between(view.camera, corners_of(surfaces.wall_points), corners_of(surfaces.bridge_points))
    if view.blur.is_sharp(near, far):
        return None, 0
    return view.blur, view.blur.reach_px(near, far)


def _cut(blur: LensBlur | None, origin: tuple[int, int], camera: Camera) -> LensBlur:
    if blur is None:
        raise ValueError("a view without a blur")
    return blur.cut(*origin, camera.width_px, camera.height_px)


def _same_part(whole: Camera, origin: tuple[int, int], part: Camera) -> Camera:
    return cut(whole, *origin, part.width_px, part.height_px)


def _dark(
    blurs: tuple[LensBlur, ...] | None, camera: Camera, bridge_camera: Camera, engine: Engine, surfaces: HeldSurfaces
) -> _Dark:
    """A frame with a black bridge, as it is delivered; ``blurs`` are the wall's and the bridge's."""
    soft = None
    if blurs is not None:
        soft = soft_frame(
            engine, blurs[0], (surfaces.wall, surfaces.clean, surfaces.bridge),
            corners_of(surfaces.wall_points), corners_of(surfaces.bridge_points), bridge_blur=blurs[1],
        )  # fmt: skip
    if soft is not None:
        wall = np.clip(soft.wall, 0.0, 1.0) * (1.0 - soft.cover[..., None])
        return _Dark(wall, np.clip(soft.clean, 0.0, 1.0), soft.cover)
    clean = np.clip(engine.draw(camera, (surfaces.clean,)).colour, 0.0, 1.0)
    if (bridge_camera.world_from_cam != camera.world_from_cam).any():
        cover = engine.draw(bridge_camera, (surfaces.wall, surfaces.bridge), keep=BRIDGE_LAYER).cover(BRIDGE_LAYER)
        wall = np.clip(engine.draw(camera, (surfaces.wall,)).colour, 0.0, 1.0)
        return _Dark(wall * (1.0 - cover[..., None]), clean, cover)
    dark = engine.draw(camera, (surfaces.wall, surfaces.bridge))
    return _Dark(np.clip(dark.colour, 0.0, 1.0), clean, dark.cover(BRIDGE_LAYER))


@dataclass(frozen=True, eq=False)
class _Lens:
    """Takes looks at textures in a crop that ``camera`` shows, through its ``blur``, which takes light ``margin`` px
    far; None blurs nothing."""

    blur: LensBlur | None
    camera: Camera
    margin: int
    engine: Engine
    sight: SightLines
    hand: Hand | None = None

    def looks(
        self, drawn: tuple[str, ...], surface: str, layer: int, size_px: tuple[int, int]
    ) -> LensLooks:
        """Looks at a ``surface`` of a ``layer`` with a texture of ``size_px``, with surfaces ``drawn`` that may hide
        it."""
        camera = widened(self.camera, self.margin)
        view = self.engine.draw(camera, drawn, depth=True, keep=layer)
        samples = texel_looks(camera, view.layer == layer, self.sight, surface, size_px, self.hand)
        if self.blur is None:
            return LensLooks(samples)
        own = replace(view, depth=_depth_of(view, layer))
        if layer != BRIDGE_LAYER:
            return LensLooks(samples, gathered_blur(self.blur, own))
        blur = spread_blur(self.blur, own)
        whole = np.maximum(blur.ahead(_grey(view.cover(layer)))[..., 0], np.float32(1.0))
        return LensLooks(samples, blur, np.reciprocal(whole))


def _grey(plane: NDArray[np.float32]) -> Picture:
    """A plane (H, W) as a picture (H, W, 3)."""
    return np.repeat(plane[..., None], 3, axis=-1)


def _depth_of(view: View, layer: int) -> NDArray[np.float32]:
    """Depth of the looks that meet a layer, 0 elsewhere."""
    if view.depth is None:
        raise ValueError("a view without depth cannot be blurred")
    return np.where(view.layer == layer, view.depth, np.float32(0.0))


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
    left, top = int(low[0]), int(low[1])
    return cut(camera, left, top, int(high[0] - low[0]), int(high[1] - low[1])), (left, top)
