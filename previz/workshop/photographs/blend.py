"""Several photographs put together: levels matched where they overlap, seams feathered, what is open mirrored in."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from previz.geometry import Array
from previz.workshop.surface import Picture

Layer = tuple[Picture, NDArray[np.bool_]]  # light (h, w, 3) and where it is there (h, w)

# side, in texels, of the blocks whose means are compared: a shift of a texel or two changes them little
_BLOCK: Final = 8
# blocks that two photographs must have in common before their levels are compared
_ENOUGH: Final = 12
# a level that has to be changed by more than this, as a factor, is told
_TOLD: Final = 1.1
# texels along the longer side at which the way to a photograph's rim is worked out
_COARSE: Final = 512
# least light of a block that is compared
_FLOOR: Final = 1e-4
# times that a place outside is mirrored at the rim before the rim's own colour is taken
_MIRRORED: Final = 3


def matched_gains(layers: Sequence[Layer], carded: Sequence[bool]) -> tuple[list[Array], list[tuple[int, str]]]:
    """What each layer's colours are multiplied by, (3,) each, so that they agree where they overlap; and, by the
    layer's number, sentences about large changes and about layers that overlap with none.

    The least squares of log levels over all pairs, each weighed by the blocks it has in common (cf. Brown and Lowe,
    "Automatic panoramic image stitching using invariant features", IJCV 74(1), 2007, section 6). Those with a grey card
    keep their mean level, or all where there is none.
    """
    count = len(layers)
    if count == 1:
        return [np.ones(3)], []
    means = [_blocks(*layer) for layer in layers]
    rows: list[Array] = []
    wanted: list[Array] = []
    groups = list(range(count))
    for i, j in itertools.combinations(range(count), 2):
        both = means[i][1] & means[j][1]
        blocks = int(both.sum())
        if blocks < _ENOUGH:
            continue
        one, other = (np.log(np.maximum(means[k][0][both], _FLOOR)) for k in (i, j))
        row = np.zeros(count)
        row[i], row[j] = 1.0, -1.0
        rows.append(row * np.sqrt(blocks))
        wanted.append(np.median(other - one, axis=0) * np.sqrt(blocks))
        groups = [groups[i] if g == groups[j] else g for g in groups]
    logs = np.zeros((count, 3))
    for group in sorted(set(groups)):
        members = [k for k in range(count) if groups[k] == group]
        kept = [k for k in members if carded[k]] or members
        hold = np.zeros(count)
        hold[kept] = 1.0 / len(kept)
        inside = [n for n, row in enumerate(rows) if np.flatnonzero(row)[0] in members]
        if inside:
            # the mean of those with a card is held as good as exactly
            matrix = np.stack([*(rows[n] for n in inside), 1e4 * hold])[:, members]
            right = np.stack([*(wanted[n] for n in inside), np.zeros(3)])
            logs[members] = np.linalg.lstsq(matrix, right, rcond=None)[0]
    said = []
    for k in range(count):
        if sum(g == groups[k] for g in groups) == 1:
            said.append((k, "it overlaps with no other photograph: its level could not be compared with theirs"))
        elif np.abs(logs[k]).max() > np.log(_TOLD):
            factors = ", ".join(f"{v:.2f}" for v in np.exp(logs[k]))
            said.append((k, f"its red, green and blue were multiplied by {factors} to agree with the others beside it"))
    return list(np.exp(logs)), said


def _blocks(light: Picture, there: NDArray[np.bool_]) -> tuple[Array, NDArray[np.bool_]]:
    """Mean light (H, W, 3) of blocks of texels, and which (H, W) are there altogether."""
    h, w = (side // _BLOCK for side in there.shape)
    part = light[: h * _BLOCK, : w * _BLOCK].reshape(h, _BLOCK, w, _BLOCK, 3).mean(axis=(1, 3), dtype=np.float64)
    whole = there[: h * _BLOCK, : w * _BLOCK].reshape(h, _BLOCK, w, _BLOCK).all(axis=(1, 3))
    return part, np.asarray(whole)


def blended(layers: Sequence[Layer]) -> tuple[Picture, NDArray[np.uint8]]:
    """The layers in one, (h, w, 3), and how many cover each texel, (h, w).

    Each weighs as the square of the way to its own rim: nothing at the rim, so that no seam is left.
    """
    covered = np.zeros(layers[0][1].shape, dtype=np.uint8)
    for _, there in layers:
        covered += there
    if len(layers) == 1:
        return layers[0][0].copy(), covered
    total = np.zeros(covered.shape, dtype=np.float32)
    out = np.zeros((*covered.shape, 3), dtype=np.float32)
    for light, there in layers:
        weight = np.where(there, _inwards(there) ** 2 + np.float32(1e-6), np.float32(0.0))
        total += weight
        out += light * weight[..., None]
    out /= np.maximum(total, np.float32(1e-12))[..., None]
    return out, covered


def _inwards(there: NDArray[np.bool_]) -> NDArray[np.float32]:
    """How far (h, w) each texel lies inside a layer's rim, in texels; worked out coarsely and drawn out again."""
    skip = max(1, -(-max(there.shape) // _COARSE))
    h, w = (-(-side // skip) for side in there.shape)
    padded = np.zeros((h * skip, w * skip), dtype=np.bool_)
    padded[: there.shape[0], : there.shape[1]] = there
    # a block is inside where all of it that is on the wall is; the wall's own edge is a rim as well
    if h * skip > there.shape[0]:
        padded[there.shape[0] :] = padded[there.shape[0] - 1]
    if w * skip > there.shape[1]:
        padded[:, there.shape[1] :] = padded[:, there.shape[1] - 1 : there.shape[1]]
    coarse = np.pad(padded.reshape(h, skip, w, skip).all(axis=(1, 3)), 1)
    far = ndimage.distance_transform_edt(coarse)[1:-1, 1:-1] * skip
    rows = (np.arange(there.shape[0]) + 0.5) / skip
    columns = (np.arange(there.shape[1]) + 0.5) / skip
    places = np.meshgrid(rows - 0.5, columns - 0.5, indexing="ij")
    return np.asarray(ndimage.map_coordinates(far.astype(np.float32), places, order=1, mode="nearest"))


def filled(picture: Picture, there: NDArray[np.bool_]) -> Picture:
    """A picture (h, w, 3) with what is not ``there`` (h, w) mirrored in from the nearest place that is.

    A place is mirrored at the nearest rim; where that leads outside as well, again from there, and in the end the rim's
    own colour is taken.
    """
    _, (rim_row, rim_column) = ndimage.distance_transform_edt(~there, return_indices=True)
    rows, columns = np.nonzero(~there)
    at_row, at_column = rows.copy(), columns.copy()
    h, w = there.shape
    for _ in range(_MIRRORED):
        outside = ~there[at_row, at_column]
        r, c = at_row[outside], at_column[outside]
        at_row[outside] = np.clip(2 * rim_row[r, c] - r, 0, h - 1)
        at_column[outside] = np.clip(2 * rim_column[r, c] - c, 0, w - 1)
    outside = ~there[at_row, at_column]
    r, c = at_row[outside], at_column[outside]
    at_row[outside], at_column[outside] = rim_row[r, c], rim_column[r, c]
    out = picture.copy()
    out[rows, columns] = picture[at_row, at_column]
    return out
