"""The colour match: what to do to the miniature's picture, or to the plate's, so that the two look like one shot.

Pictures of different things are paired by their tones, those of the same view by place (``previz.plate.tonefit``),
colours that only one of them has are left out, and the fit is robust (``previz.plate.matchfit``). Nothing is asked for
where nobody would see a difference; nor, up to 2 dE00 of it, where other parts of the same pictures would have asked
for something as different. What was found is told in either case, and patches overrule it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from previz import colour
from previz.errors import PlateError
from previz.geometry import Array
from previz.plate.cdl import NO_CHANGE, Cdl
from previz.plate.matchfit import COUNT, OFFSET, POWER, SATURATION, SLOPE, cdl_of, fitted, patch_fit
from previz.plate.space import Space, graded
from previz.plate.tonefit import ToneFit, doubt, fit_by_place, fit_by_tones
from previz.plate.tones import Difference, Tones, clipped, difference, pair_difference, same_view, tones_of

Still = NDArray[np.floating[Any]]
Onto = Literal["plate", "miniature"]
Paired = Literal["tones", "place", "patches"]
# left, top, right, bottom, px; right and bottom are not in the box
PixelBox = tuple[int, int, int, int]

# stills further apart than this, mean dE00, are matched whatever the doubt
MOST_DECLINED: Final = 2.0
# what a match of stills that far apart, or of patches that somebody named, must gain at least, mean dE00
_LEAST_GAIN: Final = 0.05
_LEAST_SIDE: Final = 16
_PAIRED_SIDE: Final = 2
_LEAST_PATCH: Final = 4
# light that falls off across a whole picture is in every draw of tiles, so the doubt is a little too small
_SURE: Final = 1.3
_MUCH_CLIPPED: Final = 0.02
_COLOURED: Final = 10.0


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

    ``found`` is the match that was found, and ``found_after`` what it leaves. ``asked`` is False where it is not asked
    for; ``cdl`` is then no change, and ``after`` is ``before``. ``reason`` says in a sentence why. ``paired`` says what
    the two were paired by. ``change_de`` is how far (mean dE*ab) the found match moves the tones, ``doubt_de`` how far
    it may be off (95 of 100 draws of other parts of the same pictures); a change below 1.3 times the doubt is not asked
    for up to 2 dE00 of difference. Both are None for patches, for stills of the same view, and where the difference
    is too small to be seen. ``shared_share`` are the shares of tones, miniature's and plate's, that the other picture
    has too.
    """

    cdl: Cdl
    space: Space
    onto: Onto
    asked: bool
    reason: str
    before: Difference
    after: Difference
    found: Cdl
    found_after: Difference
    paired: Paired
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
    doubted: bool = True,
) -> ColourMatch:
    """The match of two stills (H, W, 3), (H', W', 3), linear light with Rec.709 primaries, 0 to 1.

    ``patches``: boxes that show the same thing (a grey card, a colour chart) in the miniature's and in the plate's
    still; if there are any, only they are used. One gives a gain, two also an offset, three a power, four or more,
    of which one is coloured, a saturation. Without ``doubted`` the doubt is not worked out, and declines nothing.
    Raises :class:`PlateError` for stills or boxes that cannot be used.
    """
    stills = {"miniature": _checked(miniature, "miniature"), "plate": _checked(plate, "plate")}
    if patches:
        return _by_patches(stills, space, onto, patches)
    return _by_tones(stills, space, onto, doubted)


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
class _Found:
    """A match with what it leaves, before it is known whether it is asked for."""

    cdl: Cdl
    before: Difference
    after: Difference
    paired: Paired
    change: float | None = None
    doubt: float | None = None
    shared_share: tuple[float, float] = (1.0, 1.0)

    @property
    def words(self) -> str:
        """What the match would do, in numbers."""
        return f"the match found ({cdl_text(self.cdl)}) would leave {self.after.mean_de00:.2f} dE00"


def cdl_text(cdl: Cdl) -> str:
    """A decision list in words, three decimals."""
    triples = [
        f"{name} {' '.join(f'{value:.3f}' for value in values)}"
        for name, values in (("slope", cdl.slope), ("offset", cdl.offset), ("power", cdl.power))
    ]
    return f"{', '.join(triples)}, saturation {cdl.saturation:.3f}"


def _by_tones(stills: dict[str, Still], space: Space, onto: Onto, doubted: bool) -> ColourMatch:
    source_name, target_name = ("miniature", "plate") if onto == "plate" else ("plate", "miniature")
    source, target = tones_of(stills[source_name]), tones_of(stills[target_name])
    for tones, name in ((source, source_name), (target, target_name)):
        if float(np.ptp(tones.linear)) < 1e-6:
            raise PlateError(
                f"colour match: the {name}'s still is one flat colour; take a picture of the set, or name patches"
            )
    by_place = same_view(stills["miniature"], stills["plate"])
    if by_place:
        # the change of a mean is not the mean of the changes: squares as small as noise lets them be
        source, target = (tones_of(stills[name], _PAIRED_SIDE) for name in (source_name, target_name))
    fit = (fit_by_place if by_place else fit_by_tones)(source, target, space)
    cautions = []
    if fit.few:
        cautions.append(
            "the two stills have few colours in common, so the match is a guess; use stills that show more of the same "
            "material, or name patches that show the same thing in both (plate.patches)"
        )
    found = _found(source, target, fit, space, onto)
    de00, unseen = found.before.mean_de00, found.before.below(colour.JND_DE76)
    if unseen and de00 <= MOST_DECLINED:
        reason = (
            f"nothing asked for: the stills differ by {found.before.mean_de76:.1f} dE*ab on average, below the "
            f"{colour.JND_DE76} that can just be seen ({de00:.2f} dE00); {found.words}"
        )
        return _answer(stills, found, False, reason, space, onto, cautions)
    if not _better(found.before, found.after):
        reason = (
            f"nothing asked for: the stills are {de00:.2f} dE00 apart on average, and no match brings them nearer; "
            + found.words
        )
        return _answer(stills, found, False, reason, space, onto, cautions)
    if doubted and not by_place:
        change, doubtful = doubt(source, target, fit, space)
        found = replace(found, change=change, doubt=doubtful)
        if change <= _SURE * doubtful and de00 <= MOST_DECLINED:
            reason = (
                f"nothing asked for: the match would move colours by {change:.1f} dE*ab, not clearly more than the "
                f"{doubtful:.1f} by which other parts of the same pictures would answer differently; the stills are "
                f"{de00:.2f} dE00 apart, {found.words}"
            )
            return _answer(stills, found, False, reason, space, onto, cautions)
        if change <= _SURE * doubtful:
            cautions.append(
                f"the match moves colours by {change:.1f} dE*ab, and other parts of the same pictures would answer "
                f"differently by {doubtful:.1f}: look at it, or name patches that show the same thing (plate.patches)"
            )
    how = ", place by place (both stills show the same view)" if by_place else ""
    reason = f"{de00:.1f} dE00 between the stills on average{how}, {found.after.mean_de00:.1f} after the match"
    return _answer(stills, found, True, reason, space, onto, cautions)


def _found(source: Tones, target: Tones, fit: ToneFit, space: Space, onto: Onto) -> _Found:
    cdl = cdl_of(fit.numbers).rounded()

    def apart(tried: Cdl) -> Difference:
        shown = np.clip(graded(source.linear, tried, space), 0.0, 1.0)
        a, b, wa, wb = shown, target.linear, fit.source_weights, fit.target_weights
        if onto == "miniature":
            a, b, wa, wb = b, a, wb, wa
        return difference(a, b, wa, wb) if fit.kept is None else pair_difference(a[fit.kept], b[fit.kept])

    shares = (float(fit.source_weights.mean()), float(fit.target_weights.mean()))
    paired: Paired = "tones" if fit.kept is None else "place"
    return _Found(cdl, apart(NO_CHANGE), apart(cdl), paired, None, None, shares if onto == "plate" else shares[::-1])


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
    found = _Found(cdl, before, after, "patches")
    if after.mean_de00 >= before.mean_de00 - _LEAST_GAIN:
        reason = (
            f"nothing asked for: the {kind} differ by {before.mean_de00:.2f} dE00 on average, and no match brings them "
            f"nearer; {found.words}"
        )
        return _answer(stills, found, False, reason, space, onto, [])
    reason = f"{before.mean_de00:.1f} dE00 between the {kind} on average, {after.mean_de00:.1f} after the match"
    return _answer(stills, found, True, reason, space, onto, [])


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
    if before.mean_de00 > MOST_DECLINED:
        return after.mean_de00 < before.mean_de00 - _LEAST_GAIN
    nearer = after.mean_de00 + abs(after.spread) < before.mean_de00 + abs(before.spread)
    return nearer and after.mean_de00 <= max(before.mean_de00, 0.5 * colour.JND_DE00)


def _answer(
    stills: dict[str, Still], found: _Found, asked: bool, reason: str, space: Space, onto: Onto, cautions: list[str]
) -> ColourMatch:
    cdl, after = (found.cdl, found.after) if asked else (NO_CHANGE, found.before)
    clips = {whose: clipped(still) for whose, still in stills.items()}
    by_match = 0.0
    if asked:
        whose = "miniature" if onto == "plate" else "plate"
        by_match = float((clipped(graded(stills[whose], cdl, space)) & ~clips[whose]).mean())
    clipping = Clipping(float(clips["miniature"].mean()), float(clips["plate"].mean()), by_match)
    told = (*cautions, *_clipping_words(clipping, onto))
    return ColourMatch(
        cdl, space, onto, asked, reason, found.before, after, found.cdl, found.after, found.paired, found.change,
        found.doubt, found.shared_share, clipping, told,
    )  # fmt: skip


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
