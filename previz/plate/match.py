"""The colour match: what to do to the miniature's picture, or to the plate's, so that the two look like one shot.

The pictures show different things, so their tones are compared by rank (``previz.plate.tones``), colours that only one
of them has are left out, and the fit is robust (``previz.plate.matchfit``). Nothing is asked for where nobody would see
a difference, or where other parts of the same pictures would have asked for something as different.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.errors import PlateError
from previz.geometry import Array
from previz.plate.cdl import NO_CHANGE, Cdl
from previz.plate.matchfit import (
    COUNT,
    OFFSET,
    POWER,
    SATURATION,
    SLOPE,
    Fitted,
    cdl_of,
    extent,
    fitted,
    patch_fit,
    quantile_fit,
)
from previz.plate.space import Space, graded
from previz.plate.tones import (
    TILES,
    Difference,
    Tones,
    clipped,
    difference,
    pair_difference,
    shared,
    tones_of,
)

Still = NDArray[np.floating[Any]]
Onto = Literal["plate", "miniature"]
# left, top, right, bottom, px; right and bottom are not in the box
PixelBox = tuple[int, int, int, int]

# a kind of move is kept when leaving it out makes the misfit larger by more than this: mean steps of L*, and share
_WORTH: Final = 0.03
_WORTH_SHARE: Final = 0.15
_SIMPLER: Final = (POWER, SATURATION, OFFSET)
_ROUNDS: Final = 3
_LEAST_SHARED: Final = 0.5
_LEAST_SIDE: Final = 16
_LEAST_PATCH: Final = 4
_RESAMPLED: Final = 24
# light that falls off across a whole picture is in every draw of tiles, so the doubt is a little too small
_SURE: Final = 1.3
_RESAMPLED_ROUNDS: Final = 3
_MUCH_CLIPPED: Final = 0.02
_COLOURED: Final = 10.0
_SEED: Final = 1


@dataclass(frozen=True)
class Clipping:
    """Shares (0 to 1) of pixels with a channel at or beyond black or the delivered white.

    ``miniature`` and ``plate``: in the stills as they came. ``by_match``: pixels of the still that is changed, whole
    before, that the match clips.
    """

    miniature: float
    plate: float
    by_match: float


@dataclass(frozen=True)
class ColourMatch:
    """What the match asks for, in ``space``: of the miniature (``onto`` "plate"), or the plate (``onto`` "miniature").

    ``asked`` is False where nothing is asked for; ``cdl`` is then no change, and ``after`` is ``before``. ``reason``
    says in a sentence why. ``change_de`` is how far (mean dE*ab) the fitted match moves the tones, ``doubt_de`` how far
    it may be off (95 of 100 draws of other parts of the same pictures); a change below 1.3 times the doubt is not asked
    for. Both are None for patches, and where the difference is too small to be seen. ``shared_share`` are the shares of
    tones, miniature's and plate's, that the other picture has too.
    """

    cdl: Cdl
    space: Space
    onto: Onto
    asked: bool
    reason: str
    before: Difference
    after: Difference
    change_de: float | None
    doubt_de: float | None
    shared_share: tuple[float, float]
    clipping: Clipping
    cautions: tuple[str, ...]


def colour_match(
    miniature: Still,
    plate: Still,
    space: Space = "linear",
    onto: Onto = "plate",
    patches: Sequence[tuple[PixelBox, PixelBox]] = (),
) -> ColourMatch:
    """The match of two stills (H, W, 3), (H', W', 3), linear light with Rec.709 primaries, 0 to 1.

    ``patches``: boxes that show the same thing (a grey card, a colour chart) in the miniature's and in the plate's
    still; if there are any, only they are used. One gives a gain, two also an offset, three a power, four or more,
    of which one is coloured, a saturation. Raises :class:`PlateError` for stills or boxes that cannot be used.
    """
    stills = {"miniature": _checked(miniature, "miniature"), "plate": _checked(plate, "plate")}
    if patches:
        return _by_patches(stills, space, onto, patches)
    return _by_tones(stills, space, onto)


def _checked(still: Still, whose: str) -> Still:
    if still.ndim != 3 or still.shape[2] != 3 or min(still.shape[:2]) < _LEAST_SIDE:
        raise PlateError(
            f"colour match: the {whose}'s still measures {still.shape}; a colour picture of at least "
            f"{_LEAST_SIDE} x {_LEAST_SIDE} pixels is needed"
        )
    if not np.isfinite(still).all():
        raise PlateError(f"colour match: the {whose}'s still holds values that are not numbers; save it again")
    return still


@dataclass(frozen=True)
class _Looks:
    """Both pictures' tones with their weights; ``source`` is the one that is changed."""

    source: Tones
    target: Tones
    source_weights: Array
    target_weights: Array
    space: Space

    def difference(self, cdl: Cdl, onto: Onto) -> Difference:
        after = np.clip(graded(self.source.linear, cdl, self.space), 0.0, 1.0)
        if onto == "plate":
            return difference(after, self.target.linear, self.source_weights, self.target_weights)
        return difference(self.target.linear, after, self.target_weights, self.source_weights)


def _by_tones(stills: dict[str, Still], space: Space, onto: Onto) -> ColourMatch:
    source_name, target_name = ("miniature", "plate") if onto == "plate" else ("plate", "miniature")
    source, target = tones_of(stills[source_name]), tones_of(stills[target_name])
    for tones, name in ((source, source_name), (target, target_name)):
        if float(np.ptp(tones.linear)) < 1e-6:
            raise PlateError(
                f"colour match: the {name}'s still is one flat colour; take a picture of the set, or name patches"
            )
    fit, looks, few = _fitted_to_shared(source, target, space)
    shares = (float(looks.source_weights.mean()), float(looks.target_weights.mean()))
    shared_share = shares if onto == "plate" else shares[::-1]
    cautions = []
    if few:
        cautions.append(
            "the two stills have few colours in common, so the match is a guess; use stills that show more of the same "
            "material, or a grey card in both"
        )
    before = looks.difference(NO_CHANGE, onto)
    if before.below(colour.JND_DE76):
        reason = (
            f"nothing asked for: the stills differ by {before.mean_de76:.1f} dE*ab on average, below the "
            f"{colour.JND_DE76} that can just be seen"
        )
        return _nothing(stills, space, onto, reason, before, None, None, shared_share, cautions)
    fit, free = _simplest(looks, fit)
    cdl = cdl_of(fit.numbers).rounded()
    after = looks.difference(cdl, onto)
    change, doubt = _doubt(looks, fit, free)
    if change <= _SURE * doubt:
        reason = (
            f"nothing asked for: the match would move colours by {change:.1f} dE*ab, not clearly more than the "
            f"{doubt:.1f} by which other parts of the same pictures would answer differently"
        )
        return _nothing(stills, space, onto, reason, before, change, doubt, shared_share, cautions)
    if not _better(before, after):
        reason = (
            f"nothing asked for: the best match leaves {after.mean_de00:.1f} dE00 of {before.mean_de00:.1f}, no better "
            "than before"
        )
        return _nothing(stills, space, onto, reason, before, change, doubt, shared_share, cautions)
    reason = f"{before.mean_de00:.1f} dE00 between the stills on average, {after.mean_de00:.1f} after the match"
    return _asked(stills, cdl, space, onto, reason, before, after, change, doubt, shared_share, cautions)


def _fitted_to_shared(source: Tones, target: Tones, space: Space) -> tuple[Fitted, _Looks, bool]:
    """Fit, leave out what only one picture has, fit again; whether too little was left to do so."""
    looks = _Looks(source, target, np.ones(source.count), np.ones(target.count), space)
    every = np.ones(COUNT, dtype=bool)
    equations, start = quantile_fit(source.linear, target.linear, looks.source_weights, looks.target_weights, space)
    fit = fitted(equations, start, every)
    for _ in range(_ROUNDS):
        now = graded(source.linear, cdl_of(fit.numbers), space)
        weights = shared(now, target.linear)
        if min(float(w.mean()) for w in weights) < _LEAST_SHARED:
            return fit, looks, True
        looks = _Looks(source, target, *weights, space)
        equations, _ = quantile_fit(source.linear, target.linear, *weights, space)
        fit = fitted(equations, fit.numbers, every)
    return fit, looks, False


def _equations(looks: _Looks, source_weights: Array, target_weights: Array) -> Any:
    return quantile_fit(looks.source.linear, looks.target.linear, source_weights, target_weights, looks.space)[0]


def _simplest(looks: _Looks, full: Fitted) -> tuple[Fitted, NDArray[np.bool_]]:
    """The fit with the fewest kinds of move that is as good as the full one, and which numbers it moves."""
    equations = _equations(looks, looks.source_weights, looks.target_weights)
    free = np.ones(COUNT, dtype=bool)
    best = full
    # in the log space a gain is an offset, and the slope is a contrast
    candidates = _SIMPLER if looks.space == "linear" else (POWER, SATURATION, SLOPE)
    for group in candidates:
        fewer = free.copy()
        fewer[group] = False
        trial = fitted(equations, best.numbers, fewer)
        as_good = trial.misfit <= full.misfit * (1.0 + _WORTH_SHARE) + _WORTH
        # not where the other moves had to grow to make up for it
        if as_good and extent(trial.numbers) <= extent(best.numbers):
            best, free = trial, fewer
    return best, free


def _doubt(looks: _Looks, fit: Fitted, free: NDArray[np.bool_]) -> tuple[float, float]:
    """(how far the match moves the tones, how far it may be off): mean dE*ab.

    The second is exceeded by 5 of 100 matches fitted to tiles drawn anew, with replacement, from each picture.
    """
    draw = np.random.default_rng(_SEED)
    some = looks.source.linear[:: max(1, looks.source.count // 1500)]

    def seen(numbers: Array) -> Array:
        light = graded(some, cdl_of(numbers), looks.space)
        return np.asarray(colour.lab(np.clip(light, 0.0, 1.0)), dtype=np.float64)

    matched = seen(fit.numbers)
    count = TILES[0] * TILES[1]
    apart = []
    for _ in range(_RESAMPLED):
        weights = []
        for tones, own in ((looks.source, looks.source_weights), (looks.target, looks.target_weights)):
            drawn = np.bincount(draw.integers(0, count, count), minlength=count)
            weights.append(own * drawn[tones.tile])
        again = fitted(_equations(looks, weights[0], weights[1]), fit.numbers, free, _RESAMPLED_ROUNDS)
        apart.append(float(colour.de76(seen(again.numbers), matched).mean()))
    change = float(colour.de76(matched, colour.lab(np.clip(some, 0.0, 1.0))).mean())
    return change, float(np.quantile(apart, 0.95))


def _by_patches(
    stills: dict[str, Still], space: Space, onto: Onto, patches: Sequence[tuple[PixelBox, PixelBox]]
) -> ColourMatch:
    means = {
        whose: np.stack([_patch(stills[whose], pair[i], whose, n) for n, pair in enumerate(patches, 1)])
        for i, whose in enumerate(("miniature", "plate"))
    }
    source, target = (means["miniature"], means["plate"]) if onto == "plate" else (means["plate"], means["miniature"])
    before = pair_difference(means["miniature"], means["plate"])
    kind = "patch" if len(patches) == 1 else "patches"
    if before.below(colour.JND_DE76):
        reason = (
            f"nothing asked for: the {kind} differ by {before.mean_de76:.1f} dE*ab on average, below the "
            f"{colour.JND_DE76} that can just be seen"
        )
        return _nothing(stills, space, onto, reason, before, None, None, (1.0, 1.0), [])
    free = np.zeros(COUNT, dtype=bool)
    gain, next_move = (SLOPE, OFFSET) if space == "linear" else (OFFSET, SLOPE)
    free[gain] = True
    free[next_move] = len(patches) >= 2
    free[POWER] = len(patches) >= 3
    coloured = max(float(np.hypot(*colour.lab(np.clip(t, 0.0, 1.0))[:, 1:].T).max()) for t in (source, target))
    free[SATURATION] = len(patches) >= 4 and coloured > _COLOURED
    fit = fitted(patch_fit(source, target, space), np.zeros(COUNT), free)
    cdl = cdl_of(fit.numbers).rounded()
    moved = np.clip(graded(source, cdl, space), 0.0, 1.0)
    after = pair_difference(moved, target) if onto == "plate" else pair_difference(target, moved)
    if not _better(before, after):
        reason = f"nothing asked for: no match brings the {kind} nearer than {before.mean_de00:.1f} dE00"
        return _nothing(stills, space, onto, reason, before, None, None, (1.0, 1.0), [])
    reason = f"{before.mean_de00:.1f} dE00 between the {kind} on average, {after.mean_de00:.1f} after the match"
    return _asked(stills, cdl, space, onto, reason, before, after, None, None, (1.0, 1.0), [])


def _patch(still: Still, box: PixelBox, whose: str, number: int) -> Array:
    left, top, right, bottom = box
    h, w = still.shape[:2]
    if not (0 <= left < right <= w and 0 <= top < bottom <= h):
        raise PlateError(
            f"colour match: patch {number} of the {whose}'s still is {left}, {top} to {right}, {bottom}; the picture "
            f"has {w} x {h} pixels; give left, top, right, bottom inside it"
        )
    if min(right - left, bottom - top) < _LEAST_PATCH:
        raise PlateError(
            f"colour match: patch {number} of the {whose}'s still is {right - left} x {bottom - top} pixels; at least "
            f"{_LEAST_PATCH} x {_LEAST_PATCH} are needed to average the noise"
        )
    inside = still[top:bottom, left:right].reshape(-1, 3)
    if clipped(inside).mean() > 0.1:
        raise PlateError(
            f"colour match: patch {number} of the {whose}'s still is clipped; expose it so that no channel reaches "
            "black or white"
        )
    return np.asarray(inside.mean(axis=0, dtype=np.float64))


def _better(before: Difference, after: Difference) -> bool:
    nearer = after.mean_de00 + abs(after.spread) < before.mean_de00 + abs(before.spread)
    return nearer and after.mean_de00 <= max(before.mean_de00, 0.5 * colour.JND_DE00)


def _nothing(
    stills: dict[str, Still],
    space: Space,
    onto: Onto,
    reason: str,
    before: Difference,
    change: float | None,
    doubt: float | None,
    shared_share: tuple[float, float],
    cautions: list[str],
) -> ColourMatch:
    clipping = Clipping(float(clipped(stills["miniature"]).mean()), float(clipped(stills["plate"]).mean()), 0.0)
    told = (*cautions, *_clipping_words(clipping, onto))
    return ColourMatch(
        NO_CHANGE, space, onto, False, reason, before, before, change, doubt, shared_share, clipping, told
    )


def _asked(
    stills: dict[str, Still],
    cdl: Cdl,
    space: Space,
    onto: Onto,
    reason: str,
    before: Difference,
    after: Difference,
    change: float | None,
    doubt: float | None,
    shared_share: tuple[float, float],
    cautions: list[str],
) -> ColourMatch:
    clips = {whose: clipped(still) for whose, still in stills.items()}
    whose = "miniature" if onto == "plate" else "plate"
    newly = clipped(graded(stills[whose], cdl, space)) & ~clips[whose]
    clipping = Clipping(float(clips["miniature"].mean()), float(clips["plate"].mean()), float(newly.mean()))
    told = (*cautions, *_clipping_words(clipping, onto))
    return ColourMatch(cdl, space, onto, True, reason, before, after, change, doubt, shared_share, clipping, told)


def _clipping_words(clipping: Clipping, onto: Onto) -> list[str]:
    words = [
        f"{share:.1%} of the {whose}'s still is clipped; the match cannot know those colours, so expose it differently"
        for whose, share in (("miniature", clipping.miniature), ("plate", clipping.plate))
        if share > _MUCH_CLIPPED
    ]
    if clipping.by_match > _MUCH_CLIPPED:
        whose = "miniature" if onto == "plate" else "plate"
        other = "plate" if whose == "miniature" else "miniature"
        words.append(
            f"the match clips {clipping.by_match:.1%} of the {whose}'s pixels; match the {other} to it instead, or "
            "change the light"
        )
    return words
