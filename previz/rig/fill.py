"""A fill lamp under or beside the bridge that melts the bridge's shadow away with the least light.

Places on a grid are tried: those that the lens does not see over the whole move (hidden by the set or outside the
picture) and that stand free of wall and bridge. More light is not always better: a fill throws a shadow of the bridge
of its own. So each place is tried from little light upwards for the first amount at which the step of every shadow edge
in the hold, old and new, is below what is asked for. That step is only what is made small: whether the shadow is mended
the judge says, of the set with the fill in it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from previz.geometry import Array
from previz.judge.viewer import JND_COLOUR
from previz.look.sampling import bilinear
from previz.look.sight import SightLines
from previz.rig.shadow import LITTLE, NOTHING, FrameShadow, shares_text
from previz.rig.shadowstep import ShadowLight, WallView, wall_view
from previz.rig.sighted import in_picture, lamp_light
from previz.scene.layout import delivered_box_px, judged_frames, wall_box
from previz.scene.model import Card, Lamp, Scene
from previz.scene.move import Move
from previz.scene.shape import bridge_shape
from previz.units import mm_text
from previz.workshop.light.bake import Lighting
from previz.workshop.light.lamps import emitter_of
from previz.workshop.surface import Picture, Surface
from previz.workshop.texels import texel_points

# no fill gives more than this many times the light that the exposure is set for: it would be the key
_MOST_LIGHT: Final = 1.0

# amounts tried before halving, as shares of the most, and around what is nearly known
_AMOUNTS: Final = tuple(np.geomspace(0.01, 1.0, 9))
_AROUND: Final = (0.6, 1.0, 1.5, 2.5)

# amounts of light are found to within this share
_FINE = 0.02

# how far (m) a fill's face stays off wall and bridge
_FREE: Final = 0.015

# rows of sight lines, longest side of the light's map and points of a face: while choosing, and for the answer
_ROUGH = (180, 160, 5)
_FINAL = (360, 352, 25)

# places solved for in full, of each group (under, beside, before)
_SOLVED_EACH = 4

# then this many places beside the best are solved for, at most so many times
_BESIDE, _ROUNDS = 10, 5


@dataclass(frozen=True)
class Fill:
    """A fill lamp as found. ``lamp`` holds place, aim, face and lux; ``position`` (m) and ``lux`` are its own.

    ``before`` and ``left`` are the strongest step of a shadow edge in the hold, dE*ab, without and with it; ``cleared``
    says whether ``left`` is below what was asked for, which is not yet that the shadow is mended. ``tried`` counts the
    places that were possible. ``sentence`` says where it stands or, where there is none, why.
    """

    lamp: Lamp | None
    position: tuple[float, float, float] | None
    lux: float
    before: float
    left: float
    cleared: bool
    tried: int
    sentence: str


@dataclass(frozen=True, eq=False)
class FillTrial:
    """What trying a fill needs: the wall's views, its light, and the places that the map's texels lie at."""

    wall: Surface
    light: ShadowLight
    lighting: Lighting
    sight: SightLines
    names: tuple[str, str]
    cards: tuple[Card, ...]
    views: tuple[WallView, ...]
    map_px: int
    face_points: int

    def worst(self, lamp: Lamp | None) -> Callable[[float], float]:
        """The strongest step (dE*ab) of all views, as a function of the lamp's lux; the lamp's shadows are in it.

        The exposure follows the light: white is what a card sends in the lamps' lux, the fill's and the ambient.
        """
        reference = self.lighting.reference
        base = [(bilinear(self.light.clean, v.uv), bilinear(self.light.shadowed, v.uv)) for v in self.views]
        each = [(np.zeros_like(a), np.zeros_like(b)) for a, b in base] if lamp is None else self._light_of(lamp)

        def worst(lux: float) -> float:
            largest = 0.0
            amount, scale = np.float32(lux), np.float32(reference / (reference + lux))
            for view, (clean, dark), (free, past) in zip(self.views, base, each, strict=True):
                change = view.change((dark + past * amount) * scale, (clean + free * amount) * scale)
                largest = max(largest, float(view.steps(change).max(initial=0.0)))
            return largest

        return worst

    def _light_of(self, lamp: Lamp) -> list[tuple[Picture, Picture]]:
        """Share of white (N, 3) on each view's places that one lux of the lamp gives, without and with the bridge."""
        height, width = self.wall.reflectance.shape[:2]
        k = min(1.0, self.map_px / max(width, height))
        texels = texel_points(self.wall, max(round(width * k), 1), max(round(height * k), 1))
        emitter = emitter_of(lamp.model_copy(update={"lux": 1.0}), self.lighting.light, self.lighting.reference)
        cast = lamp_light(
            texels.points[texels.valid].astype(np.float64),
            texels.normals[texels.valid].astype(np.float64),
            emitter,
            self.sight,
            [self.names[:1], self.names[1:]],
            self.cards,
            self.face_points,
        )
        maps = []
        for light in cast:
            laid = np.zeros((*texels.valid.shape, 3), dtype=np.float32)
            laid[texels.valid] = light
            maps.append(laid)
        return [(bilinear(maps[0], v.uv), bilinear(maps[1], v.uv)) for v in self.views]


def least_light(
    worst: Callable[[float], float], amounts: Sequence[float], below: float = JND_COLOUR
) -> tuple[float, float]:
    """The least lux at which ``worst`` (dE*ab) is below ``below``, and what that leaves.

    Where no amount does it: the one that leaves least. ``amounts`` are tried, rising; where one clears the shadow it is
    halved back towards the one before, to 2 %, on the safe side. 0 where nothing is needed.
    """
    best = (0.0, worst(0.0))
    if best[1] < below:
        return best
    held = 0.0
    for lux in amounts:
        size = worst(float(lux))
        if size < below:
            low, high, left = held, float(lux), size
            while high - low > _FINE * high:
                middle = 0.5 * (low + high)
                size = worst(middle)
                if size < below:
                    high, left = middle, size
                else:
                    low = middle
            return high, left
        held = float(lux)
        if size < best[1]:
            best = (held, size)
    return best


def fill_lamp(scene: Scene, position: Array, aim: Array, size: float | tuple[float, float]) -> Lamp:
    """A fill of one lux at its aim, in the white balance's colour."""
    return Lamp(
        name="fill",
        position=(float(position[0]), float(position[1]), float(position[2])),
        aim=(float(aim[0]), float(aim[1]), float(aim[2])),
        size=size,
        lux=1.0,
        kelvin=scene.light.white_balance,
    )


def possible_places(
    scene: Scene,
    move: Move,
    wall: Surface,
    sight: SightLines,
    names: tuple[str, str],
    aim: Array,
    size: float | tuple[float, float],
) -> Array:
    """Middles (N, 3) m of faces turned to ``aim`` that the lens never sees and that stand free of wall and bridge."""
    left, bottom, right, top = wall_box(scene)
    shape = bridge_shape(scene)
    half, below = shape.root
    sides = np.array([0.0, half, 0.15, 0.4, 0.9])
    x = np.unique(np.concatenate([-sides, sides]))
    y = np.array([-0.05, -0.1, -0.18, -0.3, -0.5, -0.8, 0.12, 0.35, 0.8]) - below
    z = np.array([0.1, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5]) * max(shape.near, 0.3)
    grid = np.stack(np.meshgrid(x, y, z, indexing="ij"), axis=-1).reshape(-1, 3)
    beside = (grid[:, 0] > left - 0.3) & (grid[:, 0] < right + 0.3)
    grid = grid[beside & (grid[:, 1] > bottom) & (grid[:, 1] < top + 0.4)]
    light = scene.light
    bodies = []
    for place in grid:
        emitter = emitter_of(fill_lamp(scene, place, aim, size), light, 1.0)
        rim = np.array([[0.0, 0.0], [-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5], [0.0, 0.5], [0.0, -0.5]])
        bodies.append(emitter.points(rim))
    body = np.stack(bodies)
    flat = body.reshape(-1, 3)
    free = shape.distance(flat) > _FREE
    free &= flat[:, 2] > float(wall.vertices[:, 2].max()) + _FREE
    free &= flat[:, 1] > bottom
    cameras = [move.camera(frame) for frame in judged_frames(move, 9)]
    # neither in the lens's own way nor in the picture
    for camera in cameras:
        free &= np.linalg.norm(flat - camera.position, axis=1) > 0.3
    stands = free.reshape(body.shape[:2]).all(axis=1)
    hidden = ~in_picture(cameras, body, sight, names, delivered_box_px(scene))
    return np.asarray(grid[stands & hidden])


def find_fill(
    scene: Scene,
    move: Move,
    wall: Surface,
    light: ShadowLight,
    lighting: Lighting,
    sight: SightLines,
    size: float | tuple[float, float] = 0.3,
    names: tuple[str, str] = ("wall", "bridge"),
    below: float = JND_COLOUR,
) -> Fill:
    """The fill that brings the step at every edge of the bridge's shadow in the hold below ``below`` (dE*ab) with the
    least lux at its aim; where none can, the one that leaves least.

    ``size`` (m) is its face: a diameter, or width and height. It is aimed at the strongest edge of the shadow.
    """
    first, last = scene.rail.hold
    box = delivered_box_px(scene)
    frames = sorted({first, move.station_frame, last} & set(range(first, last + 1)))

    def trial(fineness: tuple[int, int, int]) -> FillTrial:
        rows, map_px, points = fineness
        views = tuple(wall_view(move, frame, wall, sight, names, box, rows) for frame in frames)
        return FillTrial(wall, light, lighting, sight, names, scene.cards, views, map_px, points)

    final = trial(_FINAL)
    before = final.worst(None)(0.0)
    if before < below:
        words = f"There is no shadow on the wall for a fill to weaken: its edge is a step of {before:.1f} dE at most."
        return Fill(None, None, 0.0, before, before, True, 0, words)
    rough = trial(_ROUGH)
    aim, edge = _shadow_places(rough, below)
    places = possible_places(scene, move, wall, sight, names, aim, size)
    most = _MOST_LIGHT * lighting.reference
    solved: dict[int, tuple[bool, float, float]] = {}

    def solve(numbers: Sequence[int]) -> None:
        for i in numbers:
            worst = rough.worst(fill_lamp(scene, places[i], aim, size))
            lux, left = least_light(worst, [share * most for share in _AMOUNTS], below)
            solved[i] = (left >= below, lux if left < below else left, lux)

    def in_order() -> list[int]:
        return sorted(solved, key=lambda i: (solved[i], i))

    solve(_promising(rough, scene, places, aim, size, edge))
    # from the best of them on, as long as a place beside it is better
    for _ in range(_ROUNDS if solved else 0):
        first_best = in_order()[0]
        beside = np.argsort(np.linalg.norm(places - places[first_best], axis=1), kind="stable")[1 : 1 + _BESIDE]
        solve([int(i) for i in beside if int(i) not in solved])
        if in_order()[0] == first_best:
            break
    best: tuple[bool, float, float, Lamp] | None = None
    # the answer is worked out finely, and what looked best coarsely may not be
    for i in in_order()[:2]:
        lamp = fill_lamp(scene, places[i], aim, size)
        lux, left = least_light(final.worst(lamp), [min(share * solved[i][2], most) for share in _AROUND], below)
        found = (left >= below, lux if left < below else left)
        if best is None or found < best[:2]:
            best = (*found, lux if lux > 0.0 else left, lamp.model_copy(update={"lux": max(lux, 1e-6)}))
    return _answer(before, best, final, len(places))


def _answer(before: float, best: tuple[bool, float, float, Lamp] | None, final: FillTrial, tried: int) -> Fill:
    if best is None:
        words = (
            "No place for a fill is out of the picture and free of wall and bridge: the step at the shadow's edge "
            f"stays {before:.1f} dE. {FIRST_THE_KEY}"
        )
        return Fill(None, None, 0.0, before, before, False, tried, words)
    failed, _, _, lamp = best
    left = final.worst(lamp)(lamp.lux)
    if failed and left >= before:
        words = (
            f"No fill helps: of {tried} places the nearest leaves a step of {left:.1f} dE at the shadow's edge, and "
            f"without it there are {before:.1f}. {FIRST_THE_KEY}"
        )
        return Fill(None, None, 0.0, before, before, False, tried, words)
    x, y, z = (mm_text(v, 0) for v in lamp.position)
    wide, high = (mm_text(v, 0) for v in lamp.face)
    face = f"{wide} across" if lamp.is_disc else f"{wide} x {high}"
    words = f"A fill {face} at {x} right, {y} up, {z} out of the wall, {lamp.lux:.0f} lux"
    return Fill(lamp, lamp.position, lamp.lux, before, left, not failed, tried, words)


# what comes before any fill, where none mends the shadow
FIRST_THE_KEY: Final = (
    "Change the key first: previz rig --lamps tries it larger, further round and closer to the lens axis, and says "
    "what each leaves and costs."
)


def fill_words(fill: Fill, before: FrameShadow, after: FrameShadow | None) -> str:
    """What a fill does, in a sentence: ``before`` and ``after`` are the worst frames of the hold without and with it.

    ``after`` is None where there is no fill, or where no frame could be judged with it.
    """
    if fill.lamp is None:
        return fill.sentence
    if after is None:
        return f"{fill.sentence}, weakens the shadow's edge; no frame can be judged with it."
    if after.verdict == NOTHING:
        return f"{fill.sentence}, mends it: judged with it, no frame of the hold shows anything of the shadow."
    if after.verdict == LITTLE:
        return f"{fill.sentence}, mends it: what is left in the hold is {shares_text(after)}."
    if after.share_pct >= before.share_pct:
        return (
            f"No fill helps: with the nearest of {fill.tried} places, {_small(fill.sentence)}, the hold still shows "
            f"{shares_text(after)}, and {before.share_pct:.1f} % without it. {FIRST_THE_KEY}"
        )
    return (
        f"{fill.sentence}, does most of those tried and does not mend it: the hold still shows {shares_text(after)}"
        f", and {before.share_pct:.1f} % without it. {FIRST_THE_KEY}"
    )


def _small(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def _shadow_places(trial: FillTrial, below: float) -> tuple[Array, Array]:
    """The place (3,) m that a fill is aimed at, and places (N, 3) m where the shadow has to go."""
    points, weights = [], []
    for view in trial.views:
        change = view.change(view.light(trial.light.shadowed), view.light(trial.light.clean))
        size = view.steps(change)[view.on_wall]
        strong = np.flatnonzero(size >= max(below, 0.3 * float(size.max(initial=0.0))))
        strong = strong[:: max(1, len(strong) // 40)]
        points.append(view.points[strong])
        weights.append(size[strong])
    where, weight = np.concatenate(points), np.concatenate(weights)
    if len(where) == 0:
        return np.zeros(3), np.zeros((0, 3))
    return np.average(where, axis=0, weights=weight), where


def _promising(
    trial: FillTrial,
    scene: Scene,
    places: Array,
    aim: Array,
    size: float | tuple[float, float],
    edge: Array,
) -> list[int]:
    """Numbers of the places whose light reaches all of the shadow best: a few under, beside and before the bridge."""
    if len(places) == 0:
        return []
    shape = bridge_shape(scene)
    half, length = shape.root[0], shape.near
    facing = np.tile([0.0, 0.0, 1.0], (len(edge), 1))
    groups: dict[str, list[tuple[float, int]]] = {}
    for i, place in enumerate(places):
        emitter = emitter_of(fill_lamp(scene, place, aim, size), scene.light, 1.0)
        free, past = lamp_light(edge, facing, emitter, trial.sight, [trial.names[:1], trial.names[1:]], (), 4)
        arrives, wanted = past.mean(axis=1), free.mean(axis=1)
        # light that comes everywhere counts, its own shadow counts against it
        worth = float(np.mean(1.0 / (arrives + 0.02)) + 4.0 * np.mean(wanted - arrives))
        under = abs(place[0]) <= half + 0.05 and place[1] < 0.0
        name = "under" if under else ("before" if place[2] > length else "beside")
        groups.setdefault(name, []).append((worth, i))
    chosen: list[int] = []
    for name in sorted(groups):
        chosen += [i for _, i in sorted(groups[name])[:_SOLVED_EACH]]
    return chosen

