"""Made-up pictures and numbers for the sheets."""

from __future__ import annotations

import numpy as np

from previz.camera import Camera, camera_for
from previz.draw.drawing import SideFrame, SideStatic, sheet_cameras, usual_dimensions
from previz.draw.drawnset import DrawnSet, DrawnView, StandMark, lens_mark
from previz.draw.paper import TitleBlock
from previz.draw.railrule import RailMark, RailRule

TITLE = TitleBlock("Quarry walk", "1:20", "2025-11-25", "test sheet")
LENGTH, WIDTH, THICKNESS = 0.85, 0.05, 0.012


def noise(height: int, width: int, seed: int = 1) -> np.ndarray:
    """A picture without any order, (height, width, 3) uint8."""
    return np.random.default_rng(seed).integers(0, 256, (height, width, 3), dtype=np.uint8)


def lens_at(rail: float) -> Camera:
    return camera_for([rail - 0.02, 0.16, 1.25], 0.0, np.radians(-8), 0.0, 0.035, 0.0359, 1920, 1080)


def made_up_set() -> DrawnSet:
    """A slab, a wavy wall, a rail of 120 mm, a lamp near by and one far off."""
    side = np.array([[0, 0, 0], [0, 0, LENGTH], [0, -THICKNESS, LENGTH], [0, -THICKNESS, 0.0]])
    half = WIDTH / 2
    plan = np.array([[-half, 0, 0], [half, 0, 0], [half, 0, LENGTH], [-half, 0, LENGTH]])
    frames = (("start", 1001, 0.0), ("station", 1020, 0.02), ("reveal", 1090, 0.11), ("end", 1100, 0.12))
    marks = tuple(RailMark(name, frame, rail, lens_at(rail).position) for name, frame, rail in frames)
    y = np.linspace(-0.6, 0.7, 40)
    cut = np.concatenate([np.stack([0 * y, y, 0.02 * np.sin(17 * y)], -1), [[0, 0.7, -0.1], [0, -0.6, -0.1]]])
    lamps = {"key": np.array([-0.25, 0.28, 0.9]), "fill": np.array([3.0, 2.0, 1.0])}
    return DrawnSet(
        elevation=DrawnView((cut,), (side,)),
        plan=DrawnView((cut[:, [1, 0, 2]],), (plan,)),
        front=(np.array([[-half, 0, 0], [half, 0, 0], [half, -THICKNESS, 0], [-half, -THICKNESS, 0]]),),
        lens=lens_mark(lens_at(0.02)),
        rail_line=np.array([marks[0].point, marks[-1].point]),
        rail=RailRule(0.12, marks, (0.0, 0.04)),
        stands=tuple(StandMark(name, "lamp", at, np.zeros(3), at[None]) for name, at in lamps.items()),
        near_end=np.array([[x, 0.0, LENGTH] for x in (-half, 0.0, half)]),
        wall_box=(-0.6, -0.6, 0.7, 0.7),
    )


def side_static() -> SideStatic:
    side, plan = sheet_cameras(np.array([[-0.3, -0.25, -0.1], [0.3, 0.3, 1.4]]))
    drawn = made_up_set()
    picture = noise(side.height_px, side.width_px)
    return SideStatic(TITLE, side, plan, drawn, side_picture=picture, dimensions=usual_dimensions(drawn))


def side_frame(frame: int, rail: float, break_pct: float | None) -> SideFrame:
    camera = lens_at(rail)
    edge = np.array([0.025, 0.0, LENGTH])
    wall = camera.position + (edge - camera.position) * camera.position[2] / (camera.position[2] - LENGTH)
    shows = break_pct is not None and break_pct > 5.0
    return SideFrame(
        frame=frame,
        rail=rail,
        lens=lens_mark(camera),
        break_pct=break_pct,
        sight_lines=np.array([[edge, wall]]),
        broken=np.array([shows]),
        tells=("colour",) if shows else (),
    )


def near(picture: np.ndarray, colour: tuple[int, int, int], within: int = 24) -> np.ndarray:
    """Where a picture shows a colour, (H, W) bool."""
    return np.abs(picture.astype(int) - np.array(colour)).max(axis=-1) <= within
