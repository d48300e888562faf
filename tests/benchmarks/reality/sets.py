"""The sets that are photographed: the demonstrations, a modelled causeway on a photographed wall, ten by number.

Between them the ten have all that the tool takes into account and the demonstrations lack: satin and gloss, spots,
bounce cards, flags, strong defocus, wide open and stopped down, arc and inclined rails, curved and tapered bridges.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np

from previz.scene.model import WALL_KINDS, Scene
from previz.scene.reader import read_scene
from tests.scene.causeway import saved
from tests.workshop import wallphotos

SCENES: Final = Path(__file__).resolve().parents[3] / "scenes"
DEMONSTRATIONS: Final = ("quarry", "seastack", "crevasse")
PHOTOGRAPHED: Final = "photographed"
SEEDED: Final = tuple(f"seeded{number}" for number in range(10))
NAMES: Final = (*DEMONSTRATIONS, PHOTOGRAPHED, *SEEDED)

# the set of the quick run: small, and quickly built
QUICK: Final = "quick"

# what each of the ten is for
KINDS: Final = (
    ("satin", "straight", "tapered"),
    ("gloss", "straight", "plain"),
    ("spot", "arc", "plain"),
    ("bounce card", "inclined", "curved"),
    ("flag", "straight", "curved"),
    ("wide open", "straight", "tapered"),
    ("strong defocus", "arc", "plain"),
    ("stopped down", "inclined", "tapered"),
    ("soft spot", "straight", "curved"),
    ("satin wall", "arc", "tapered"),
)


def scene_of(name: str, folder: Path) -> Scene:
    """The scene of a name; files that it needs are written to ``folder``."""
    if name in DEMONSTRATIONS:
        return read_scene(SCENES / f"{name}.toml")
    folder.mkdir(parents=True, exist_ok=True)
    if name == PHOTOGRAPHED:
        return photographed(folder)
    if name == QUICK:
        return seeded(0, folder).edited(wall__triangles=4000, wall__texture_px=512, bridge__gloss="matt")
    return seeded(int(name.removeprefix("seeded")), folder)


def about(name: str) -> str:
    """What a set is for, in a few words."""
    if name in SEEDED:
        return ", ".join(KINDS[SEEDED.index(name)])
    return {PHOTOGRAPHED: "modelled causeway, photographed wall"}.get(name, name)


def seeded(number: int, folder: Path) -> Scene:
    """One of the ten."""
    rng = np.random.default_rng([417, number])
    special, track, shape = KINDS[number]
    length = float(rng.uniform(0.5, 0.8))
    bridge: dict[str, Any] = {
        "length": length, "width": rng.uniform(0.045, 0.07), "thickness": rng.uniform(0.01, 0.016),
        "gloss": special if special in ("satin", "gloss") else "matt",
    }  # fmt: skip
    if shape == "tapered":
        bridge |= {"taper": float(rng.choice([0.75, 1.3]))}
    if shape == "curved":
        bridge |= {"bend": float(rng.choice([-1.0, 1.0])) * rng.uniform(0.03, 0.06), "camber": rng.uniform(0.008, 0.02)}
    height, back = rng.uniform(0.3, 0.42), length + rng.uniform(0.7, 0.95)
    x = float(rng.uniform(-0.06, 0.06))
    stop = {"wide open": 4.0, "strong defocus": 8.0, "stopped down": 32.0}.get(special, 16.0)
    focus = float(np.hypot(height, back - 0.45 * length))
    if special == "strong defocus":
        # on the near end: the wall is far out of focus
        focus = float(np.hypot(height, back - length)) + 0.05
    camera = {
        "position": (x, height, back), "tilt": -float(np.arctan2(height, back - 0.4 * length)),
        "lens": float(rng.choice([0.035, 0.04, 0.05])), "stop": stop, "focus": focus, "shutter": 0.02, "iso": 3200.0,
    }  # fmt: skip
    rail: dict[str, Any] = {
        "frames": 60, "ease": 0.4, "hold": (1001, 1020), "station": 1004, "stand": 8,
        "travel": float(rng.uniform(0.09, 0.16)),
    }  # fmt: skip
    if track == "arc":
        rail |= {"along": "arc", "radius": float(rng.uniform(1.2, 2.0)), "aim": "track"}
    if track == "inclined":
        rail |= {"along": (0.9, float(rng.uniform(0.15, 0.35)), float(rng.uniform(-0.3, 0.0)))}
    lamps, cards, ambient = _light(rng, special)
    return Scene.model_validate(
        {
            "title": f"Seeded {number}", "scale": "1:24",
            "wall": {
                "kind": WALL_KINDS[number % 3], "width": 2.2, "height": 1.5, "top": 0.65, "seed": 100 + number,
                "relief": float(rng.uniform(0.025, 0.05)), "triangles": 60_000, "texture_px": 1536,
                "doorway": {"width": bridge["width"] + 0.014, "height": 0.1, "depth": 0.05},
                "gloss": "satin" if special == "satin wall" else "matt",
            },
            "bridge": bridge, "camera": camera, "rail": rail, "lamps": lamps, "cards": cards,
            "light": {"ambient": ambient}, "delivery": {"frame": (1920, 1080), "rate": 25}, "folder": folder,
        }
    )  # fmt: skip


def _light(rng: np.random.Generator, special: str) -> tuple[list[dict[str, Any]], list[dict[str, Any]], float]:
    """Lamps, cards and the lux from everywhere."""
    key: dict[str, Any] = {
        "name": "key", "position": (float(rng.uniform(-0.5, 0.5)), 1.3, 2.1), "aim": (0.0, 0.0, 0.0),
        "size": float(rng.uniform(0.5, 0.9)), "lux": 250.0, "kelvin": 5600.0,
    }  # fmt: skip
    side = {
        "name": "side", "position": (float(rng.choice([-1.0, 1.0])) * 1.6, 0.6, 1.3), "aim": (0.0, 0.0, 0.0),
        "size": (0.3, 0.5), "lux": float(rng.uniform(80.0, 160.0)), "kelvin": float(rng.uniform(4400.0, 6500.0)),
    }  # fmt: skip
    cards: list[dict[str, Any]] = []
    if special == "spot":
        key |= {"size": 0.0, "cone": float(np.radians(40.0)), "edge": 0.3, "lux": 150.0}
    if special == "soft spot":
        key |= {"size": 0.4, "cone": float(np.radians(50.0)), "edge": 0.4}
    if special == "bounce card":
        cards = [
            {"name": "bounce", "kind": "bounce", "position": (1.0, 0.1, 0.9), "aim": (0.0, 0.0, 0.2),
             "size": (0.6, 0.5)}
        ]
    if special == "flag":
        cards = [
            {"name": "flag", "kind": "flag", "position": (0.3, 0.85, 1.5), "aim": (0.0, 0.0, 0.0),
             "size": (0.35, 0.35)}
        ]
    # where light is what a set is for there is less from everywhere: shadows show, and the hold may be short
    return [key, side], cards, 2400.0 if special not in ("spot", "soft spot", "bounce card", "flag") else 1200.0


def photographed(folder: Path) -> Scene:
    """A modelled causeway before a wall that was photographed at an angle and laid flat by measured points."""
    width, height, top = 2.2, 1.4, 0.62
    wall = wallphotos.painted_wall(width, height, top, texel_mm=1.0)
    seen_by = wallphotos.at_an_angle(14.0, 2.6, 1900.0, (2000, 1500))
    card = (-0.95, 0.42, 0.12, 0.12)
    light = wallphotos.light_on(wall, seen_by, [], wallphotos.Hung(card), over=2)
    wallphotos.saved(light, folder / "wall.jpg")
    saved(folder)
    places = [(x, y) for x in (-0.9, 0.0, 0.9) for y in (-0.6, 0.5)]
    px = seen_by.px(np.array([(x, y, 0.0) for x, y in places]))
    points = [{"px": tuple(map(float, p)), "at": place} for p, place in zip(px, places, strict=True)]
    box = wallphotos.box_of(seen_by, card)
    return Scene.model_validate(
        {
            "title": "Photographed wall", "scale": "1:32",
            "wall": {
                "photo": {"file": "wall.jpg", "points": points, "grey": {"box": tuple(box)}}, "width": width,
                "height": height, "top": top, "relief": 0.0, "triangles": 20_000, "texture_px": 1536,
            },
            "bridge": {"mesh": "causeway.glb"},
            "camera": {
                "position": (-0.03, 0.33, 1.5), "tilt": float(np.radians(-12.0)), "lens": 0.04, "stop": 16.0,
                "focus": 1.2, "shutter": 0.02, "iso": 3200.0,
            },
            "rail": {"frames": 60, "ease": 0.4, "hold": (1001, 1020), "station": 1004, "stand": 8, "travel": 0.1},
            "lamps": _light(np.random.default_rng(5), "")[0], "light": {"ambient": 2400.0},
            "delivery": {"frame": (1920, 1080), "rate": 25}, "folder": folder,
        }
    )  # fmt: skip
