"""Where the plate's camera stood, from marks made in its picture with the lens and the performer's height known.

The floor is level and the camera stands over it at (0, height, 0), looking along -Z, tilted and rolled. Feet and head
are one upright of known length. What tells the tilt is the horizon, marked as a line, or two parallel edges on the
floor: where they meet in the picture is a point of the horizon (Hartley and Zisserman, *Multiple View Geometry*, 2nd
edition, chapter 8, single view metrology). A second upright of known length at another distance does so too. All marks
are fitted together, each mark weighed alike, and the covariance is that of the linearised fit, (J^T J)^-1 times the
square of the stated noise of a mark (the book's section 5.2). The lens is taken as free of distortion.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import chi2

from previz.errors import PlateError
from previz.geometry import Array, turned, unit
from previz.plate.scaling import PlateNumbers
from previz.units import deg_text

Px = tuple[float, float]
Line = tuple[Px, Px]

# marks nearer than this many times their noise cannot be told apart
_APART = 3.0

# a tilt known no better than this is no answer; the horizon may not leave the picture by more than this many frames
_LOOSEST_TILT = math.radians(5.0)
_FARTHEST = 20.0

# a height that two standard deviations leave more open than this is said to be loose: 2 %
_LOOSE_HEIGHT = 0.02

# tilts tried as a start where uprights alone tell it
_TILTS = np.radians(np.arange(-80.0, 81.0, 2.5))


@dataclass(frozen=True)
class PlatePicture:
    """The picture that was marked: its size, and the lens and the used width of the sensor, m, that made it."""

    width_px: int
    height_px: int
    lens: float
    used_width: float

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return self.lens * self.width_px / self.used_width

    def rays(self, px: Array) -> Array:
        """Directions (..., 3) in the camera (x right, y up, looking along -Z) of pixels (..., 2); z is -1."""
        p = np.asarray(px, dtype=np.float64)
        right = (p[..., 0] - 0.5 * self.width_px) / self.focal_px
        up = (0.5 * self.height_px - p[..., 1]) / self.focal_px
        return np.stack([right, up, np.full_like(right, -1.0)], axis=-1)

    def project(self, cam: Array) -> Array:
        """Pixels (..., 2) of points (..., 3) in the camera."""
        scale = self.focal_px / -cam[..., 2]
        return np.stack(
            [0.5 * self.width_px + scale * cam[..., 0], 0.5 * self.height_px - scale * cam[..., 1]], axis=-1
        )


@dataclass(frozen=True)
class Upright:
    """Something of known ``height`` (m) that stands upright on the floor: its lower and its upper end, px."""

    foot: Px
    head: Px
    height: float


@dataclass(frozen=True)
class Marks:
    """Marks in a plate's picture, px (x right, y down, pixel centres at .5).

    ``uprights``: the performer first; a pole of known length, or the performer in other places, may follow.
    ``horizon`` is a line by two points (they may lie outside the picture), ``edges`` two lines that are parallel on
    the floor, each by two points. ``noise_px`` is how true a mark is (standard deviation, each way).
    """

    uprights: tuple[Upright, ...]
    horizon: Line | None = None
    edges: tuple[Line, Line] | None = None
    noise_px: float = 1.0


@dataclass(frozen=True)
class Estimate:
    """A value and its standard deviation, in the inside unit."""

    value: float
    sigma: float


@dataclass(frozen=True)
class SolvedCamera:
    """The plate's camera as the marks tell it; lengths (m) at full size, angles rad.

    ``distance`` and ``lateral`` are against the first upright's foot: level and straight ahead, and the camera to the
    right of it. ``roll`` has a sigma of 0 where it was taken as level (no horizon and one upright). ``pan`` is the
    camera's turn to the right of the edges' own direction, None without edges. ``misfit_px`` is the root mean square of
    what is left over in a measurement, ``spare`` how many more measurements there were than unknowns, and ``doubt`` the
    chance that marks of the stated noise disagree so much (1 where nothing was spare).
    """

    height: Estimate
    distance: Estimate
    lateral: Estimate
    tilt: Estimate
    roll: Estimate
    pan: Estimate | None
    misfit_px: float
    spare: int
    doubt: float

    @property
    def text(self) -> list[str]:
        """Plain sentences: the camera, and a warning where the marks contradict one another."""
        roll = "taken as level" if self.roll.sigma == 0.0 else _deg(self.roll)
        out = [
            f"height {_metres(self.height)}, distance {_metres(self.distance)}, right of the feet by "
            f"{_metres(self.lateral)}, tilt {_deg(self.tilt)}, roll {roll}"
        ]
        if self.pan is not None:
            out.append(f"turned {_deg(self.pan)} to the right of the floor's edges")
        loose = 2.0 * self.height.sigma / abs(self.height.value)
        if loose > _LOOSE_HEIGHT:
            out.append(
                f"the height is sure to {100.0 * loose:.1f} % only (two standard deviations): mark a still of more "
                "pixels, or a pole of known length besides, as tall in the picture as can be"
            )
        if self.doubt < 0.01:
            out.append(
                f"the marks contradict one another by {self.misfit_px:.1f} px, more than their noise allows; look for "
                "a mark out of place, edges that are not parallel, or a wrong lens, sensor or height"
            )
        return out


def _metres(solved: Estimate) -> str:
    return f"{solved.value:.2f} +- {solved.sigma:.2f} m"


def _deg(solved: Estimate) -> str:
    return f"{deg_text(solved.value, 2)} +- {deg_text(solved.sigma, 2)}"


def solve_camera(picture: PlatePicture, marks: Marks) -> SolvedCamera:
    """The plate's camera from marks in its picture.

    Raises :class:`PlateError`, with one line, for marks that cannot tell it.
    """
    _refuse(picture, marks)
    fit = _Fit(picture, marks)
    start = fit.start()
    found = least_squares(fit.residuals, start, jac="3-point", x_scale="jac", method="trf", xtol=1e-12, ftol=1e-12)
    if found.status < 1:
        raise PlateError("the marks lead to no camera; are feet and head, or an edge's two ends, swapped?")
    jacobian = np.asarray(found.jac)
    _, sizes, turns = np.linalg.svd(jacobian, full_matrices=False)
    if sizes[-1] < 1e-9 * sizes[0]:
        raise PlateError(
            "these marks leave the camera open: different cameras would show them alike; mark the horizon, or two "
            "parallel edges on the floor that run away from the camera"
        )
    covariance = turns.T @ np.diag(1.0 / sizes**2) @ turns
    sigma = np.sqrt(np.diag(covariance))
    values = np.asarray(found.x)
    if sigma[fit.TILT] > _LOOSEST_TILT:
        raise PlateError(
            f"these marks leave the tilt open by {deg_text(float(sigma[fit.TILT]))}; mark the horizon, or edges that "
            "are longer and farther apart"
        )

    def solved(index: int, sign: float = 1.0) -> Estimate:
        return Estimate(sign * float(values[index]), float(sigma[index]))

    spare = jacobian.shape[0] - jacobian.shape[1]
    cost = 2.0 * float(found.cost)
    return SolvedCamera(
        height=solved(fit.HEIGHT),
        distance=solved(fit.first_upright + 1),
        lateral=solved(fit.first_upright, -1.0),
        tilt=solved(fit.TILT),
        roll=solved(fit.ROLL) if fit.rolls else Estimate(0.0, 0.0),
        pan=None if marks.edges is None else solved(fit.first_edge, -1.0),
        misfit_px=marks.noise_px * math.sqrt(cost / jacobian.shape[0]),
        spare=spare,
        doubt=float(chi2.sf(cost, spare)) if spare else 1.0,
    )


def numbers_from(solved: SolvedCamera, picture: PlatePicture, travel: float) -> PlateNumbers:
    """The solved camera as the plate's numbers; ``travel`` (m, full size) is the move that a still cannot tell."""
    return PlateNumbers(
        lens=picture.lens,
        sensor_width=picture.used_width,
        height=solved.height.value,
        distance=solved.distance.value,
        tilt=solved.tilt.value,
        travel=travel,
        lateral=solved.lateral.value,
        roll=solved.roll.value,
    )


class _Fit:
    """The unknowns in a row: height, tilt, (roll), right and ahead of each upright, then the edges.

    The edges have one direction (rad, to the right of straight ahead) and each an offset to the right of the camera, in
    camera heights.
    """

    HEIGHT, TILT, ROLL = 0, 1, 2

    def __init__(self, picture: PlatePicture, marks: Marks) -> None:
        self.picture, self.marks = picture, marks
        self.rolls = marks.horizon is not None or len(marks.uprights) > 1
        self.first_upright = 3 if self.rolls else 2
        self.first_edge = self.first_upright + 2 * len(marks.uprights)
        self.tall = np.array([upright.height for upright in marks.uprights])
        self.feet = np.array([upright.foot for upright in marks.uprights], dtype=np.float64)
        self.heads = np.array([upright.head for upright in marks.uprights], dtype=np.float64)

    def residuals(self, values: Array) -> Array:
        """Marked less shown, in standard deviations of a mark."""
        height, tilt = values[self.HEIGHT], values[self.TILT]
        world_from_cam = turned(0.0, tilt, values[self.ROLL] if self.rolls else 0.0)
        right, ahead = values[self.first_upright : self.first_edge].reshape(-1, 2).T
        foot = np.stack([right, np.full_like(right, -height), -ahead], axis=-1)
        head = foot + self.tall[:, None] * np.array([0.0, 1.0, 0.0])
        out = [
            (self.picture.project(foot @ world_from_cam) - self.feet).ravel(),
            (self.picture.project(head @ world_from_cam) - self.heads).ravel(),
        ]
        if self.marks.horizon is not None:
            out.append(self._off_line(np.array([0.0, 1.0, 0.0]) @ world_from_cam, self.marks.horizon))
        if self.marks.edges is not None:
            turn = values[self.first_edge]
            along = np.array([math.sin(turn), 0.0, -math.cos(turn)])
            across = np.array([math.cos(turn), 0.0, math.sin(turn)])
            for edge, offset in zip(self.marks.edges, values[self.first_edge + 1 :], strict=True):
                # the plane through the lens and the edge
                normal = np.cross(along, offset * across - np.array([0.0, 1.0, 0.0]))
                out.append(self._off_line(normal @ world_from_cam, edge))
        return np.concatenate(out) / self.marks.noise_px

    def _off_line(self, normal: Array, line: Line) -> Array:
        """Distances (2,) px of two marks from the line in which a plane through the lens is seen."""
        rays = self.picture.rays(np.asarray(line, dtype=np.float64))
        return np.asarray(self.picture.focal_px * (rays @ normal) / np.hypot(normal[0], normal[1]))

    def start(self) -> Array:
        """A first guess from closed forms: the tilt, then each upright, then the edges."""
        best: Array | None = None
        for tilt, roll in self._turns():
            guess = self._placed(tilt, roll)
            if guess is not None and (best is None or self._cost(guess) < self._cost(best)):
                best = guess
        if best is None:
            raise PlateError(
                "no camera shows these marks: feet and head do not fit the horizon; are feet and head swapped, or is "
                "the horizon marked between the wrong points?"
            )
        return best

    def _cost(self, guess: Array) -> float:
        return float(np.sum(self.residuals(guess) ** 2))

    def _turns(self) -> Iterator[tuple[float, float]]:
        marks, picture = self.marks, self.picture
        if marks.horizon is not None:
            first, second = picture.rays(np.asarray(marks.horizon, dtype=np.float64))
            up = unit(np.cross(first, second))
            up = up if up[1] > 0.0 else -up
            # up as the camera has it is (-cos t sin r, cos t cos r, -sin t)
            yield -math.asin(float(up[2])), math.atan2(-float(up[0]), float(up[1]))
        elif marks.edges is not None:
            meets = _meeting(picture, marks.edges)
            yield -math.atan2(float(meets[1]), -float(meets[2])), 0.0
        else:
            yield from ((float(tilt), 0.0) for tilt in _TILTS)

    def _placed(self, tilt: float, roll: float) -> Array | None:
        world_from_cam = turned(0.0, tilt, roll)
        out = [0.0, tilt, roll] if self.rolls else [0.0, tilt]
        heights = []
        for upright in self.marks.uprights:
            rays = self.picture.rays(np.array([upright.foot, upright.head])) @ world_from_cam.T
            # foot + height up = head, both on their rays
            ends = np.stack([rays[0], -rays[1]], axis=1)
            far, _, _, _ = np.linalg.lstsq(ends, np.array([0.0, -upright.height, 0.0]), rcond=None)
            if far[0] <= 0.0 or far[1] <= 0.0:
                return None
            place = far[0] * rays[0]
            if place[2] >= 0.0:
                return None
            heights.append(-float(place[1]))
            out += [float(place[0]), -float(place[2])]
        out[self.HEIGHT] = float(np.mean(heights))
        if self.marks.edges is None:
            return np.array(out)
        meets = world_from_cam @ _meeting(self.picture, self.marks.edges)
        turn = math.atan2(float(meets[0]), -float(meets[2]))
        out.append(turn)
        for edge in self.marks.edges:
            first, second = self.picture.rays(np.asarray(edge, dtype=np.float64)) @ world_from_cam.T
            normal = np.cross(first, second)
            # the plane's normal is across + offset up (see residuals), whatever its length
            out.append(float(normal[1] / (normal @ np.array([math.cos(turn), 0.0, math.sin(turn)]))))
        return np.array(out)


def _meeting(picture: PlatePicture, edges: tuple[Line, Line]) -> Array:
    """Direction (3,) in the camera in which two edges meet, ahead of it."""
    one, other = (picture.rays(np.asarray(edge, dtype=np.float64)) for edge in edges)
    meets = unit(np.cross(np.cross(one[0], one[1]), np.cross(other[0], other[1])))
    return meets if meets[2] < 0.0 else -meets


def _refuse(picture: PlatePicture, marks: Marks) -> None:
    """Raise for marks that cannot tell a camera, in words that say what to mark instead."""
    if not (marks.noise_px > 0.0 and marks.uprights):
        raise ValueError("marks need a noise above 0 px and an upright")
    apart = _APART * marks.noise_px
    for number, upright in enumerate(marks.uprights):
        name, low, high = ("the performer", "feet", "head") if number == 0 else (f"pole {number}", "foot", "top")
        for end, place in ((low, upright.foot), (high, upright.head)):
            _inside(picture, f"{name}'s {end}", place)
        tall = math.dist(upright.foot, upright.head)
        if tall <= apart:
            raise PlateError(
                f"{name}'s {high} lies on the {low}: {tall:.1f} px apart, expected more than {apart:.1f} px; mark the "
                f"top of the {'head' if number == 0 else 'pole'} and the ground under the {low}"
            )
    if marks.horizon is not None:
        _apart("the horizon's two points", marks.horizon, apart, "mark them at the picture's two sides")
        for place in marks.horizon:
            if not all(abs(value) <= _FARTHEST * picture.width_px for value in place):
                raise PlateError(f"the horizon's point {_at(place)} lies too far outside the picture; mark it nearer")
        for upright in marks.uprights[:1]:
            if _from_line(upright.foot, marks.horizon) <= apart:
                raise PlateError(
                    "the horizon goes through the feet: the lens is on the floor, and feet and head do not tell how "
                    "far away they are from it; mark the ground under the feet, or write plate.camera.height"
                )
    if marks.edges is not None:
        _refuse_edges(picture, marks.edges, apart, marks.noise_px)
    if marks.horizon is None and marks.edges is None and not _spread(marks.uprights, apart):
        raise PlateError(
            "feet and head alone do not tell the tilt; mark the horizon as well, or two parallel edges on the floor, "
            "or a pole of known height nearer or farther than the performer"
        )


def _refuse_edges(picture: PlatePicture, edges: tuple[Line, Line], apart: float, noise_px: float) -> None:
    for name, edge in zip(("first", "second"), edges, strict=True):
        for place in edge:
            _inside(picture, f"a point of the {name} edge", place)
        _apart(f"the {name} edge's two points", edge, apart, "mark the edge's two ends")
    turns = [math.atan2(edge[1][1] - edge[0][1], edge[1][0] - edge[0][0]) for edge in edges]
    between = abs((turns[1] - turns[0] + 0.5 * math.pi) % math.pi - 0.5 * math.pi)
    # each end strays by the noise: an edge's direction by sqrt(2) noise / length
    loose = math.hypot(*(math.sqrt(2.0) * noise_px / math.dist(*edge) for edge in edges))
    if between <= _APART * loose:
        raise PlateError(
            f"the two edges do not meet: {deg_text(between, 2)} between them in the picture, within what the marks' "
            "noise makes; mark two parallel edges that run away from the camera, far apart, or the horizon"
        )
    meets = _meeting(picture, edges)
    if meets[2] > -1e-6:
        raise PlateError("the two edges meet beside the camera; mark edges that run away from it, or the horizon")
    point = picture.project(meets)
    for near, far in edges:
        if float(np.dot(np.subtract(near, point), np.subtract(far, point))) < 0.0:
            raise PlateError(
                "the two edges cross where they are marked; parallel edges on the floor meet only at the horizon: "
                "mark each of them from near to far"
            )


def _spread(uprights: Sequence[Upright], apart: float) -> bool:
    """Whether any two uprights stand at different distances: their pictures are of different lengths a metre."""
    sizes = [math.dist(upright.foot, upright.head) / upright.height for upright in uprights]
    errors = [math.sqrt(2.0) * apart / upright.height for upright in uprights]
    pairs = combinations(range(len(sizes)), 2)
    return any(abs(sizes[i] - sizes[j]) > math.hypot(errors[i], errors[j]) for i, j in pairs)


def _inside(picture: PlatePicture, name: str, place: Px) -> None:
    x, y = place
    if not (0.0 <= x <= picture.width_px and 0.0 <= y <= picture.height_px):
        raise PlateError(
            f"{name} at {_at(place)} lies outside the picture of {picture.width_px} x {picture.height_px} px; mark it "
            "inside, in pixels from the top left corner"
        )


def _apart(name: str, line: Line, apart: float, hint: str) -> None:
    length = math.dist(*line)
    if not length > apart:
        raise PlateError(f"{name} are {length:.1f} px apart, expected more than {apart:.1f} px; {hint}")


def _from_line(place: Px, line: Line) -> float:
    (x0, y0), (x1, y1) = line
    return abs((x1 - x0) * (place[1] - y0) - (y1 - y0) * (place[0] - x0)) / math.dist(*line)


def _at(place: Px) -> str:
    return f"({place[0]:g}, {place[1]:g})"
