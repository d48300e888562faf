"""The picture of a wall that was painted before: kept with the results, by what it was painted from, and found again.

What is cut out of the wall and how it is carved are no part of it: a doorway moved, or another relief, paints nothing
anew. An entry that cannot be read is painted again.
"""

from __future__ import annotations

import hashlib
import io
import json
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from previz import __version__
from previz.run.ledger import file_sha256, files_named
from previz.run.output import OutputFolder
from previz.scene.model import Scene
from previz.workshop.set import PaintedWall

# the folder inside the results, and how many pictures stay in it: one is some 40 MB
FOLDER, KEPT = "wall", 2

# texels below which a wall is painted about as soon as it is found
LEAST_TEXELS = 500_000

# goes up when walls are painted in another way by the same version of the program
_WAY = 1

_SHARED = {"kind", "width", "height", "top", "seed", "turn", "texture_px"}


def wall_key(scene: Scene) -> str:
    """A name for the picture of a scene's wall: another one for whatever changes it."""
    wall = scene.wall
    plain: dict[str, Any] = {"version": __version__, "way": _WAY}
    if wall.photo is None:
        plain["wall"] = wall.model_dump(mode="json", include=_SHARED)
    else:
        plain["wall"] = wall.model_dump(mode="json", include={*_SHARED, "photo", "sideways"})
        # sheets in the photographs are found by what the scene says of them
        plain["sheets"] = [scene.title, scene.markers.model_dump(mode="json")]
        plain["files"] = [file_sha256(path) for name, path in files_named(scene).items() if name.startswith("wall.")]
    return hashlib.blake2b(json.dumps(plain, sort_keys=True).encode(), digest_size=16).hexdigest()


def find_picture(folder: Path, key: str) -> PaintedWall | None:
    """The picture of that name kept in a folder of results, None where there is none or it is damaged."""
    place = folder / FOLDER / f"{key}.npy"
    try:
        whole = place.read_bytes()
        digest, _, rest = whole.partition(b"\n")
        if digest != hashlib.blake2b(rest, digest_size=16).hexdigest().encode():
            return None
        said, _, picture = rest.partition(b"\n")
        found = np.load(io.BytesIO(picture), allow_pickle=False)
        words = tuple(str(word) for word in json.loads(said))
    except (OSError, ValueError, EOFError):
        return None
    if found.dtype != np.float32 or found.ndim != 3 or found.shape[2] != 3:
        return None
    # the ones used last are kept
    with suppress(OSError):
        place.touch()
    return found, words


def keep_picture(folder: Path, key: str, painted: PaintedWall) -> None:
    """Keep a picture (H, W, 3) float32, unless it is small, and what was said of it; let go of those not used for
    long.

    Raises :class:`~previz.errors.OutputError` where it cannot be written.
    """
    picture, said = painted
    if picture.shape[0] * picture.shape[1] < LEAST_TEXELS:
        return
    out = io.BytesIO()
    out.write(json.dumps(said).encode() + b"\n")
    np.lib.format.write_array(out, np.ascontiguousarray(picture), allow_pickle=False)
    rest = out.getvalue()
    digest = hashlib.blake2b(rest, digest_size=16).hexdigest().encode()
    OutputFolder(folder).write_among(f"{FOLDER}/{key}.npy", digest + b"\n" + rest, KEPT)
