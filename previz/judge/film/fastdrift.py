"""Drift without a picture: the exact slide of the outline's pieces, and what the fields of the wall and of the paint
say of the patterns on either side of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.judge.fast import FastJudge, Paint
from previz.judge.film.drift import SeenSlide, beside, seen_of, slide_of
from previz.judge.film.pattern import told_apart
from previz.judge.viewer import WINDOW_DEG, Viewer

Array = NDArray[np.float64]


def fast_drift(
    judge: FastJudge, cameras: tuple[Camera, Camera, Camera], seconds: float, reach: float, paint: Paint
) -> SeenSlide:
    """What is seen of the slide in a frame, as :func:`previz.judge.film.drift.drift_of` sees it in its picture.

    ``cameras`` are the one before, the frame's own and the one after, all of one size and ``seconds`` apart from first
    to last; ``reach`` m is how far the bridge comes out of the wall. The frame is taken to be as sharp as the lens
    makes it at rest. Raises ``JudgeError`` where no outline is in the frame.
    """
    camera = cameras[1]
    outline, _, _ = judge.outline(camera)
    slide = slide_of(outline, cameras, seconds, judge.sight, reach, judge.wall, judge.bridge)
    if slide.stands:
        return SeenSlide(np.zeros(len(outline)), np.zeros(len(outline)), slide)
    near = judge.near(camera.position)
    outside, inside = beside(outline, Viewer(camera.height_px))

    def met(px: Array, name: str) -> tuple[Array, NDArray[np.bool_]]:
        """Places (S, N, 3) of a surface at pixels (N, 2), the same for every scale, and where there are any (N,)."""
        origins, directions = camera.rays(px)
        points = judge.sight.first_hits(origins, directions, names=[name]).point
        known = np.asarray(np.isfinite(points).all(axis=1))
        if known.any():
            points = np.where(known[:, None], points, points[known][0])
        return np.broadcast_to(points, (len(WINDOW_DEG), *points.shape)).copy(), known

    on_wall, _ = met(outside, judge.wall)
    out = near.clean.at(on_wall, camera.focal_px / camera.depth(on_wall)).pattern()
    on_bridge, painted = met(inside, judge.bridge)
    within = out
    if painted.any():
        depth = camera.depth(on_bridge)
        # a bridge narrower than the area in which movement adds up shows the wall beyond it there
        within = np.where(painted[:, None], paint.at(on_bridge, camera, depth, near).pattern(), out)
    return seen_of(slide, *told_apart(np.stack([out, within])))
