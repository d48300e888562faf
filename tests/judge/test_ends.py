"""The bridge's ends: where they lie, by projecting the corners of a slab, and what they weigh."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from previz.camera import Camera
from previz.judge.breaks import Sides, decided, sides_of
from previz.judge.ends import EDGE, FREE_END, JOINT, ends_of, just_inside, share_found
from previz.judge.outline import Outline, outline_of
from previz.judge.viewer import MIDDLE_SEAT, SEATS, Viewer
from tests.judge.pictures import laid_over, wall
from tests.judge.walls import wall_of
from tests.search.flatset import FAR, HALF, NEAR, THICK, flat_set

WIDTH, HEIGHT = 960, 540


def slab_outline(camera: Camera) -> tuple[Outline, np.ndarray]:
    """The outline of the flat set's slab as ``camera`` sees it, and what its pieces belong to."""
    s = flat_set([], texture_px=16)
    x, y = np.meshgrid(np.arange(camera.width_px) + 0.5, np.arange(camera.height_px) + 0.5)
    origins, directions = camera.rays(np.stack([x, y], axis=-1).reshape(-1, 2))
    met = np.isfinite(s.sight.first_hits(origins, directions, names=["bridge"]).distance)
    outline = outline_of(met.reshape(x.shape).astype(np.float32), Viewer(camera.height_px))
    return outline, ends_of(outline, camera, just_inside(outline, camera, s.sight))


def away_from(xy: np.ndarray, start: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Distance (N,) of points from a segment, px."""
    along = (end - start) / np.linalg.norm(end - start)
    part = np.clip((xy - start) @ along, 0.0, np.linalg.norm(end - start))
    return np.linalg.norm(xy - start - part[:, None] * along, axis=1)


@pytest.mark.parametrize("aside", [0.0, 0.25])
def test_the_ends_are_the_slabs_own_edges_across_it(aside: float) -> None:
    s = flat_set([], texture_px=16)
    camera = s.move.camera(1001, WIDTH, HEIGHT)
    moved = np.array(camera.world_from_cam)
    moved[0, 3] += aside
    camera = replace(camera, world_from_cam=moved)
    outline, ends = slab_outline(camera)
    # from above, the slab's outline ends with its top's far edge and its front's lower one
    joint = camera.project(np.array([[-HALF, 0.0, FAR], [HALF, 0.0, FAR]]))
    free = camera.project(np.array([[-HALF, -THICK, NEAR], [HALF, -THICK, NEAR]]))
    for end, (start, stop) in ((JOINT, joint), (FREE_END, free)):
        here = ends == end
        # or up the front's upright edges
        up = camera.project(np.array([[-HALF, 0.0, NEAR], [HALF, 0.0, NEAR]])) if end == FREE_END else (start, stop)
        edges = [(start, stop), (start, up[0]), (stop, up[1])][: 3 if end == FREE_END else 1]
        assert np.min([away_from(outline.xy[here], *edge) for edge in edges], axis=0).max() < 4.0
        # all of that edge but its corners
        assert here.sum() * outline.spacing_px > 0.75 * np.linalg.norm(stop - start)
    assert (ends == EDGE).mean() > 0.5


def test_what_the_frame_cuts_off_has_no_end_there() -> None:
    s = flat_set([], texture_px=16)
    camera = s.move.camera(1001, WIDTH, HEIGHT)
    lower = camera.project(np.array([[0.0, -THICK, NEAR]]))[0, 1]
    cut = replace(camera, height_px=int(lower) - 60)
    _, ends = slab_outline(cut)
    assert (ends == JOINT).any()
    assert not (ends == FREE_END).any()


def test_an_end_that_is_found_weighs_a_quarter_of_the_outline() -> None:
    ends = np.full(400, EDGE, dtype=np.int8)
    ends[:20], ends[200:230] = JOINT, FREE_END
    found = np.zeros(400)
    assert share_found(found, ends) == 0.0
    found[:20] = 1.0
    assert share_found(found, None) == pytest.approx(0.05)
    assert share_found(found, ends) == pytest.approx(0.25)
    found[:20] = 0.5
    assert share_found(found, ends) == pytest.approx(0.125)
    # and never less than what all of it shows
    found[100:300] = 1.0
    assert share_found(found, ends) == pytest.approx(found.mean())


def test_a_square_end_on_a_hidden_bridge_is_no_hidden_bridge() -> None:
    """The lowest 20 lines of a narrow bridge are of another tone: 4 % of its outline are its end."""
    viewer = Viewer(HEIGHT)
    ground = wall(3)
    share = np.zeros((HEIGHT, WIDTH), dtype=np.float32)
    share[40:500, 460:500] = 1.0
    layer = np.array(ground)
    layer[480:500] *= 2.5
    outline = outline_of(share, viewer)
    ends = np.where(outline.xy[:, 1] > 498.0, FREE_END, EDGE).astype(np.int8)
    sides = sides_of(laid_over(ground, layer, share), ground, outline, viewer)
    limits = wall_of(8.0)
    plain = decided(sides, outline, limits, viewer)
    weighed = decided(sides, outline, limits, viewer, ends=ends)
    assert weighed.percent == pytest.approx(25.0, abs=4.0)
    assert plain.percent < 0.8 * weighed.percent
    assert len(weighed.by_seat) == len(SEATS)
    # piece by piece it is the same to every viewer
    alone = [decided(sides, outline, limits, viewer, only=MIDDLE_SEAT, ends=e).found for e in (ends, None)]
    assert np.array_equal(*alone)
    # nothing found is nothing found
    assert decided(Sides(sides.clean, sides.clean), outline, limits, viewer, ends=ends).percent == 0.0
