"""The performer's cut-out, standing where the scene wants it in a lens view."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from PIL import Image, UnidentifiedImageError

from previz import colour
from previz.camera import Camera
from previz.errors import BuildError, PrevizError
from previz.geometry import Array
from previz.plate.cutout import Figure, figure_of, place_cutout
from previz.plate.scaling import figure_height, foot_point
from previz.scene.limits import PICTURE_PIXELS, millions
from previz.scene.model import Scene
from previz.workshop.surface import Pixels8


@dataclass(frozen=True, eq=False)
class StandingFigure:
    """A cut-out that stands at ``foot`` (3,) m and is ``height`` m tall, at miniature size."""

    cutout: Figure
    foot: Array
    height: float

    def at(self, scene: Scene, frame: int) -> StandingFigure:
        """It where a performer who walks is at a delivered frame; itself where the scene's performer stands."""
        if scene.plate is None or not scene.plate.places:
            return self
        return replace(self, foot=foot_point(scene, frame))

    def stood_in(self, frame: Pixels8, camera: Camera) -> Pixels8:
        """The frame (H, W, 3) uint8 with the figure in it; unchanged where the foot is not in view."""
        foot, head = camera.project(np.stack([self.foot, self.foot + [0.0, self.height, 0.0]]))
        if not np.isfinite([foot, head]).all():
            return frame
        up = foot - head
        tall = float(np.linalg.norm(up))
        roll = float(np.arctan2(head[0] - foot[0], foot[1] - head[1]))
        linear = place_cutout(colour.decoded8(frame), self.cutout, (float(foot[0]), float(foot[1])), tall, roll)
        return colour.encoded8(linear)


def figure_file(scene: Scene) -> Path | None:
    """The picture of the scene's figure, or None where it has none. A folder of numbered frames gives its first."""
    plate = scene.plate
    if plate is None or plate.figure is None:
        return None
    path = scene.path(plate.figure)
    if not path.is_dir():
        return path
    try:
        frames = sorted(p for p in path.iterdir() if p.suffix.lower() == ".png" and p.is_file())
    except OSError as error:
        raise BuildError(f"{path}: the figure's folder cannot be opened ({error.strerror or error})") from error
    if not frames:
        raise BuildError(f"{path}: no PNG frames in this folder; put the figure's numbered frames there")
    return frames[0]


def standing_figure(scene: Scene) -> StandingFigure | None:
    """The scene's figure, or None where it has none. Raises :class:`BuildError` for a picture that is no cut-out."""
    path = figure_file(scene)
    if path is None or scene.plate is None:
        return None
    return stood(scene, cutout_of(path))


def stood(scene: Scene, cutout: Figure) -> StandingFigure:
    """A cut-out on the foot mark of a scene that has a plate."""
    return StandingFigure(cutout, foot_point(scene), figure_height(scene))


def cutout_of(path: Path) -> Figure:
    """The cut-out in a picture file. Raises :class:`BuildError`, naming the file."""
    try:
        return figure_of(rgba_of(path))
    except BuildError:
        raise
    except PrevizError as error:
        raise BuildError(f"{path}: {error}") from error


def rgba_of(path: Path) -> Pixels8:
    """A cut-out's picture (h, w, 4) uint8, straight alpha. Raises :class:`BuildError` for one without alpha."""
    try:
        with warnings.catch_warnings():
            # the size is checked here, with a plainer message
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            with Image.open(path) as image:
                width, height = image.size
                if width * height > PICTURE_PIXELS:
                    raise BuildError(
                        f"{path}: the figure has {width} x {height} pixels; at most "
                        f"{millions(PICTURE_PIXELS)} are read, so save it smaller"
                    )
                if not image.has_transparency_data:
                    raise BuildError(
                        f"{path}: the figure has no alpha channel; save the cut-out as a PNG with transparency"
                    )
                return np.asarray(image.convert("RGBA"))
    except FileNotFoundError:
        raise BuildError(f"{path}: there is no such file; the figure's cut-out is expected there") from None
    except Image.DecompressionBombError:
        raise BuildError(f"{path}: the figure is far too large to read; save it smaller") from None
    except UnidentifiedImageError:
        raise BuildError(f"{path}: this is not a picture that can be read; save the cut-out as PNG") from None
    # Pillow reports broken data in one of these ways, according to where it breaks
    except (OSError, SyntaxError, ValueError, EOFError, TypeError, AssertionError) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise BuildError(f"{path}: the figure is broken or cut short ({reason}); save it again") from error
