"""Sets for the finder (``tests.benchmarks.finder``): drawn by number, so that a number is a set wherever it is made."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
import trimesh

from previz.scene.model import WALL_KINDS, Scene

# slabs before the wall are half of the sets: they are what the tool is for
SHAPES: Final = ("walkway", "box", "walkway", "hung box", "walkway", "bent walkway")

# the first network learns from these paints and is tried on them; flat colours, the published ones, and projected paint
PAINTS: Final = ("bare", "wash", "uniform", "mean", "random", "greedy", "single", "faces", "labelling", "station")
SOLVED: Final = "solved"

# frames of a move, the last frame of its hold, and the first frames of the clips that are cut from it
FRAMES: Final = 48
HOLD_LAST: Final = 1016
CLIP: Final = 5
CLIPS: Final = (1003, 1012, 1036)

RATE: Final = 25

# numbers from here on are kept for the report: no network learns from them
UNSEEN: Final = 1_000_000


def unseen(number: int) -> bool:
    """Whether the set of a number is kept for the report."""
    return number >= UNSEEN


def finder_scene(number: int, folder: Path, frame_px: tuple[int, int]) -> Scene:
    """The set of a number: wall kinds and shapes in turn, everything else drawn by the number.

    ``frame_px`` is (width, height); a modelled box is written to ``folder``.
    """
    rng = np.random.default_rng([2031, number])
    kind = WALL_KINDS[number % len(WALL_KINDS)]
    shape = SHAPES[number // len(WALL_KINDS) % len(SHAPES)]
    wall = {
        "kind": kind, "width": 2.2, "height": 1.4, "top": 0.65, "seed": int(rng.integers(2**32)),
        "relief": float(rng.uniform(0.015, 0.05)), "triangles": 20_000, "texture_px": 1536,
    }  # fmt: skip
    bridge: dict[str, object]
    camera: dict[str, object]
    rail: dict[str, object] = {
        "frames": FRAMES, "ease": float(rng.uniform(0.0, 0.5)), "hold": (1001, HOLD_LAST),
        "stand": int(rng.integers(0, 20)) if rng.uniform() < 0.5 else 0,
    }  # fmt: skip
    lens = float(rng.choice([0.028, 0.035, 0.04, 0.05]))
    if "walkway" in shape:
        length = float(rng.uniform(0.35, 0.85))
        bridge = {"length": length, "width": rng.uniform(0.03, 0.08), "thickness": rng.uniform(0.006, 0.02)}
        if shape == "bent walkway":
            bridge |= {
                "taper": rng.uniform(0.6, 1.6), "bend": rng.uniform(-0.08, 0.08), "camber": rng.uniform(-0.02, 0.03),
            }  # fmt: skip
        height, back = rng.uniform(0.1, 0.4), length + rng.uniform(0.55, 0.95)
        camera = {
            "position": (rng.uniform(-0.08, 0.08), height, back),
            # about the middle of the bridge, give or take
            "tilt": -float(np.arctan2(height, back - 0.5 * length)) * rng.uniform(0.6, 1.0),
        }
        rail |= {"travel": float(rng.uniform(0.01, 0.2)) * float(rng.choice([-1.0, 1.0]))}
        if rng.uniform() < 0.3:
            rail |= {"pan": float(np.radians(rng.uniform(-4.0, 4.0)))}
    else:
        size = float(rng.uniform(0.07, 0.15))
        bridge = {"length": size, "width": size, "thickness": size}
        middle = np.array([0.0, -0.5 * size, 0.5 * size])
        if shape == "hung box":
            middle = np.array([rng.uniform(-0.08, 0.08), rng.uniform(-0.1, 0.05), rng.uniform(0.12, 0.3)])
            mesh = trimesh.creation.box(extents=[size] * 3)
            mesh.apply_translation(middle)
            path = folder / f"box{number}.ply"
            mesh.export(path)
            bridge |= {"mesh": str(path)}
        away, rise = rng.uniform(0.85, 1.2), np.radians(rng.uniform(-4.0, 14.0))
        camera = {
            "position": (
                float(middle[0]), float(middle[1] + away * np.sin(rise)), float(middle[2] + away * np.cos(rise)),
            ),
            "tilt": -float(rise),
        }  # fmt: skip
        # as wide as the published studies' views, and down to a tenth of it
        reach = 2.0 * away * np.tan(np.radians(rng.uniform(2.5, 25.0)))
        rail |= {"travel": float(reach), "aim": tuple(float(v) for v in middle)}
    camera |= {"lens": lens}
    if rng.uniform() < 0.5:
        camera |= {"focus": float(np.linalg.norm(np.array(camera["position"])) * rng.uniform(0.6, 1.0)), "stop": 16.0}
    lamps, ambient = [], 0.0
    bounce = bool(rng.uniform() < 0.5)
    if rng.uniform() < 0.5:
        ambient = float(rng.uniform(100.0, 1000.0))
        lamps = [
            {
                "name": f"lamp {k}", "lux": float(rng.uniform(100.0, 900.0)), "size": float(rng.uniform(0.1, 1.0)),
                "position": (rng.uniform(-1.6, 1.6), rng.uniform(0.3, 1.5), rng.uniform(1.0, 2.4)),
                "kelvin": float(rng.uniform(4500.0, 6500.0)),
            }
            for k in range(int(rng.integers(1, 3)))
        ]  # fmt: skip
    return Scene.model_validate(
        {
            "title": f"{kind} {shape} {number}", "scale": "1:20", "wall": wall, "bridge": bridge, "camera": camera,
            "rail": rail, "lamps": lamps, "light": {"ambient": ambient, "bounce": bounce},
            "delivery": {"frame": frame_px, "rate": RATE}, "folder": folder,
        }
    )  # fmt: skip
