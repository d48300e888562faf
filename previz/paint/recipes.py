"""Mixed paints: plain recipes from a few common pigments for the colours of a palette.

Kubelka and Munk's theory for a layer that hides its ground: reflectance R and the ratio of absorption K to
scattering S are tied by K / S = (1 - R)^2 / (2 R) (Kubelka and Munk, *Zeitschrift für technische Physik* 12, 593-601,
1931), and in a mixture K and S add up by parts (Duncan, *Proc. Physical Society* 52, 390, 1940; both from memory).

Limits. It is done in three bands, the linear Rec.709 ones, where real paint has a spectrum; the surface's own
reflection is left out; pigments differ from maker to maker, and paint dries darker or lighter. A recipe is where to
begin: mix, let a swatch dry, compare it with the printed one under the set's lamps.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from math import gcd
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from previz import colour
from previz.geometry import Array

# Masstone, and tint of 1 part in 10 with titanium white, as sRGB: from memory of swatch cards of artists' acrylics,
# made consistent with one another; no measurement.
PIGMENTS: Final[dict[str, tuple[str, str]]] = {
    "titanium white": ("#f3f3ee", "#f3f3ee"),
    "lamp black": ("#2d2d2e", "#6c6e72"),
    "raw umber": ("#493d32", "#b4a999"),
    "burnt umber": ("#4a352c", "#b29c90"),
    "yellow ochre": ("#b5833f", "#e4cda3"),
    "burnt sienna": ("#763f2a", "#c99c84"),
    "ultramarine": ("#28307a", "#7f92cc"),
    "phthalo green": ("#143f38", "#58b09a"),
}
_WHITE: Final = "titanium white"
_TINT: Final = 0.1

MOST_PARTS: Final = 12
# a pale tint needs more white than that: so many parts of it to at most so many of anything else
MUCH_WHITE: Final = (12, 15, 20, 30, 40, 60, 80)
MOST_TINTING: Final = 6
MOST_PIGMENTS: Final = 3

# a recipe farther than this from its colour, dE00, is not called a match: what a painter would mend by eye
_MATCHES: Final = 2.0
# of recipes this close to the best one, dE00, the plainest is given
_AS_GOOD: Final = 0.4

NOTE: Final = (
    "Recipes are computed for eight common pigments in three bands of light; pigments differ. "
    "Mix, let it dry, compare under the set's lamps."
)


@dataclass(frozen=True)
class Recipe:
    """How to mix a paint: ``parts`` are (pigment, whole number), largest first.

    ``reflectance`` (3,) is what the mixture should come to, linear Rec.709; ``de00`` its CIEDE2000 difference from the
    colour asked for; ``matches`` is false where these pigments do not mix it in so few parts.
    """

    parts: tuple[tuple[str, int], ...]
    reflectance: tuple[float, float, float]
    de00: float
    matches: bool

    @property
    def words(self) -> str:
        """Such as "4 parts titanium white, 1 part raw umber"."""
        if len(self.parts) == 1:
            return f"{self.parts[0][0]} as it is"
        return ", ".join(f"{n} part{'s' if n > 1 else ''} {name}" for name, n in self.parts)


def ratio(reflectance: ArrayLike) -> Array:
    """K / S of a hiding layer of reflectance R, 0 < R <= 1 (the formula above)."""
    r = np.asarray(reflectance, dtype=np.float64)
    return np.asarray((1.0 - r) ** 2 / (2.0 * r))


def reflectance_of(k_over_s: ArrayLike) -> Array:
    """Reflectance of a hiding layer of the ratio K / S >= 0: R = 1 + K/S - sqrt((K/S)^2 + 2 K/S)."""
    q = np.asarray(k_over_s, dtype=np.float64)
    return np.asarray(1.0 + q - np.sqrt(q * (q + 2.0)))


@lru_cache(maxsize=1)
def constants() -> tuple[Array, Array]:
    """K and S (8, 3) of the pigments in the three bands, white's S being 1.

    Masstone gives K / S; the tint then gives S, from (t K + (1 - t) K_white) / (t S + (1 - t)) = its own K / S.
    """
    masstone = ratio(np.array([colour.hex_linear(m) for m, _ in PIGMENTS.values()]))
    tint = ratio(np.array([colour.hex_linear(t) for _, t in PIGMENTS.values()]))
    white = list(PIGMENTS).index(_WHITE)
    others = np.arange(len(PIGMENTS)) != white
    s = np.ones_like(masstone)
    q, qt, kw = masstone[others], tint[others], masstone[white]
    s[others] = (1.0 - _TINT) * (qt - kw) / (_TINT * (q - qt))
    return masstone * s, s


def mixed(parts: NDArray[Any]) -> Array:
    """Reflectance (..., 3) of mixtures of ``parts`` (..., 8) of the pigments, in the order of ``PIGMENTS``."""
    k, s = constants()
    p = np.asarray(parts, dtype=np.float64)
    return reflectance_of((p @ k) / (p @ s))


def recipes_for(reflectance: ArrayLike) -> tuple[Recipe, ...]:
    """A recipe for each of some colours (N, 3), linear Rec.709.

    The nearest by CIEDE2000 of all mixtures of at most three pigments in whole parts, twelve at most, or of much white
    and little else; of those about as near the one with the fewest pigments, then parts.
    """
    wanted = colour.lab(np.asarray(reflectance, dtype=np.float64).reshape(-1, 3))
    parts, light, lab, plainness = _mixtures()
    names = list(PIGMENTS)
    found = []
    for target in wanted:
        difference = colour.de00(lab, target)
        close = np.flatnonzero(difference <= difference.min() + _AS_GOOD)
        best = int(close[np.lexsort((difference[close], plainness[close]))[0]])
        listed = sorted(((names[i], int(n)) for i, n in enumerate(parts[best]) if n), key=lambda p: -p[1])
        r, g, b = (float(v) for v in light[best])
        found.append(Recipe(tuple(listed), (r, g, b), float(difference[best]), bool(difference[best] <= _MATCHES)))
    return tuple(found)


def gamut() -> str:
    """What the pigments mix, in a sentence: lightest and darkest L*, and how colourful each hue gets."""
    _, _, lab, _ = _mixtures()
    hue = np.degrees(np.arctan2(lab[:, 2], lab[:, 1])) % 360.0
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    # hues of CIELAB where one would say red, yellow, green, blue (textbook values, about)
    reach = {
        name: chroma[np.abs((hue - angle + 180.0) % 360.0 - 180.0) < 20.0].max(initial=0.0)
        for name, angle in (("reds", 40.0), ("yellows", 85.0), ("greens", 165.0), ("blues", 280.0))
    }
    most = ", ".join(f"{name} {value:.0f}" for name, value in reach.items())
    darkest, lightest = lab[:, 0].min(), lab[:, 0].max()
    return (
        f"These pigments mix L* {darkest:.0f} to {lightest:.0f}; the most colourful are, in chroma C*ab, {most}. "
        "Colours outside are marked."
    )


@dataclass(frozen=True)
class Tube:
    """How much of a pigment is needed: ``area`` m2 that it covers on its own, and ``volume_ml`` to buy for it."""

    pigment: str
    area: float
    volume_ml: float


# usual practice with artists' acrylics laid by brush, no source: what a millilitre covers in one coat (m2), coats, and
# how much more is mixed than stays on the bridge
COVERS_PER_ML: Final = 80e-4
COATS: Final = 2
WASTE: Final = 1.5

TUBES_NOTE: Final = (
    f"Usual practice, no source: 1 ml covers {COVERS_PER_ML * 1e4:.0f} cm² in one coat; {COATS} coats, and half as "
    "much again for mixing, trying and mending."
)


def tubes(recipes: Sequence[Recipe], areas: Sequence[float]) -> tuple[Tube, ...]:
    """What to buy for mixtures that cover ``areas`` (m2), most first; what is left out of a mixture is not listed."""
    area: dict[str, float] = {}
    for recipe, covered in zip(recipes, areas, strict=True):
        parts = sum(n for _, n in recipe.parts)
        for pigment, n in recipe.parts:
            area[pigment] = area.get(pigment, 0.0) + covered * n / parts
    found = [Tube(name, a, a / COVERS_PER_ML * COATS * WASTE) for name, a in area.items() if a > 0.0]
    return tuple(sorted(found, key=lambda tube: (-tube.area, tube.pigment)))


@lru_cache(maxsize=1)
def _mixtures() -> tuple[NDArray[np.int64], Array, Array, NDArray[np.int64]]:
    """All mixtures: parts (M, 8), reflectance (M, 3), CIELAB (M, 3), and a number (M,) that grows with each pigment
    and part."""
    parts = np.array(list(_whole_parts(list(PIGMENTS).index(_WHITE), len(PIGMENTS))), dtype=np.int64)
    light = mixed(parts)
    plainness = (parts > 0).sum(axis=1) * (MUCH_WHITE[-1] + MOST_PARTS) + parts.sum(axis=1)
    return parts, light, np.asarray(colour.lab(light), dtype=np.float64), np.asarray(plainness, dtype=np.int64)


def _whole_parts(white: int, pigments: int) -> Iterator[list[int]]:
    for used in range(1, MOST_PIGMENTS + 1):
        for which in combinations(range(pigments), used):
            pale = [
                (*tinting[:at], much, *tinting[at:])
                for at in [which.index(white) if white in which else -1]
                for tinting in _amounts(used - 1, MOST_TINTING)
                for much in MUCH_WHITE
                if at >= 0 and used > 1
            ]
            for amounts in (*_amounts(used, MOST_PARTS), *pale):
                # 2 : 2 is 1 : 1
                if gcd(*amounts) == 1:
                    row = [0] * pigments
                    for i, n in zip(which, amounts, strict=True):
                        row[i] = n
                    yield row


def _amounts(used: int, most: int) -> Iterator[tuple[int, ...]]:
    if used == 0:
        yield ()
        return
    for n in range(1, most - used + 2):
        for rest in _amounts(used - 1, most - n):
            yield (n, *rest)
