"""Drift: how fast the bridge's pattern slides against the wall beside it, and how much of that an eye can see.

A thing that is painted into its ground vanishes while the picture stands, and is found when it slides against it (Hall
et al., Proc. R. Soc. B 280:20130064, 2013, abstract). For every piece of the outline the velocities of the bridge and
of the wall on one and the same ray are known exactly, from the camera at the frames before and after: their difference
is parallax, and a turn about the entrance pupil has none of it.

**What is seen of it.** Only movement across a pattern's own gradients shows: with the structure tensor J of lightness
around the piece (Foerstner and Guelch, 1987, from memory) the energy v' J v against that of a pattern without
direction, 0.5 tr(J) v' v. Bands along the slide show nothing of it.

**From when on.** People see about 0.05 deg/s of random dots (Pasternak and Merigan 1980, abstract). Against a moving
ground it is a share of the ground's own speed: 7 % for clean patterns (De Bruyn and Orban 1988), one half where noise
masks them ("Detectability of velocity gradients in moving random-dot patterns", abstract); in between the share follows
the pattern's contrast s against a just noticeable one, 0.07 + 0.43 / (1 + s^3): the form is ours, its ends are theirs.
The least speed grows alike as contrast goes, 0.05 (1 + 1 / s^3). And the wall's relief has parallax of its own: what 95
of 100 places beside the outline show of it is ordinary.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.judge.film.pattern import AREA_SIGMA_DEG, SlidPattern, told_apart
from previz.judge.outline import Outline
from previz.judge.viewer import JND_COLOUR, Viewer
from previz.look.sight import SightLines
from previz.workshop.surface import Picture

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]

# the least speed of random dots that people see, degrees a second
LEAST_DEG_S: Final = 0.05

# shares of a moving ground's own speed that are told from it: in clean patterns, and where noise masks them
CLEAN_SHARE: Final = 0.07
MASKED_SHARE: Final = 0.5

# how far from the outline the pattern on either side is looked at, in standard deviations of that window
_ASIDE: Final = 1.5

# of places on the wall beside the outline, this share shows less parallax of their own than counts
_ORDINARY_SHARE: Final = 0.95
_APART_DEG: Final = (0.1, 0.35)

# the outline is told in so many lengths of the bridge to its left and as many to its right
LENGTHS: Final = 24


@dataclass(frozen=True, eq=False)
class Slide:
    """How pieces (N,) of an outline move in the viewer's field, degrees a second: ``relative`` (N, 2) of the bridge
    against the wall behind it, ``ground`` (N, 2) of that wall; ``ordinary`` what the wall's own relief does. ``place``
    (N,) int is the length of the bridge that a piece belongs to, -1 where it is not known."""

    relative: Array
    ground: Array
    ordinary: float
    place: NDArray[np.int64]

    @property
    def stands(self) -> bool:
        """Whether nothing slides."""
        return not self.relative.any()


@dataclass(frozen=True, eq=False)
class SeenSlide:
    """What is seen of a slide: ``seen`` (N,) deg/s, and how many ``times`` (N,) that is the least that can be."""

    seen: Array
    times: Array
    slide: Slide

    @property
    def median_deg_s(self) -> float:
        """The median of what is seen, degrees a second."""
        return float(np.median(self.seen)) if len(self.seen) else 0.0

    def by_length(self) -> tuple[tuple[int, float, float], ...]:
        """For each length of the bridge that is in view: its number, how many times the least speed it drifts at, and
        its share of the outline."""
        place = self.slide.place
        known = place >= 0
        if not known.any():
            return ()
        count = np.bincount(place[known], minlength=2 * LENGTHS)
        total = np.bincount(place[known], self.times[known], minlength=2 * LENGTHS)
        return tuple((int(k), float(total[k] / count[k]), float(count[k] / len(place))) for k in np.flatnonzero(count))


def slide_of(
    outline: Outline,
    cameras: tuple[Camera, Camera, Camera],
    seconds: float,
    sight: SightLines,
    reach: float,
    wall: str = "wall",
    bridge: str = "bridge",
) -> Slide:
    """How the pieces of an outline move, from the frame's own camera and those ``seconds`` apart around it.

    ``cameras`` are the one before, the frame's own and the one after, all of one size; ``reach`` m is how far the
    bridge comes out of the wall.
    """
    before, camera, after = cameras
    viewer = Viewer(camera.height_px)
    per_second = 1.0 / (seconds * viewer.px_per_deg)

    def moved(points: Array) -> Array:
        return (after.project(points) - before.project(points)) * per_second

    origins, directions = camera.rays(outline.inside_px)
    on_bridge = sight.first_hits(origins, directions, names=[bridge]).point
    # the same ray: a turn about the entrance pupil moves both alike
    behind = sight.first_hits(origins, directions, names=[wall]).point
    known = np.asarray(np.isfinite(on_bridge).all(axis=1) & np.isfinite(behind).all(axis=1))
    ground = np.where(known[:, None], moved(np.where(known[:, None], behind, 0.0)), 0.0)
    relative = np.where(known[:, None], moved(np.where(known[:, None], on_bridge, 0.0)) - ground, 0.0)
    part = np.clip(np.nan_to_num(on_bridge[:, 2]) / max(reach, 1e-9) * LENGTHS, 0, LENGTHS - 1).astype(np.int64)
    place = np.where(known, part + LENGTHS * (outline.normal[:, 0] > 0.0), -1)
    return Slide(relative, ground, _ordinary(outline, camera, moved, sight, wall, viewer), place)


def _ordinary(
    outline: Outline, camera: Camera, moved: Any, sight: SightLines, wall: str, viewer: Viewer
) -> float:
    """What parallax the wall's relief has by itself between places beside the outline, degrees a second."""
    pair = []
    for apart in _APART_DEG:
        origins, directions = camera.rays(outline.xy + apart * viewer.px_per_deg * outline.normal)
        pair.append(sight.first_hits(origins, directions, names=[wall]).point)
    met = np.isfinite(pair[0]).all(axis=1) & np.isfinite(pair[1]).all(axis=1)
    if not met.any():
        return 0.0
    apart_deg_s = np.linalg.norm(moved(pair[0][met]) - moved(pair[1][met]), axis=1)
    return float(np.quantile(apart_deg_s, _ORDINARY_SHARE))


def drift_of(slide: Slide, outline: Outline, seen: Picture, viewer: Viewer) -> SeenSlide:
    """What can be seen of a slide in the frame as delivered, ``seen`` (H, W, 3) float32, linear light 0 to 1."""
    if slide.stands:
        return SeenSlide(np.zeros(len(outline)), np.zeros(len(outline)), slide)
    return seen_of(slide, *pattern_beside(outline, seen, viewer))


def visible_speed(velocity: Array, tensor: Array) -> Array:
    """What shows (N,) of velocities (N, 2) of patterns with structure tensors (N, 3): xx, xy, yy."""
    speed = np.linalg.norm(velocity, axis=1)
    x, y = velocity[:, 0], velocity[:, 1]
    energy = tensor[:, 0] * x * x + 2.0 * tensor[:, 1] * x * y + tensor[:, 2] * y * y
    trace = tensor[:, 0] + tensor[:, 2]
    return np.asarray(np.minimum(speed, np.sqrt(np.maximum(2.0 * energy / np.maximum(trace, 1e-12), 0.0))))


def least_speed(ground_deg_s: Array, contrast: Array) -> Array:
    """The least relative speed (N,) that is seen, degrees a second, where the ground moves at ``ground_deg_s`` (N,) and
    the pattern's ``contrast`` (N,) is so many times a just noticeable one."""
    clear = np.maximum(contrast, 1e-3) ** 3
    share = CLEAN_SHARE + (MASKED_SHARE - CLEAN_SHARE) / (1.0 + clear)
    return np.asarray(np.hypot(LEAST_DEG_S * (1.0 + 1.0 / clear), share * ground_deg_s))


def beside(outline: Outline, viewer: Viewer) -> Array:
    """Where the pattern is looked at on either side (2, N, 2) px of an outline: outside, inside."""
    away = _ASIDE * AREA_SIGMA_DEG * viewer.px_per_deg * outline.normal
    return np.stack([outline.xy + away, outline.xy - away])


def pattern_beside(outline: Outline, seen: Picture, viewer: Viewer) -> tuple[Array, Array]:
    """Structure tensor (N, 3) of lightness, xx, xy and yy, and its root mean square contrast (N,) in L*, on both sides
    of an outline together, over the area in which movement adds up."""
    reach = int(np.ceil(5.0 * AREA_SIGMA_DEG * viewer.px_per_deg)) + 2
    h, w = seen.shape[:2]
    x0, y0 = np.maximum(np.floor(outline.xy.min(axis=0)).astype(int) - reach, 0)
    x1, y1 = np.minimum(np.ceil(outline.xy.max(axis=0)).astype(int) + reach, [w, h])
    pattern = SlidPattern.of_picture(seen[y0:y1, x0:x1], viewer)
    return told_apart(np.stack([pattern.at(px - [x0, y0]) for px in beside(outline, viewer)]))


def seen_of(slide: Slide, tensor: Array, contrast: Array) -> SeenSlide:
    """What can be seen of a slide of patterns with structure tensors (N, 3) and contrasts (N,), L*."""
    visible = visible_speed(slide.relative, tensor)
    least = least_speed(np.linalg.norm(slide.ground, axis=1), contrast / JND_COLOUR)
    return SeenSlide(visible, visible / np.maximum(least, slide.ordinary), slide)
