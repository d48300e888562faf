"""No patch of paint smaller than a dab: against connected components by scipy, and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from previz.paint.patches import merged


def sizes(labels: np.ndarray) -> list[int]:
    """Areas (texels) of all patches, by scipy's connected components, texels that share a side."""
    found = []
    for value in np.unique(labels):
        parts, count = ndimage.label(labels == value)
        found += ndimage.sum_labels(np.ones(labels.shape), parts, range(1, count + 1)).astype(int).tolist()
    return sorted(found)


def test_a_speck_takes_the_paint_that_it_shares_most_sides_with() -> None:
    # by hand: the 2 x 2 speck of 3 shares six sides with 1 and two with 2
    labels = np.ones((12, 12), dtype=np.int16)
    labels[:, 8:] = 2
    labels[4:6, 6:8] = 3
    out = merged(labels, np.ones(labels.shape, dtype=bool), 3.0)
    want = labels.copy()
    want[4:6, 6:8] = 1
    assert np.array_equal(out, want)


@pytest.mark.parametrize("brush", [3.0, 5.0, 8.0])
def test_no_patch_is_smaller_than_a_dab(brush: float) -> None:
    rng = np.random.default_rng(4)
    labels = (ndimage.gaussian_filter(rng.normal(size=(90, 70)), 1.5) * 12.0).round().astype(np.int16) % 5 + 1
    least = np.pi / 4.0 * brush**2
    assert sizes(labels)[0] < least
    out = merged(labels, np.ones(labels.shape, dtype=bool), brush)
    assert sizes(out)[0] >= least
    # what was large enough is still there: only specks changed
    big = np.zeros(labels.shape, dtype=bool)
    for value in np.unique(labels):
        parts, _ = ndimage.label(labels == value)
        area = np.bincount(parts.ravel())
        big |= (parts > 0) & (area[parts] >= least)
    assert np.array_equal(out[big], labels[big])


def test_nothing_crosses_from_face_to_face_and_a_face_smaller_than_the_brush_stays() -> None:
    labels = np.ones((10, 10), dtype=np.int16)
    labels[:, 5:] = 2
    labels[0, 5] = 3
    owner = np.zeros((10, 10), dtype=np.int32)
    owner[:, 5:] = 1
    owner[0, 5] = 2  # a face of one texel, all in one paint
    out = merged(labels, np.ones(labels.shape, dtype=bool), 20.0, owner)
    assert np.array_equal(out, labels)
