"""What lamps and lenses see of a list of places: the light that arrives there, and which of them are in the picture."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.geometry import Array
from previz.look.sight import SightLines
from previz.scene.layout import PictureBox
from previz.scene.model import Card
from previz.workshop.light.lamps import Emitter, facing_frame
from previz.workshop.light.rays import CLEARANCE


def card_corners(card: Card) -> Array:
    """The card's corners (4, 3) m, in order around it."""
    centre, side, up, _ = facing_frame(card.position, card.aim)
    half = 0.5 * np.array(card.size)
    signs = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * half
    return np.asarray(centre + signs[:, :1] * side + signs[:, 1:] * up)


def behind_card(card: Card, starts: Array, ends: Array) -> NDArray[np.bool_]:
    """Whether a card stands on the straight way (N,) from ``starts`` (N, 3) to ``ends`` (N, 3) or (3,) m."""
    centre, side, up, ahead = facing_frame(card.position, card.aim)
    from_plane, way = (starts - centre) @ ahead, (ends - starts) @ ahead
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(way != 0.0, -from_plane / way, -1.0)
    met = starts + part[:, None] * (ends - starts) - centre
    inside = (np.abs(met @ side) <= 0.5 * card.size[0]) & (np.abs(met @ up) <= 0.5 * card.size[1])
    return np.asarray((part > 0.0) & (part < 1.0) & inside)


def _beam(emitter: Emitter, cosine: Array) -> Array:
    """Share (N,) of a spot's light at ``cosine`` (N,) from its axis, as :mod:`previz.workshop.light.lamps` has it."""
    inner, outer = emitter.beam
    if inner >= math.pi:
        return np.ones_like(cosine)
    part = np.clip((outer - np.arccos(np.clip(cosine, -1.0, 1.0))) / max(outer - inner, 1e-12), 0.0, 1.0)
    return np.asarray(part * part * (3.0 - 2.0 * part))


def lamp_light(
    points: Array,
    normals: Array,
    emitter: Emitter,
    sight: SightLines,
    stages: Sequence[Sequence[str]],
    cards: Sequence[Card] = (),
    count: int = 36,
) -> list[Array]:
    """Light of a lamp, as a share of white, at places (N, 3) m with unit ``normals`` (N, 3): (N, 3) for each stage.

    The n-th has the shadows of the surfaces named in the first n ``stages`` together, and of all ``cards``. A face is
    summed over about ``count`` points of equal area.
    """
    outs = [np.zeros((len(points), 3)) for _ in stages]
    for source, weight, alive, towards, distance in _ways(points, normals, emitter, cards, count):
        leaving = -(towards @ emitter.frame[3])
        value = np.einsum("ij,ij->i", towards, normals[alive]) / np.maximum(distance, 1e-6) ** 2
        value = value * _beam(emitter, leaving)
        if not emitter.is_point:
            value = value * np.maximum(leaving, 0.0)
        starts = source - towards * distance[:, None]
        left = np.flatnonzero(value > 0.0)
        for out, names in zip(outs, stages, strict=True):
            if names:
                left = left[~sight.blocked(starts[left], towards[left], distance[left], names)]
            out[alive[left]] += value[left, None] * weight
    return outs


def share_seen(
    points: Array,
    normals: Array,
    emitter: Emitter,
    sight: SightLines,
    names: Sequence[str],
    cards: Sequence[Card] = (),
    count: int = 16,
) -> Array:
    """Share (N,), 0 to 1, of a lamp's face that places (N, 3) m see past surfaces and cards."""
    out = np.zeros(len(points))
    ways = 0
    for source, _, alive, towards, distance in _ways(points, normals, emitter, cards, count):
        ways += 1
        starts = source - towards * distance[:, None]
        out[alive[~sight.blocked(starts, towards, distance, names)]] += 1.0
    return out / ways


def _ways(
    points: Array, normals: Array, emitter: Emitter, cards: Sequence[Card], count: int
) -> Iterator[tuple[Array, Array, NDArray[np.intp], Array, Array]]:
    """For each point of the face: it, what it sends (3,), the places that face it past the cards, their unit ways to
    it and how long those are."""
    places = emitter.places(count)
    starts = points + CLEARANCE * normals
    for source, weight in zip(emitter.points(places), emitter.weights(places).astype(np.float64), strict=True):
        towards = source - starts
        distance = np.maximum(np.linalg.norm(towards, axis=1), 1e-12)
        towards /= distance[:, None]
        alive = np.flatnonzero(np.einsum("ij,ij->i", towards, normals) > 0.0)
        for card in cards:
            alive = alive[~behind_card(card, starts[alive], source)]
        yield source, weight, alive, towards[alive], distance[alive]


def in_box(px: Array, box: PictureBox) -> NDArray[np.bool_]:
    """Which pixels (N, 2) lie in a part of the frame (left, top, right, bottom); NaN does not."""
    left, top, right, bottom = box
    with np.errstate(invalid="ignore"):
        inside = (px[..., 0] >= left) & (px[..., 0] < right) & (px[..., 1] >= top) & (px[..., 1] < bottom)
    return np.asarray(inside)


def seen_places(
    camera: Camera, points: Array, normals: Array | None, sight: SightLines, names: Sequence[str], box: PictureBox
) -> NDArray[np.intp]:
    """Which places (N, 3) m the lens sees in ``box`` of its frame: their numbers, rising.

    With ``normals`` (N, 3) they lie on surfaces and must face the lens; without, they hang in the air.
    """
    eye = camera.position
    with np.errstate(invalid="ignore"):
        alive = np.flatnonzero(in_box(camera.project(points), box))
    starts = points[alive]
    if normals is not None:
        keep = np.einsum("ij,ij->i", eye - starts, normals[alive]) > 0.0
        alive, starts = alive[keep], starts[keep] + CLEARANCE * normals[alive][keep]
    towards = eye - starts
    distance = np.linalg.norm(towards, axis=1)
    blocked = sight.blocked(starts, towards / np.maximum(distance, 1e-12)[:, None], distance, names)
    return np.asarray(alive[~blocked])


def in_picture(
    cameras: Sequence[Camera], places: Array, sight: SightLines, names: Sequence[str], box: PictureBox
) -> NDArray[np.bool_]:
    """Whether any of the places (..., K, 3) m of a thing is seen by any of the cameras: (...)."""
    flat = places.reshape(-1, 3)
    seen = np.zeros(len(flat), dtype=bool)
    for camera in cameras:
        seen[seen_places(camera, flat, None, sight, names, box)] = True
    return np.asarray(seen.reshape(places.shape[:-1]).any(axis=-1))
