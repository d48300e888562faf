"""Depth of field and motion blur of a frame: wall and bridge blurred apart, the bridge composited over the wall.

The wall is drawn whole, also behind the bridge, so that a blurred edge of the bridge shows the wall that is really
there. The bridge is drawn as a layer of its own. All arithmetic is in linear light.

What shows beside the bridge's edge is not the same wall all the time: while the camera moves the bridge hides one part
of it after another. So the exposure is worked out in parts there, each with its own place of bridge and wall. Not
modelled: that places on the pupil which see past the bridge see one side of the wall's blur more than the other, and
what hides what on the wall itself (``tests/look/lensaverage.py`` has both right, at many times the cost).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from previz.camera import Camera
from previz.geometry import Array
from previz.look.blur import LensBlur, cut
from previz.look.rings import ringed, ringed_part
from previz.look.spreading import Plane, blurred_bridge, blurred_wall, margin_of, mean_disparity
from previz.look.view import Engine, View
from previz.workshop.surface import BRIDGE, Picture

# never drawn further beyond the frame than this: a lens that touches the set would ask for miles
_WIDEST_MARGIN_PX = 256


@dataclass(frozen=True, eq=False)
class SoftFrame:
    """A frame's layers, blurred, each of the frame's size.

    ``wall`` and ``clean`` (H, W, 3) linear light are the wall with the bridge's shadow and without it, whole behind the
    bridge. ``bridge`` (H, W, 3) is the bridge before black and ``cover`` (H, W), 0 to 1, its share of each pixel.
    ``hidden`` and ``hidden_clean`` give the light (H, W, 3) of either wall that the bridge keeps from the lens.
    ``sharp`` carries the layers and depths, which stay sharp. ``in_focus`` gives the frame with the bridge and the
    clean wall, each (H, W, 3), as they were drawn, before any blur. Few frames are asked for these three.
    """

    wall: Picture
    clean: Picture
    bridge: Picture
    cover: Plane
    hidden: Callable[[], Picture]
    hidden_clean: Callable[[], Picture]
    sharp: View
    in_focus: Callable[[], tuple[Picture, Picture]]

    def with_bridge(self) -> View:
        """The frame with the bridge and its shadow; ``cover(BRIDGE)`` is the blurred bridge's."""
        return self._laid(self.wall, self.hidden())

    def without_shadow(self) -> View:
        """The frame with the bridge as if it threw no shadow on the wall."""
        return self._laid(self.clean, self.hidden_clean())

    def _laid(self, wall: Picture, hidden: Picture) -> View:
        colour = np.maximum(self.bridge + (wall - hidden), np.float32(0.0))
        return replace(self.sharp, colour=colour, soft={BRIDGE: self.cover})


def soft_frame(
    engine: Engine,
    blur: LensBlur,
    names: tuple[str, str, str],
    wall_points: Array,
    bridge_points: Array,
    samples: int = 2,
    bridge_blur: LensBlur | None = None,
) -> SoftFrame | None:
    """Draw a frame's layers and blur them; None where nothing is blurred enough to be seen: draw it as it is then.

    With a ``bridge_blur`` the bridge is seen by that one's camera: as it hangs off its place.

    ``names`` are those of the wall with the bridge's shadow, the wall without it, and the bridge; where both walls have
    one name it is drawn once. ``wall_points`` and ``bridge_points`` (N, 3) m enclose each: a
    surface's ``corners``.
    """
    near, far = depths_between(blur.camera, wall_points, bridge_points)
    if blur.is_sharp(near, far):
        return None
    wall, clean, bridge = names
    of_bridge = blur if bridge_blur is None else bridge_blur
    margin = min(blur.reach_px(near, far), _WIDEST_MARGIN_PX)
    camera, bridge_camera = widened(blur.camera, margin), widened(of_bridge.camera, margin)
    clean_view = engine.draw(camera, [clean], samples, depth=True, other=None if wall == clean else wall)
    wall_view = clean_view if clean_view.other is None else replace(clean_view, colour=clean_view.other)
    pictures = [clean_view.colour] if wall == clean else [clean_view.colour, wall_view.colour]
    soft_walls = blurred_wall(blur, clean_view, pictures)
    part = _part_with(bridge_camera, bridge_points)
    light = np.zeros_like(soft_walls[0])
    cover = np.zeros(light.shape[:2], dtype=np.float32)
    over: _Over | None = None
    sharp = wall_view
    with_bridge: Callable[[], Picture] = partial(np.asarray, wall_view.colour)
    if part is not None:
        seen_by = cut(bridge_camera, part.left, part.top, part.width, part.height)
        if bridge_blur is None:
            # the wall's many triangles have been looked at already
            bridge_view = engine.draw(seen_by, [bridge], samples, depth=True, nearest=_depth_in(clean_view, part))
        else:
            bridge_view = engine.draw(seen_by, [wall, bridge], samples, depth=True, keep=BRIDGE)
        over = _bridge_over(of_bridge, part, bridge_view, clean_view, light, cover)
        sharp = _over(bridge_view, wall_view, part)
        with_bridge = partial(_laid_over, bridge_view, wall_view.colour, part)
    wave_px = blur.wave_px()

    def hidden(which: int) -> Picture:
        out = np.zeros_like(light)
        if over is None:
            return out
        return ringed_part(over.hidden(pictures[which], soft_walls[which], out), over.box, wave_px)

    walls = [np.maximum(ringed(picture, wave_px), np.float32(0.0)) for picture in soft_walls]
    if over is not None:
        # rings are slightly negative beside a bright edge
        light = np.maximum(ringed_part(light, over.box, wave_px), np.float32(0.0))
        cover = np.clip(ringed_part(cover, over.box, wave_px), 0.0, 1.0)
    return SoftFrame(
        wall=walls[-1],
        clean=walls[0],
        bridge=light,
        cover=cover,
        hidden=partial(hidden, -1),
        hidden_clean=partial(hidden, 0),
        sharp=_cropped(sharp, margin),
        in_focus=lambda: (_inner(with_bridge(), margin), _inner(clean_view.colour, margin)),
    )


@dataclass(frozen=True, eq=False)
class _Over:
    """The bridge in a box (left, top, right, bottom) px of the frame: for each even part of the exposure the blur and
    the bridge's cover there, and depths of the wall ``behind`` with a ``margin`` around."""

    box: tuple[int, int, int, int]
    parts: Sequence[tuple[LensBlur, Plane]]
    behind: View
    margin: int

    def hidden(self, picture: Picture, soft_wall: Picture, into: Picture) -> Picture:
        """Add to a picture (H, W, 3) the light of the wall that the bridge hides, of one as drawn and blurred."""
        left, top, right, bottom = self.box
        here = np.s_[top:bottom, left:right]
        for blur, cover in self.parts:
            wall = soft_wall[here]
            if len(self.parts) > 1:
                wide = np.s_[top : bottom + 2 * self.margin, left : right + 2 * self.margin]
                (wall,) = blurred_wall(blur, self.behind, [picture[wide]])
            _add_hidden(np.float32(1.0 / len(self.parts)), cover, wall, into[here])
        return into


def _bridge_over(
    blur: LensBlur, part: _Part, bridge: View, wall: View, light: Picture, cover: Plane
) -> _Over | None:
    """Fill in the bridge's ``light`` and ``cover`` where it reaches; zeros before. None where it is not in the frame.

    ``bridge`` is a view of a ``part`` of the frame with its margin, ``wall`` of all of that.
    """
    h, w = cover.shape
    margin = margin_of(blur, wall)
    near = 1.0 / mean_disparity(bridge)[2] if bridge.layer.any() else np.inf
    if near == np.inf:
        return None
    # in the frame, where the bridge's light can come
    left, top = max(part.left - 2 * margin, 0), max(part.top - 2 * margin, 0)
    right, bottom = min(part.left + part.width, w), min(part.top + part.height, h)
    if right <= left or bottom <= top:
        return None
    box = np.s_[top:bottom, left:right]
    wide = np.s_[top : bottom + 2 * margin, left : right + 2 * margin]
    s = wall.samples
    fine = np.s_[top * s : (bottom + 2 * margin) * s, left * s : (right + 2 * margin) * s]
    here = View(wall.colour[wide], wall.layer[fine], None if wall.depth is None else wall.depth[fine], s)
    parts = []
    exposures = blur.parts(near)
    for each in exposures:
        own = each.cut(left, top, right - left, bottom - top)
        some_light, some_cover = blurred_bridge(own, bridge, (part.left - margin - left, part.top - margin - top))
        _add_part(np.float32(1.0 / len(exposures)), some_light, some_cover, light[box], cover[box])
        parts.append((own, some_cover))
    return _Over((left, top, right, bottom), parts, here, margin)


def depths_between(camera: Camera, *points: Array) -> tuple[float, float]:
    """Least and greatest depth (m) of sets of points (N, 3) m, no less than 10 mm."""
    found = np.maximum(np.concatenate([camera.depth(some) for some in points]), 0.01)
    return float(found.min()), float(found.max())


def widened(camera: Camera, margin_px: int) -> Camera:
    """The same camera with ``margin_px`` more on every side of the frame."""
    return camera.resized(camera.width_px + 2 * margin_px, camera.height_px + 2 * margin_px, factor=1.0)


@dataclass(frozen=True)
class _Part:
    """A part of a frame, px."""

    left: int
    top: int
    width: int
    height: int


def _part_with(camera: Camera, points: Array) -> _Part | None:
    """The part of the frame in which anything enclosed by points can be seen; None where it is out of the frame."""
    if camera.depth(points).min() <= 0.0:
        return _Part(0, 0, camera.width_px, camera.height_px)
    px = camera.project(points)
    size = np.array([camera.width_px, camera.height_px])
    low = np.clip(np.floor(px.min(axis=0)) - 1, 0, size).astype(int)
    high = np.clip(np.ceil(px.max(axis=0)) + 1, 0, size).astype(int)
    if (high <= low).any():
        return None
    return _Part(int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1]))


def _depth_in(view: View, part: _Part) -> Plane | None:
    """Distances of a view's looks in a part of it."""
    s = view.samples
    box = np.s_[part.top * s : (part.top + part.height) * s, part.left * s : (part.left + part.width) * s]
    return None if view.depth is None else view.depth[box]


def _add_part(share: np.float32, light: Picture, cover: Plane, all_light: Picture, all_cover: Plane) -> None:
    all_light += share * light
    all_cover += share * cover


def _add_hidden(share: np.float32, cover: Plane, wall: Picture, hidden: Picture) -> None:
    hidden += (share * cover)[..., None] * wall


def _over(bridge: View, wall: View, part: _Part) -> View:
    """Layers and depths of the bridge, seen in a part of the frame, where it is seen, of the wall elsewhere."""
    s = wall.samples
    box = np.s_[part.top * s : (part.top + part.height) * s, part.left * s : (part.left + part.width) * s]
    seen = bridge.layer == BRIDGE
    layer = wall.layer.copy()
    layer[box][seen] = BRIDGE
    if bridge.depth is None or wall.depth is None:
        return replace(wall, layer=layer)
    distance = wall.depth.copy()
    distance[box][seen] = bridge.depth[seen]
    return replace(wall, layer=layer, depth=distance)


def _laid_over(bridge: View, wall: Picture, part: _Part) -> Picture:
    """A picture of the wall with the bridge, drawn before black in a part of it, laid over."""
    out = wall.copy()
    box = np.s_[part.top : part.top + part.height, part.left : part.left + part.width]
    out[box] = out[box] * (np.float32(1.0) - bridge.cover(BRIDGE)[..., None]) + bridge.colour
    return out


def _inner(picture: Picture, margin: int) -> Picture:
    h, w = picture.shape[:2]
    return picture[margin : h - margin, margin : w - margin]


def _cropped(view: View, margin: int) -> View:
    """A view without its margin."""
    h, w = view.colour.shape[:2]
    m = margin * view.samples
    fine = np.s_[m : h * view.samples - m, m : w * view.samples - m]
    return View(
        colour=_inner(view.colour, margin),
        layer=np.ascontiguousarray(view.layer[fine]),
        depth=None if view.depth is None else np.ascontiguousarray(view.depth[fine]),
        samples=view.samples,
    )
