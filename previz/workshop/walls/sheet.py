"""A sheet to carve or to paint on: noise in the wall's own measures, and a painter's few moves.

Paint is kept as three planes (red, green, blue), linear light, while it is worked on. Moves are those of a model
painter: a coat, a wash that gathers in hollows, a dry brush over crests, streaks, spatter.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from previz import colour
from previz.geometry import Array
from previz.workshop import noise
from previz.workshop.noise import Field, smoothstep
from previz.workshop.pigment import BRIGHTEST_PAINT, DARKEST_PAINT
from previz.workshop.surface import Picture

# samples that the smallest feature of a field needs; with more than this it is drawn smaller and enlarged
_SAMPLES = 6.0

# the shorter side (m) of the wall for which features are drawn at the sizes given in the rules
_USUAL_SIDE = 2.0


@dataclass(frozen=True)
class Ground:
    """The wall to be carved and painted: its rectangle (m) and its seed."""

    width: float
    height: float
    top: float
    seed: int

    @property
    def bottom(self) -> float:
        """y of the lower edge."""
        return self.top - self.height

    @property
    def unit(self) -> float:
        """Factor on the sizes of features: a small wall gets small stones."""
        return float(np.clip(min(self.width, self.height) / _USUAL_SIDE, 0.2, 5.0))


class WallGrid:
    """A grid over a wall: ``x`` (w,) and ``y`` (h,) m, either rising or falling. Cell sizes are in mm at the usual
    size of a wall and grow with ``ground.unit``; ``seed`` numbers tell the fields of one wall apart."""

    def __init__(self, ground: Ground, x: Array, y: Array) -> None:
        self.ground = ground
        self.x, self.y = x, y
        self.mm = 1e-3 * ground.unit
        self._step_x = abs(float(x[1] - x[0])) if len(x) > 1 else 1.0
        self._step_y = abs(float(y[1] - y[0])) if len(y) > 1 else 1.0

    @property
    def shape(self) -> tuple[int, int]:
        """(h, w)."""
        return len(self.y), len(self.x)

    @cached_property
    def column(self) -> Field:
        """y in mm of the usual size, (h, 1)."""
        return (self.y / self.mm).astype(np.float32)[:, None]

    @cached_property
    def row(self) -> Field:
        """x in mm of the usual size, (w,)."""
        return (self.x / self.mm).astype(np.float32)

    def number(self, seed: int) -> int:
        """The seed of a field of this wall."""
        return int(noise.hashed(self.ground.seed, seed))

    def fbm(self, cell_x: float, cell_y: float, seed: int, octaves: int = 3, gain: float = 0.5) -> Field:
        """Layers of gradient noise (h, w), about -1 to 1."""
        finest = 0.5 ** (octaves - 1) * self.mm
        skip_x = self._skip(cell_x * finest, self._step_x)
        skip_y = self._skip(cell_y * finest, self._step_y)
        x, y = _thinned(self.x, skip_x), _thinned(self.y, skip_y)
        field = noise.fbm(x, y, cell_x * self.mm, cell_y * self.mm, self.number(seed), octaves, gain)
        return _enlarged(field, skip_y, skip_x, *self.shape)

    def facets(self, wide: float, high: float, lean: float, seed: int, buckled: float = 0.25) -> noise.Cells:
        """Angular facets of about ``wide`` by ``high`` mm (h, w); ``lean`` shears them to the right with height.

        ``gap`` is turned into mm from the border, roughly. Worked out at no less than about 1.5 mm.
        """
        skip_x, skip_y = self._skip(9.0 * self.mm, self._step_x), self._skip(9.0 * self.mm, self._step_y)
        small = WallGrid(self.ground, _thinned(self.x, skip_x), _thinned(self.y, skip_y))
        cell = min(wide, high)
        bent = buckled * cell * small.fbm(1.3 * wide, 1.3 * high, seed, octaves=3)
        u = (small.row + lean * small.column + bent) * np.float32(1.0 / wide)
        v = (small.column - bent) * np.float32(1.0 / high)
        found = noise.cells(u, v, self.number(seed + 1))
        rows = np.minimum((np.arange(len(self.y)) + skip_y // 2) // skip_y, len(small.y) - 1)
        columns = np.minimum((np.arange(len(self.x)) + skip_x // 2) // skip_x, len(small.x) - 1)
        gap = _enlarged(found.gap, skip_y, skip_x, *self.shape) * np.float32(0.5 * cell)
        right, up = found.right[rows][:, columns], found.up[rows][:, columns]
        return noise.Cells(gap, right, up, found.name[rows][:, columns])

    def grain(self, cell_x: float, cell_y: float, seed: int) -> Field:
        """Fine even noise (h, w), -1 to 1: bristle marks, dust. Never finer than about two samples."""
        return noise.value(
            self.x,
            self.y,
            max(cell_x * self.mm, 1.6 * self._step_x),
            max(cell_y * self.mm, 1.6 * self._step_y),
            self.number(seed),
        )

    def strokes(self, long: float, thin: float, slope: float, seed: int, octaves: int = 2) -> Field:
        """Noise (h, w) drawn out along a direction that rises by ``slope`` to the right."""
        rise = self.x * slope
        step = self._step_y
        high, low = max(self.y[0], self.y[-1]), min(self.y[0], self.y[-1])
        first = low - float(rise.max())
        count = int((high - low + float(np.ptp(rise))) / step) + 2
        y = first + step * np.arange(count)
        field = WallGrid(self.ground, self.x, y).fbm(long, thin, seed, octaves)
        row = (self.y[:, None] - rise[None, :] - first) * (1.0 / step)
        at = np.clip((row + 0.5).astype(np.int32), 0, count - 1)
        at *= np.int32(len(self.x))
        at += np.arange(len(self.x), dtype=np.int32)
        return np.asarray(np.take(field.reshape(-1), at))

    def blurred(self, field: Field, mm: float) -> Field:
        """A field blurred over ``mm``, worked out small where that is no loss."""
        sigma_x, sigma_y = mm * self.mm / self._step_x, mm * self.mm / self._step_y
        skip_x, skip_y = max(1, int(sigma_x / 2.5)), max(1, int(sigma_y / 2.5))
        small = noise.blurred(field[::skip_y, ::skip_x], sigma_x / skip_x, sigma_y / skip_y)
        return _enlarged(small, skip_y, skip_x, *self.shape)

    def raised(self, field: Field, mm: float) -> Field:
        """How far each place stands out of its neighbourhood of ``mm``."""
        return field - self.blurred(field, mm)

    def overhang(self, field: Field, mm: float) -> Field:
        """How far (at least 0) what lies ``mm`` above a place stands out over it."""
        rows = max(1, round(mm * self.mm / self._step_y))
        out = np.zeros_like(field)
        if rows < len(field):
            if self.y[0] > self.y[-1]:
                out[rows:] = np.maximum(field[:-rows] - field[rows:], 0.0)
            else:
                out[:-rows] = np.maximum(field[rows:] - field[:-rows], 0.0)
        return out

    def _skip(self, cell: float, step: float) -> int:
        return max(1, int(cell / (_SAMPLES * step)))


def _thinned(lines: Array, skip: int) -> Array:
    """Every ``skip``-th line, and one beyond the last."""
    if skip == 1 or len(lines) < 2:
        return lines
    count = (len(lines) - 1) // skip + 2
    return np.asarray(lines[0] + (lines[1] - lines[0]) * skip * np.arange(count))


def _enlarged(small: Field, skip_y: int, skip_x: int, height: int, width: int) -> Field:
    """A thinned field drawn out again, straight between its samples."""
    out = small
    if skip_y > 1:
        at = np.arange(height) / np.float32(skip_y)
        j = np.minimum(at.astype(np.int64), out.shape[0] - 1)
        after = np.minimum(j + 1, out.shape[0] - 1)
        part = (at - j).astype(np.float32)[:, None]
        out = out[j] + (out[after] - out[j]) * part
    if skip_x > 1:
        at = np.arange(width) / np.float32(skip_x)
        i = np.minimum(at.astype(np.int64), out.shape[1] - 1)
        after = np.minimum(i + 1, out.shape[1] - 1)
        part = (at - i).astype(np.float32)
        left = np.take(out, i, axis=1)
        out = np.take(out, after, axis=1)
        out -= left
        out *= part
        out += left
    return out


@dataclass(frozen=True, eq=False)
class Rows:
    """Uneven courses along one direction: where (mm) each begins and how thick it is, and a fast look-up."""

    starts: Array
    low: float
    step: float
    table: NDArray[np.int32]

    def index(self, at: Field) -> NDArray[np.int32]:
        """The course that each place (mm along the direction) lies in."""
        place = ((at - np.float32(self.low)) * np.float32(1.0 / self.step)).astype(np.int32)
        return np.asarray(self.table[np.clip(place, 0, len(self.table) - 1)])

    def thickness(self) -> Field:
        """Of each course, mm."""
        return np.diff(self.starts).astype(np.float32)


def courses(low: float, high: float, thin: float, thick: float, seed: int, power: float = 1.0) -> Rows:
    """Courses from ``low`` to ``high`` mm, between ``thin`` and ``thick`` mm; a ``power`` above 1 makes more thin ones.

    They are counted from 0 both ways, so that the same seed gives the same courses on a wider wall.
    """
    up = np.cumsum(_thicknesses(high, thin, thick, seed, power))
    down = -np.cumsum(_thicknesses(-low, thin, thick, seed + 1, power))
    starts = np.concatenate([down[::-1], [0.0], up])
    step = 0.2
    places = np.arange(starts[0], starts[-1], step) + 0.5 * step
    table = np.clip(np.searchsorted(starts, places, side="right") - 1, 0, len(starts) - 2).astype(np.int32)
    return Rows(starts, float(starts[0]), step, table)


def _thicknesses(reach: float, thin: float, thick: float, seed: int, power: float) -> Array:
    count = int(max(reach, 0.0) / thin) + 2
    share = noise.uniform(seed, np.arange(count)).astype(np.float64) ** power
    rows = thin + (thick - thin) * share
    enough = int(np.searchsorted(np.cumsum(rows), reach)) + 1
    return np.asarray(rows[:enough])


class Coat:
    """Paint on a sheet: three planes (h, w) of linear light."""

    def __init__(self, planes: list[Field]) -> None:
        self.planes = planes

    @classmethod
    def of(cls, shape: tuple[int, int], pigment: str) -> Coat:
        """One even coat of a colour ``#rrggbb``."""
        return cls([np.full(shape, level, dtype=np.float32) for level in mixed(pigment)])

    @classmethod
    def picked(cls, pigments: list[str], which: NDArray[np.integer]) -> Coat:
        """Every place in the pigment whose number it has, (h, w)."""
        table = np.stack([mixed(p) for p in pigments]).astype(np.float32)
        return cls([table[:, k][which] for k in range(3)])

    def over(self, pigment: str, share: ArrayLike) -> Coat:
        """A colour laid over, ``share`` (h, w) 0 to 1 of it."""
        amount = np.asarray(share, dtype=np.float32)
        for plane, level in zip(self.planes, mixed(pigment), strict=True):
            plane += (np.float32(level) - plane) * amount
        return self

    def times(self, factor: ArrayLike) -> Coat:
        """Made darker or lighter everywhere by a factor (h, w)."""
        by = np.asarray(factor, dtype=np.float32)
        for plane in self.planes:
            plane *= by
        return self

    def picture(self) -> Picture:
        """The finished paint (h, w, 3), within what paint can be."""
        out = np.stack(self.planes, axis=-1)
        return np.clip(out, DARKEST_PAINT, BRIGHTEST_PAINT, out=out)


def mixed(pigment: str) -> NDArray[np.float32]:
    """Linear light (3,) of a colour written ``#rrggbb``."""
    return colour.hex_linear(pigment).astype(np.float32)


__all__ = ["Coat", "Ground", "Rows", "WallGrid", "courses", "mixed", "smoothstep"]
