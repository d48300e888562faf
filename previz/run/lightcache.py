"""Light that was baked before: kept with the results, by what it was baked from, and found again by that.

The camera is no part of it, so that moving the camera costs nothing. An entry that cannot be read is baked again.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from previz import __version__
from previz.run.output import OutputFolder
from previz.run.wallcache import find_picture, keep_picture, wall_key
from previz.scene.model import Scene
from previz.workshop.light.bake import BakedLight, Lighting
from previz.workshop.set import PaintedWall
from previz.workshop.surface import Surface

# the folder inside the results
FOLDER = "light"

# entries kept, the ones used last
KEPT = 6

# goes up when light is baked in another way by the same version of the program
_WAY = 6

# the date of every file in an entry: the same light, the same bytes
_DATE = (1980, 1, 1, 0, 0, 0)


def light_key(wall: Surface, bridge: Surface, lighting: Lighting, continues: bool) -> str:
    """A name for the light of a wall and a bridge: another one for whatever changes it.

    ``continues`` says whether the bridge's paint continues the wall: it then follows from the rest.
    """
    digest = hashlib.blake2b(digest_size=16)
    plain = {
        "version": __version__,
        "way": _WAY,
        # power and mains do not change the light
        "lamps": [lamp.model_dump(mode="json", exclude={"watts"}) for lamp in lighting.lamps],
        "cards": [card.model_dump(mode="json") for card in lighting.cards],
        "light": lighting.light.model_dump(mode="json", include={"ambient", "white_balance", "bounce"}),
        "reference": lighting.reference,
        "continues": continues,
    }
    if (lighting.wall_gloss, lighting.bridge_gloss) != ("matt", "matt"):
        plain["gloss"] = [lighting.wall_gloss, lighting.bridge_gloss]
    digest.update(json.dumps(plain, sort_keys=True).encode())
    for surface in (wall, bridge):
        for values in (surface.vertices, surface.faces, surface.uv, surface.reflectance):
            digest.update(repr((values.shape, values.dtype.str)).encode())
            digest.update(np.ascontiguousarray(values).data)
    return digest.hexdigest()


class LightCache:
    """Light, and walls' pictures, kept in the folder ``folder`` of results: a
    :class:`~previz.stage.prepare.LightKeeper`. ``taken`` names, in words, what was found there."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.taken: list[str] = []

    def wall_picture(self, scene: Scene, paint: Callable[[], PaintedWall]) -> PaintedWall:
        """The picture of a scene's wall kept earlier, or painted now and kept.

        Raises :class:`~previz.errors.OutputError` where it cannot be written.
        """
        key = wall_key(scene)
        found = find_picture(self.folder, key)
        if found is not None:
            self._took("the wall's picture")
            return found
        painted = paint()
        keep_picture(self.folder, key, painted)
        return painted

    def _took(self, what: str) -> None:
        if what not in self.taken:
            self.taken.append(what)

    @property
    def words(self) -> str:
        """A line on what an earlier run left that was of use; empty where it left nothing."""
        return f"as an earlier run left it: {', '.join(self.taken)}" if self.taken else ""

    def find(self, wall: Surface, bridge: Surface, lighting: Lighting, continues: bool) -> BakedLight | None:
        """The light of a wall and a bridge kept earlier, None where there is none or it is damaged."""
        found = find_light(self.folder, light_key(wall, bridge, lighting, continues), lighting)
        if found is not None:
            self._took("the light")
        return found

    def keep(self, wall: Surface, bridge: Surface, lighting: Lighting, continues: bool, light: BakedLight) -> None:
        """Keep baked light; raises :class:`~previz.errors.OutputError` where it cannot be written."""
        keep_light(self.folder, light_key(wall, bridge, lighting, continues), light)


def find_light(folder: Path, key: str, lighting: Lighting) -> BakedLight | None:
    """The light of that name kept in a folder of results, None where there is none or it is damaged."""
    place = folder / FOLDER / f"{key}.npz"
    try:
        # read first: numpy leaves a damaged file open
        with np.load(io.BytesIO(place.read_bytes()), allow_pickle=False) as kept:
            light = _light_of({name: kept[name] for name in kept.files}, len(lighting.emitters))
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, NotImplementedError):
        return None
    # the ones used last are kept
    with suppress(OSError):
        place.touch()
    return light


def keep_light(folder: Path, key: str, light: BakedLight) -> None:
    """Keep baked light in a folder of results, and let go of entries not used for long.

    Raises :class:`~previz.errors.OutputError` where it cannot be written.
    """
    OutputFolder(folder).write_among(f"{FOLDER}/{key}.npz", _bytes_of(light), KEPT)


_PICTURES = ("clean", "wall", "bridge")


def _bytes_of(light: BakedLight) -> bytes:
    arrays: dict[str, NDArray[np.generic]] = {name: getattr(light, name) for name in _PICTURES}
    for name in _PICTURES:
        for k, seen in enumerate(getattr(light, f"seen_{name}")):
            arrays[f"seen_{name}_{k}"] = seen
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_STORED) as archive:
        for name, values in arrays.items():
            one = io.BytesIO()
            np.lib.format.write_array(one, np.ascontiguousarray(values), allow_pickle=False)
            archive.writestr(zipfile.ZipInfo(f"{name}.npy", _DATE), one.getvalue())
    return whole.getvalue()


def _light_of(arrays: dict[str, NDArray[np.generic]], emitters: int) -> BakedLight:
    pictures = []
    for name in _PICTURES:
        picture = arrays[name]
        if picture.dtype != np.float32 or picture.ndim != 3 or picture.shape[2] != 3:
            raise ValueError("not a picture of light")
        pictures.append(picture.astype(np.float32, copy=False))
    seen = []
    for name in _PICTURES:
        shares = [arrays[f"seen_{name}_{k}"] for k in range(emitters)]
        if any(share.dtype != np.uint8 or share.ndim != 2 for share in shares):
            raise ValueError("not shares of light")
        seen.append(tuple(share.astype(np.uint8, copy=False) for share in shares))
    clean, wall, bridge = pictures
    return BakedLight(clean, wall, bridge, *seen)
