"""Frames of the animatic: the set as delivered, the figure's shadow on it, the colour match, the figure, the bars."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from previz import colour
from previz.camera import Camera
from previz.deliver.plate.animatic import burnt_in, wiped
from previz.errors import PrevizError
from previz.geometry import Array
from previz.look.blur import LensBlur
from previz.look.soft import soft_frame
from previz.plate.cardcast import FACE_POINTS, StandingCard
from previz.plate.cdl import NO_CHANGE, Cdl
from previz.plate.cutout import Figure, figure_of, place_cutout, standing_of
from previz.plate.fallen import FallenShadow, cast_elsewhere, fallen_matte
from previz.plate.figure import rgba_of
from previz.plate.framing import Bars, framed
from previz.plate.shadow import ShadowMap, cast_shadow, shadow_matte
from previz.plate.space import Grade, Space
from previz.plate.top import Top
from previz.run.frames import png_bytes
from previz.scene.model import Lamp, Light
from previz.stage.delivering import delivered, looks_across, seen_in
from previz.stage.looking import Looker
from previz.stage.prepare import BRIDGE, WALL, WITH_BRIDGE, ReadySet
from previz.workshop.light.lamps import Emitter
from previz.workshop.surface import Picture, Pixels8

# looks at a pixel, across and down, for a matte; points of the lamp's face for a shadow that changes every frame
_LOOKS: Final = 3
_FEWER_POINTS: Final = 81


@dataclass(frozen=True, eq=False)
class FigureLayer:
    """The figure's layer in pictures of one size, frame by frame (N): see :class:`previz.plate.feet.FootTrack`."""

    layer_foot_px: Array
    foot_px: Array
    scale: Array
    turn: Array


@dataclass(frozen=True, eq=False)
class Throw:
    """What throws the shadow: a lamp's ``face``, its ``share`` of the light there, the ``top`` that it falls on.

    ``lamps`` are that lamp, all of them, and the light that is everywhere.
    ``foot`` (N, 3) m, ``foot_px`` (N, 2) in the layer, ``lean`` (N,), the figure's ``height`` and ``depth`` m, and
    ``facing`` (3,) as in :class:`previz.plate.cardcast.StandingCard`; ``share`` (N, 3) at the foot; ``texel`` m of its
    map; ``height_px`` (N,) of the figure in its layer; ``walks`` whether it stands elsewhere in every frame.
    """

    face: Emitter
    share: Array
    top: Top
    foot: Array
    foot_px: Array
    lean: Array
    height: float
    depth: float
    facing: Array
    texel: float
    height_px: Array
    lamps: tuple[Lamp, tuple[Lamp, ...], Light]
    walks: bool = False


@dataclass(frozen=True, eq=False)
class Cast:
    """The figure's shadow on the bridge's top, and on whatever else there is."""

    top: ShadowMap
    elsewhere: tuple[FallenShadow, ...]


@dataclass(frozen=True, eq=False)
class AnimaticLayers:
    """All that the frames of one set are made of, N of them, drawn at ``size_px`` (width, height).

    ``rail`` (N, 3) m is where the camera is as the shutter opens, in the middle and as it closes. ``laid`` is the
    figure's layer, None without a figure; ``files`` its pictures, ``shown`` (N,) which of them each frame takes;
    ``throw`` its shadow, None without one. Mattes of the shadow are made at ``matte_px``, none at all if that is None.
    ``above_px`` (N,) is how far the picture has drifted up; ``words`` (N) what is burnt in, empty for nothing.
    ``turns`` (N, 3, 2) rad is how far the move has panned and tilted the camera at the times of ``rail``, None for not
    at all.
    """

    size_px: tuple[int, int]
    rail: Array
    bars: Bars
    above_px: Array
    laid: FigureLayer | None = None
    files: tuple[Path, ...] = ()
    shown: tuple[int, ...] = ()
    throw: Throw | None = None
    matte_px: tuple[int, int] | None = None
    words: tuple[tuple[str, ...], ...] = ()
    turns: Array | None = None

    def turn(self, index: int, moment: int) -> Array:
        """Pan and tilt (2,) rad of the move at one of the three moments of a frame."""
        return np.zeros(2) if self.turns is None else np.asarray(self.turns[index, moment])


@dataclass(frozen=True, eq=False)
class StagedSet(ReadySet):
    """A ready set and what is staged on it; a pool is loaded with both at once, so that its jobs stay small."""

    stage: AnimaticLayers


def staged(ready: ReadySet, stage: AnimaticLayers) -> StagedSet:
    """A ready set with a stage."""
    return StagedSet(**{name: getattr(ready, name) for name in ReadySet.__dataclass_fields__}, stage=stage)


@dataclass(frozen=True, eq=False)
class AnimaticFrame:
    """A finished frame (H, W, 3) uint8 at ``index``; ``wipe`` (the same shape) and ``matte`` as PNG where wanted."""

    index: int
    code: Pixels8
    wipe: bytes | None
    matte: bytes | None


@dataclass(frozen=True)
class AnimaticJob:
    """The frame at ``index``, and the one on the way back that shows the set from the same place (``twin``).

    ``whole`` is the matte that is written as 255.
    """

    index: int
    twin: int | None
    cdl: Cdl
    space: Space
    wipe: bool = False
    whole: float = 1.0

    def done_by(self, looker: Looker) -> list[AnimaticFrame]:
        """Make them."""
        maker = _maker(looker)
        seen, clean = maker.set_at(self.index, self.wipe)
        grade = maker.grade(self.cdl, self.space)
        return [
            maker.frame(index, seen, clean, grade, self.whole) for index in (self.index, self.twin) if index is not None
        ]


@dataclass(frozen=True)
class SetJob:
    """The set alone as delivered at ``index``: no figure, no match, no bars; (H, W, 3) uint8."""

    index: int

    def done_by(self, looker: Looker) -> Pixels8:
        """Draw it."""
        return colour.encoded8(_maker(looker).set_at(self.index, False)[0])


@dataclass(frozen=True)
class FallsOn:
    """What the shadow falls on: ``px`` of the delivered frame's matte by name, "top" and surfaces' names; ``most`` is
    the largest matte anywhere, 1 or more."""

    px: dict[str, float]
    most: float = 1.0


@dataclass(frozen=True)
class ShadowJob:
    """What the shadow falls on at ``index``."""

    index: int

    def done_by(self, looker: Looker) -> FallsOn:
        """Look."""
        return _maker(looker).fallen_on(self.index)


def _maker(looker: Looker) -> _Maker:
    return looker.kept(_Maker) or looker.keep(_Maker(looker))


@dataclass(frozen=True, eq=False)
class _Cut:
    """A picture of the figure: ``figure`` None where nothing of it is opaque; ``stands_px`` where it stands in it,
    ``alpha`` (h, w) 0 to 1."""

    figure: Figure | None
    stands_px: Array
    alpha: Picture


class _Maker:
    """Makes frames of the stage that a looker is loaded with; keeps what the next frame needs too."""

    def __init__(self, looker: Looker) -> None:
        ready = looker.loaded
        if not isinstance(ready, StagedSet):
            raise RuntimeError("the set that is loaded has no stage")
        self._looker, self._ready, self._stage = looker, ready, ready.stage
        self._cut: tuple[int, _Cut] | None = None
        self._shadow: tuple[tuple[int, int], Cast] | None = None
        self._grade: Grade | None = None

    def grade(self, cdl: Cdl, space: Space) -> Grade:
        """The match, its tables made once."""
        if self._grade is None or (self._grade.cdl, self._grade.space) != (cdl, space):
            self._grade = Grade(cdl, space)
        return self._grade

    def camera(self, index: int, size_px: tuple[int, int] | None = None) -> Camera:
        return self._at(index, 1, size_px or self._stage.size_px)

    def _at(self, index: int, moment: int, size_px: tuple[int, int]) -> Camera:
        rail = float(self._stage.rail[index, moment])
        return self._ready.move.camera_at(rail, *size_px, self._stage.turn(index, moment))

    def set_at(self, index: int, clean: bool) -> tuple[Picture, Picture | None]:
        """The set with the bridge, and without it where that is wanted: (H, W, 3) linear light."""
        ready, engine, shining = self._ready, self._looker.engine, self._looker.shining
        camera, blur = self.camera(index), self._blur(index)
        if clean:
            looks, _ = delivered(engine, ready, camera, blur, shining)
            return looks.seen, looks.clean
        if shining.any:
            shining.lay(engine, camera.position)
        wall, bridge = ready.built.wall, ready.built.bridge.surface
        # the wall without the bridge's shadow would be half of the work, and nobody sees it
        names = (WALL, WALL, BRIDGE)
        samples = looks_across(camera.width_px)
        soft = None if blur is None else soft_frame(engine, blur, names, wall.corners, bridge.corners, samples)
        if soft is None:
            return np.clip(engine.draw(camera, WITH_BRIDGE, samples).colour, 0.0, 1.0), None
        return seen_in(soft), None

    def _blur(self, index: int) -> LensBlur | None:
        body, stage = self._ready.scene.camera, self._stage
        camera = self.camera(index)
        moments: tuple[Camera, ...] = ()
        turned = any((stage.turn(index, k) != stage.turn(index, 1)).any() for k in (0, 2))
        if turned or float(np.ptp(stage.rail[index])) > 0.0:
            moments = tuple(self._at(index, k, stage.size_px) for k in range(3))
        if body.focus is None and not moments:
            return None
        pitch = body.lens / camera.focal_px
        return LensBlur(camera, pitch, body.lens, body.stop, body.focus, body.pupil_ratio, moments)

    def frame(
        self, index: int, seen: Picture, clean: Picture | None, grade: Grade, whole: float = 1.0
    ) -> AnimaticFrame:
        """The finished frame of a set's pictures."""
        stage = self._stage
        cut = self._figure(index)
        picture, matte = seen, None
        if cut is not None and stage.throw is not None and np.isfinite(stage.throw.height_px[index]):
            shadow = self._shadow_of(index, cut, stage.throw)
            own = self._matte(shadow, self.camera(index))
            share = stage.throw.share[index].astype(np.float32)
            picture = seen * np.maximum(1.0 - own[..., None] * share, np.float32(0.0))
            if stage.matte_px is not None:
                if stage.matte_px != stage.size_px:
                    own = self._matte(shadow, self.camera(index, stage.matte_px))
                code8 = np.rint(np.minimum(own / np.float32(whole), np.float32(1.0)) * np.float32(255.0))
                matte = png_bytes(code8.astype(np.uint8))
        code = self._finished(index, self._peopled(index, grade(picture), cut))
        wipe = None
        if clean is not None:
            share = (index + 0.5) / len(stage.rail)
            # the performer stands in both, on nothing in one: else the eye compares two frames, not two sets
            without = self._finished(index, self._peopled(index, grade(clean), cut))
            both = wiped(code, without, share, stage.bars)
            wipe = png_bytes(self._worded(index, both))
        return AnimaticFrame(index, self._worded(index, code), wipe, matte)

    def _peopled(self, index: int, picture: Picture, cut: _Cut | None) -> Picture:
        if cut is None or cut.figure is None or self._stage.laid is None:
            return picture
        return _stood(picture, cut.figure, cut.stands_px, self._stage.laid, index)

    def _finished(self, index: int, picture: Picture) -> Pixels8:
        return colour.encoded8(framed(picture, self._stage.bars, float(self._stage.above_px[index])))

    def _worded(self, index: int, code: Pixels8) -> Pixels8:
        words = self._stage.words
        return burnt_in(code, self._stage.bars, words[index]) if words else code

    def _figure(self, index: int) -> _Cut | None:
        if self._stage.laid is None:
            return None
        shown = self._stage.shown[index]
        if self._cut is None or self._cut[0] != shown:
            self._cut = shown, _cut(self._stage.files[shown])
        return self._cut[1]

    def _matte(self, shadow: Cast, camera: Camera) -> Picture:
        sight = self._looker.sight
        own = shadow_matte(shadow.top, camera, _LOOKS, sight)
        # a pixel at the top's edge has some of both
        other = fallen_matte(shadow.elsewhere, shadow.top.top.shape, camera, sight, WITH_BRIDGE)
        return own + other.matte

    def fallen_on(self, index: int) -> FallsOn:
        """How much of the matte (px at 1) lies on the top and on each surface; nothing without a shadow."""
        stage, cut = self._stage, self._figure(index)
        if cut is None or stage.throw is None or not np.isfinite(stage.throw.height_px[index]):
            return FallsOn({})
        shadow, camera = self._shadow_of(index, cut, stage.throw), self.camera(index, stage.matte_px)
        sight = self._looker.sight
        other = fallen_matte(shadow.elsewhere, shadow.top.top.shape, camera, sight, WITH_BRIDGE)
        top = float(shadow_matte(shadow.top, camera, _LOOKS, sight).sum(dtype=np.float64))
        px = {"top": top} | {sight.surfaces[number].name: px for number, px in sorted(other.by_surface.items())}
        most = max([1.0, *(float(each.share.max(initial=0.0)) for each in shadow.elsewhere)])
        return FallsOn(px, most)

    def _shadow_of(self, index: int, cut: _Cut, throw: Throw) -> Cast:
        shown = self._stage.shown[index], index if throw.walks else -1
        if self._shadow is None or self._shadow[0] != shown:
            x, y = throw.foot_px[index]
            card = StandingCard(
                cut.alpha, (float(x), float(y)), float(throw.height_px[index]),
                throw.foot[index], throw.height, throw.facing, throw.depth, float(throw.lean[index]),
            )  # fmt: skip
            # one shadow for all frames is worth more places and more points of the face
            once = len(self._stage.files) == 1 and not throw.walks
            coarser, points = (1.0, FACE_POINTS) if once else (2.0, _FEWER_POINTS)
            texel = coarser * throw.texel
            elsewhere = cast_elsewhere(card, throw.face, throw.lamps, self._looker.sight, WITH_BRIDGE, texel, points)
            self._shadow = shown, Cast(cast_shadow(card, throw.face, throw.top, texel, points), elsewhere)
        return self._shadow[1]


def _cut(path: Path) -> _Cut:
    pixels = rgba_of(path)
    alpha = (pixels[..., 3] / np.float32(255.0)).astype(np.float32)
    if not (pixels[..., 3] >= 128).any():
        # the performer has left the picture, or has not come yet
        return _Cut(None, np.zeros(2), alpha)
    try:
        return _Cut(figure_of(pixels), np.array(standing_of(pixels).foot), alpha)
    except PrevizError as error:
        raise type(error)(f"{path}: {error}") from error


def _stood(picture: Picture, figure: Figure, stands_px: Array, laid: FigureLayer, index: int) -> Picture:
    """The picture with the figure laid in it; as it is where the foot is not before the lens."""
    scale, turn = float(laid.scale[index]), float(laid.turn[index])
    if not np.isfinite([*laid.foot_px[index], *laid.layer_foot_px[index], scale, turn]).all():
        return picture
    c, s = np.cos(turn), np.sin(turn)
    # the cut-out is placed by where it is seen to stand, which need not be the foot that the layer has
    place = laid.foot_px[index] + scale * np.array([[c, -s], [s, c]]) @ (stands_px - laid.layer_foot_px[index])
    return place_cutout(picture, figure, (float(place[0]), float(place[1])), scale * figure.height, turn)


def jobs_of(
    stage: AnimaticLayers, out: int, cdl: Cdl = NO_CHANGE, space: Space = "log", wipe: bool = False, whole: float = 1.0
) -> list[AnimaticJob]:
    """Jobs for all frames of a stage, of which the first ``out`` lead out; a place is drawn once for both ways."""
    count = len(stage.rail)
    twins = [2 * (out - 1) - index for index in range(out)]
    return [
        AnimaticJob(index, twin if index < twin < count else None, cdl, space, wipe, whole)
        for index, twin in enumerate(twins)
    ]


def in_order(results: Iterable[list[AnimaticFrame]]) -> Iterator[AnimaticFrame]:
    """The frames as they come: those of the way out in their order, each followed by its twin on the way back."""
    for frames in results:
        yield from frames
