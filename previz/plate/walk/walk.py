"""The figure's layer of a performer who walks along the bridge.

The performer's body goes along the bridge as ``plate.foot_mark`` has it: its depth gives the layer's scale, so that
that changes evenly. While a foot is down the layer is shifted so that the foot's sole, as the figure's picture shows
it, lies on one place of the bridge's top; from one foot to the next the shift goes over evenly. Heights are those of
the bridge's one shape: a foot stands on the tread that is under it, and between two contacts the body rises evenly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.errors import JudgeError
from previz.geometry import Array
from previz.plate.feet import FootTrack, Layer, card_homography, laid, similarity, through
from previz.plate.top import Stance
from previz.plate.walk.contacts import Contact
from previz.scene.shape import BridgeShape

# half of a shoe's width (m), full size: how near to the bridge's edge a foot is planted; common practice, no source
_HALF_SHOE = 0.05

# frames at a contact's end by which it is carried on for a moment
_ENDS = 4


@dataclass(frozen=True, eq=False)
class Walk:
    """Where a performer walks, N delivered frames.

    ``marks`` (N,) m from the sill and ``body`` (N, 3) m: the body's place on the top. ``soles`` (N, 2, 2) px are the
    feet's in the figure's pictures, NaN where not seen apart. ``contacts`` say which foot is planted when, ``places``
    (C, 3) m where on the top each of them is. ``foot_px`` (N, 2) is the body's foot in a cut-out, None where the
    pictures are the plate's own.
    """

    marks: Array
    body: Array
    soles: Array
    contacts: tuple[Contact, ...]
    places: Array
    foot_px: Array | None = None

    @property
    def planted(self) -> NDArray[np.int64]:
        """Number (N,) of the contact that bears the weight, -1 in between."""
        out = np.full(len(self.marks), -1, dtype=np.int64)
        for number, contact in enumerate(self.contacts):
            out[contact.first : contact.last + 1] = number
        return out

    @property
    def weights(self) -> Array:
        """Share (N, C) of every contact in every frame: 1 while it is planted, going over evenly between two; 0 of all
        before the first and after the last."""
        out = np.zeros((len(self.marks), len(self.contacts)))
        for number, contact in enumerate(self.contacts):
            out[contact.first : contact.last + 1, number] = 1.0
            if number + 1 < len(self.contacts):
                gap = np.arange(contact.last + 1, self.contacts[number + 1].first)
                share = (gap - contact.last) / (self.contacts[number + 1].first - contact.last)
                out[gap, number + 1] = share * share * (3.0 - 2.0 * share)
                out[gap, number] = 1.0 - out[gap, number + 1]
        return out

    @property
    def shown(self) -> Array:
        """Where (N, C, 2) px in the figure's picture the foot of every contact is: between its last frame and the next
        contact's first, and before it likewise, where it would be if it went on with the ground. NaN elsewhere."""
        count = len(self.marks)
        out = np.full((count, len(self.contacts), 2), np.nan)
        ends = [0, *(contact.last + 1 for contact in self.contacts)]
        starts = [*(contact.first for contact in self.contacts), count]
        for number, contact in enumerate(self.contacts):
            own = np.arange(contact.first, contact.last + 1)
            known = own[np.isfinite(self.soles[own, contact.foot]).all(axis=1)]
            if len(known) == 0:
                continue
            px = self.soles[known, contact.foot]
            around = np.arange(ends[number], starts[number + 1])
            for axis in range(2):
                out[around, number, axis] = np.interp(around, known, px[:, axis])
                for edge in (0, -1):
                    part = slice(None, _ENDS) if edge == 0 else slice(-_ENDS, None)
                    at, there = known[part], px[part, axis]
                    beyond = around[around < at[0]] if edge == 0 else around[around > at[-1]]
                    slope = float(np.polyfit(at, there, 1)[0]) if len(at) > 1 else 0.0
                    out[beyond, number, axis] = there[edge] + slope * (beyond - at[edge])
        return out


def walked(shape: BridgeShape, marks: Array, contacts: Sequence[Contact]) -> Array:
    """The body's places (N, 3) m on the top at ``marks`` (N,) m: on the middle line, rising evenly between contacts."""
    body = shape.on_middle(marks)
    if len(contacts) < 2:
        return body
    index, knots = np.arange(len(marks)), np.array([contact.middle for contact in contacts])
    on = shape.on_middle(np.array([contact.at for contact in contacts]))
    within = (index >= knots[0]) & (index <= knots[-1])
    for axis in (0, 1):
        body[within, axis] = np.interp(index[within], knots, on[:, axis])
    return body


def planted_places(
    shape: BridgeShape, contacts: Sequence[Contact], scale: float, shown_px: Array, cameras: Sequence[Camera]
) -> Array:
    """Places (C, 3) m on the top for the contacts: each ``at`` from the sill, and as far beside the middle as shown.

    ``shown_px`` (N, C, 2) is where the body's course alone, and no planting, would show each foot in the frames of
    ``cameras`` (N): the mean over the contact says how far beside the middle the performer set it. It stays a shoe's
    half width inside the bridge.
    """
    out = []
    for number, contact in enumerate(contacts):
        middle = shape.on_middle(contact.at)
        right = np.cross([0.0, 1.0, 0.0], shape.ahead(contact.at))
        aside = []
        for i in range(contact.first, contact.last + 1):
            here, beside = cameras[i].project(np.stack([middle, middle + 1e-3 * right]))
            away = shown_px[i, number] - here
            aside.append(1e-3 * float(away @ (beside - here)) / float((beside - here) @ (beside - here)))
        known = np.array(aside)[np.isfinite(aside)]
        room = max(float(shape.half_width(contact.at)) - _HALF_SHOE / scale, 0.0)
        place = middle + right * float(np.clip(known.mean() if len(known) else 0.0, -room, room))
        out.append([place[0], float(shape.floor(place[0], place[2])), place[2]])
    return np.array(out, dtype=np.float64).reshape(-1, 3)


@dataclass(frozen=True, eq=False)
class WalkTrack(FootTrack):
    """The layer of a walking figure: ``residual_px`` are known for a foot while it is planted, NaN otherwise.

    ``marks`` (N,) m from the sill; ``planted`` (N,) the foot that bears the weight, 0 left, 1 right, -1 in between;
    ``contact`` (N,) the number of its contact, -1 in between. ``shift_px`` (N, 2) is how far the layer is shifted for
    the foot's sake, ``planted_px`` (N, 2) the place on the top of the foot that is planted, in the delivered picture.
    """

    marks: Array
    planted: NDArray[np.int64]
    contact: NDArray[np.int64]
    shift_px: Array
    planted_px: Array

    @property
    def slide_px(self) -> Array:
        """Slide (N,) px of the planted foot from the frame before to this one; NaN where it is not the same one."""
        return self._slid(self.residual_px)

    @property
    def corners_slide_px(self) -> Array:
        """The same (N,) px when the layer is laid by its corners."""
        return self._slid(self.corners_residual_px)

    def _slid(self, residual_px: Array) -> Array:
        out = np.full(len(self.frames), np.nan)
        for i in range(1, len(self.frames)):
            if self.contact[i] >= 0 and self.contact[i] == self.contact[i - 1]:
                foot = self.planted[i]
                out[i] = np.linalg.norm(residual_px[i, foot] - residual_px[i - 1, foot])
        return out

    @property
    def drift_px(self) -> float:
        """How far (px) a planted foot wanders at most while it is down: diagonal of the box of its residuals."""
        worst = 0.0
        for number in range(int(self.contact.max(initial=-1)) + 1):
            own = np.flatnonzero(self.contact == number)
            known = self.residual_px[own, self.planted[own]]
            known = known[np.isfinite(known).all(axis=1)]
            worst = max(worst, float(np.linalg.norm(np.ptp(known, axis=0)))) if len(known) else worst
        return worst

    @property
    def goes_over(self) -> tuple[int, float]:
        """Frame and px: the most that the layer's shift changes from a frame to the next between two planted feet."""
        steps = np.linalg.norm(np.diff(self.shift_px, axis=0), axis=1)
        same = (self.contact[1:] >= 0) & (self.contact[1:] == self.contact[:-1])
        steps = np.where(same | ~np.isfinite(steps), 0.0, steps)
        at = int(steps.argmax()) if len(steps) else 0
        return (self.frames[at + 1], float(steps[at])) if len(steps) else (self.frames[0], 0.0)


@dataclass(frozen=True, eq=False)
class _Laying:
    """The layer as the body's course alone has it: ``held`` (N, 2, 2) px foot and head in it, ``lens`` (N, 2, 2) px in
    the delivered picture, ``ratio`` (N,) scale and turn."""

    held: Array
    lens: Array
    ratio: NDArray[np.complex128]

    def shown(self, points: Array) -> Array:
        """Points (N, K, 2) px of the layer in the delivered picture."""
        return laid(self.ratio, self.held[:, 0], self.lens[:, 0], points)


def body_feet(layer: Layer, soles: Array, contacts: Sequence[Contact]) -> Array:
    """The body's foot (N, 2) px in a walker's cut-outs: where the planted soles are half way through their contacts,
    a quarter, a half and a quarter of three that follow on one another, so that left and right even out.

    The layer's own foot where there are fewer than two contacts with soles.
    """
    known = [c for c in contacts if np.isfinite(soles[c.first : c.last + 1, c.foot]).all(axis=1).any()]
    if len(known) < 2:
        return np.broadcast_to(np.array(layer.foot_px, dtype=np.float64), (len(soles), 2))
    at, px = [], []
    for contact in known:
        own = np.arange(contact.first, contact.last + 1)
        seen = own[np.isfinite(soles[own, contact.foot]).all(axis=1)]
        at.append(contact.middle)
        px.append([float(np.interp(contact.middle, seen, soles[seen, contact.foot, axis])) for axis in range(2)])
    knots = np.array(px)
    before, after = np.concatenate([knots[1:2], knots[:-1]]), np.concatenate([knots[1:], knots[-2:-1]])
    even = 0.25 * before + 0.5 * knots + 0.25 * after
    index = np.arange(len(soles))
    return np.stack([np.interp(index, at, even[:, axis]) for axis in range(2)], axis=-1)


def borne(walk: Walk, layer_foot_px: Array) -> tuple[Array, Array]:
    """Where (N, 3) m the figure's shadow begins on the top, and where (N, 2) px in the layer that is: at the planted
    foot, going over evenly between two; held before the first contact and after the last."""
    foot, foot_px = np.array(walk.body), np.array(layer_foot_px)
    weights = walk.weights
    own = np.flatnonzero(weights.sum(axis=1) > 0.0)
    if len(own):
        shown = np.where(weights[..., None] > 0.0, walk.shown, 0.0)
        foot[own] = (weights @ walk.places)[own]
        foot_px[own] = (weights[..., None] * shown).sum(axis=1)[own]
        for end, edge in ((slice(None, own[0]), own[0]), (slice(own[-1] + 1, None), own[-1])):
            foot[end], foot_px[end] = foot[edge], foot_px[edge]
    return foot, foot_px


def _laying(plate: Array, cameras: Sequence[Camera], walk: Walk, height: float, layer: Layer | None) -> _Laying:
    body = walk.body
    ends = np.stack([body, body + [0.0, height, 0.0]], axis=1)
    lens = np.stack([camera.project(each) for camera, each in zip(cameras, ends, strict=True)])
    if not (np.isfinite(plate).all(axis=(1, 2)) & np.isfinite(lens).all(axis=(1, 2))).any():
        raise JudgeError(
            "the figure is behind the lens in every frame; put foot marks, and the plate's distance, before the lens"
        )
    held = np.array(plate)
    if layer is not None:
        foot = np.broadcast_to(layer.foot_px, (len(body), 2)) if walk.foot_px is None else walk.foot_px
        held = np.stack([foot, foot - [0.0, layer.foot_px[1] - layer.head_px[1]]], axis=1)
    return _Laying(held, lens, similarity(held, lens))


def floor_stances(on_floor: Stance, on_bridge: Stance, body: Array, scale: float, moves: bool) -> list[Stance]:
    """The stance on the plate's level floor at full size in every frame: as far from ``on_floor`` as the ``body``
    (N, 3) m on the bridge is from ``on_bridge``, ``scale`` times as large; the same in all where the figure's picture
    holds it in place (``moves`` False)."""
    if not moves:
        return [on_floor] * len(body)
    away = (body - on_bridge.foot) * scale * [1.0, 0.0, 1.0]
    return [Stance(on_floor.foot + step, on_floor.height, on_floor.feet + step) for step in away]


def shown_by_body(
    plate_cameras: Sequence[Camera], cameras: Sequence[Camera], floors: Sequence[Stance], walk: Walk, height: float,
    layer: Layer | None,
) -> Array:  # fmt: skip
    """Where (N, C, 2) px the body's course alone would show the feet of all contacts in the frames of ``cameras``."""
    return _laying(_floor_px(plate_cameras, floors), cameras, walk, height, layer).shown(walk.shown)


def _floor_px(plate_cameras: Sequence[Camera], floors: Sequence[Stance]) -> Array:
    return np.stack([c.project(np.stack([s.foot, s.head])) for c, s in zip(plate_cameras, floors, strict=True)])


def walk_track(
    frames: Sequence[int],
    plate_cameras: Sequence[Camera],
    cameras: Sequence[Camera],
    floors: Sequence[Stance],
    walk: Walk,
    height: float,
    facing: Array,
    layer: Layer | None = None,
) -> WalkTrack:
    """The layer of a walking figure in every frame; otherwise as :func:`previz.plate.feet.foot_track`.

    ``floors`` are the stances on the plate's floor (:func:`floor_stances`), ``height`` m the performer's at miniature
    size. Raises :class:`JudgeError` if the figure is before the lenses in no frame.
    """
    count = len(frames)
    plate = _floor_px(plate_cameras, floors)
    laying = _laying(plate, cameras, walk, height, layer)
    goals = np.zeros((count, 0, 2))
    if len(walk.places):
        goals = np.stack([camera.project(walk.places) for camera in cameras])
    shown = laying.shown(walk.shown)
    shift = _shifts(goals - shown, walk.weights)
    contact = walk.planted
    planted = np.array([walk.contacts[c].foot if c >= 0 else -1 for c in contact], dtype=np.int64)
    residual, kept = np.full((count, 2, 2), np.nan), np.full((count, 2, 2), np.nan)
    planted_px = np.full((count, 2), np.nan)
    own = np.flatnonzero(contact >= 0)
    planted_px[own] = goals[own, contact[own]]
    residual[own, planted[own]] = laid(
        laying.ratio, laying.held[:, 0], laying.lens[:, 0] + shift, walk.soles
    )[own, planted[own]] - planted_px[own]
    corners_px, by_card = np.full((count, 4, 2), np.nan), np.full(shown.shape, np.nan)
    soles_by_card = np.full((count, 2, 2), np.nan)
    plate_from_layer = similarity(laying.held, plate)
    for i in range(count):
        on_bridge = Stance(walk.body[i], height, np.stack([walk.body[i]] * 2))
        card = card_homography(plate_cameras[i], cameras[i], floors[i], on_bridge, facing)
        if card is None:
            continue
        w, h = (layer.width_px, layer.height_px) if layer is not None else (
            float(plate_cameras[i].width_px), float(plate_cameras[i].height_px)
        )

        def by(points: Array, i: int = i, card: Array = card) -> Array:
            return through(card, laid(plate_from_layer[i], laying.held[i, 0], plate[i, 0], points))

        corners_px[i] = by(np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]]))
        by_card[i], soles_by_card[i] = by(walk.shown[i]), by(walk.soles[i])
    card_shift = _shifts(goals - by_card, walk.weights)
    kept[own, planted[own]] = (soles_by_card + card_shift[:, None])[own, planted[own]] - planted_px[own]
    return WalkTrack(
        frames=tuple(frames),
        layer_foot_px=laying.held[:, 0],
        foot_px=laying.lens[:, 0] + shift,
        scale=np.abs(laying.ratio),
        turn=np.angle(laying.ratio),
        residual_px=residual,
        corners_px=corners_px + card_shift[:, None],
        corners_residual_px=kept,
        marks=walk.marks,
        planted=planted,
        contact=contact,
        shift_px=shift,
        planted_px=planted_px,
    )


def _shifts(away: Array, weights: Array) -> Array:
    """The layer's shift (N, 2) px from what every contact asks for, ``away`` (N, C, 2), and their ``weights`` (N, C);
    held before the first contact and after the last."""
    shift = np.where(weights[..., None] > 0.0, weights[..., None] * away, 0.0).sum(axis=1)
    borne = np.flatnonzero(weights.sum(axis=1) > 0.0)
    if len(borne):
        shift[: borne[0]], shift[borne[-1] + 1 :] = shift[borne[0]], shift[borne[-1]]
    return np.asarray(shift)
