"""What a scene gives of its plate: the camera in numbers or from marks, the figure's pictures, the move, the take."""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from math import floor
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image
from scipy.interpolate import PchipInterpolator

from previz import colour
from previz.errors import PlateError, PrevizError
from previz.geometry import Array
from previz.look.blur import exposure_frames
from previz.plate.cutout import standing_of
from previz.plate.feet import Layer
from previz.plate.figure import rgba_of
from previz.plate.marks import Marks, PlatePicture, SolvedCamera, Upright, numbers_from, solve_camera
from previz.plate.rates import rates_sentence
from previz.plate.retime import Retime, needed_rate, out_and_back, retimed
from previz.plate.scaling import PlateNumbers, plate_numbers
from previz.plate.take import read_take, read_wanted
from previz.scene.files import how_to_convert
from previz.scene.model import Scene
from previz.scene.move import Move
from previz.units import deg_text, mm_text
from previz.workshop.surface import Picture

# a hand's easy push, for the shooting rate that a slide needs before any take is there; judgement, no source
HAND_SPEED: Final = 0.1  # m/s

# standard deviations between marks and given numbers that are still taken for chance
_SURE: Final = 3.0

# the figure's pictures are the plate's where their shapes agree to this share, and the feet move by this much
_SHAPE: Final = 0.01
_MOVES: Final = 0.01


@dataclass(frozen=True, eq=False)
class PlateTold:
    """The plate's camera: ``numbers``, what marks told of it (``solved``), and plain ``sentences`` about both."""

    numbers: PlateNumbers
    solved: SolvedCamera | None
    sentences: tuple[str, ...]


def told_plate(scene: Scene) -> PlateTold:
    """The plate's camera of a scene. Raises :class:`PlateError` where neither numbers nor marks tell it."""
    plate = scene.plate
    if plate is None:
        raise PlateError("the scene has no plate; write [plate] with the performer's height, camera and foot_mark")
    if plate.marks is None:
        return PlateTold(plate_numbers(scene), None, ())
    marks, given = plate.marks, plate.camera
    if marks.feet is None or marks.head is None:
        raise PlateError("plate.marks: feet and head are needed, [right, down] in pixels of the still; mark both")
    width_px, height_px = _size_of(scene.path(marks.picture), "plate.marks.picture")
    lens = scene.camera.lens if given is None else given.lens
    sensor = (None if given is None else given.sensor) or scene.camera.sensor
    picture = PlatePicture(width_px, height_px, lens, sensor[0])
    uprights = [Upright(marks.feet, marks.head, plate.height)]
    uprights += [Upright(pole.foot, pole.top, pole.height) for pole in marks.poles]
    solved = solve_camera(picture, Marks(tuple(uprights), marks.horizon, marks.edges, marks.noise_px))
    travel = 0.0 if given is None else given.travel
    said = [f"from marks in {marks.picture.name}, taken to be the station frame: {solved.text[0]}", *solved.text[1:]]
    if given is None:
        said.append(
            f"no plate.camera is given: the lens is taken to be the scene's own, {mm_text(lens)}, and the plate's move "
            "to be none"
        )
    else:
        said += _disagreements(scene, solved)
    # the still is the whole picture as shot; a crop of the plate comes on top
    return PlateTold(replace(numbers_from(solved, picture, travel), crop=plate.crop), solved, tuple(said))


def _disagreements(scene: Scene, solved: SolvedCamera) -> list[str]:
    assert scene.plate is not None
    given = scene.plate.camera
    assert given is not None
    out = []
    for name in ("height", "distance", "lateral", "tilt"):
        told, found = float(getattr(given, name)), getattr(solved, name)
        if name not in given.model_fields_set or abs(told - found.value) <= _SURE * found.sigma:
            continue
        if name == "tilt":
            words = f"{deg_text(told, 2)}, the marks say {deg_text(found.value, 2)} +- {deg_text(found.sigma, 2)}"
        else:
            words = f"{told:.2f} m, the marks say {found.value:.2f} +- {found.sigma:.2f} m"
        out.append(f"plate.camera.{name} says {words}: the marks are taken; find out which of the two is wrong")
    return out


@dataclass(frozen=True, eq=False)
class Course:
    """Where the miniature's camera is in every delivered frame (N), m from the start of the scene's move.

    ``wanted`` (N,) is what the move asks for, ``rail`` (N, 3) where the camera is (with a take: where that has it) as
    the shutter opens, in the middle, and as it closes, ``turns`` (N, 3, 2) rad how far the move has panned and tilted
    it then: a take tells nothing of that. The first ``out`` frames lead out, the others back the same way.
    """

    frames: tuple[int, ...]
    wanted: Array
    rail: Array
    turns: Array
    out: int
    retime: Retime | None
    sentences: tuple[str, ...]

    def twin(self, index: int) -> int | None:
        """The index on the way back at which the camera is where it is at ``index`` on the way out."""
        back = 2 * (self.out - 1) - index
        return back if index < self.out - 1 and back < len(self.frames) else None

    def way_out(self, index: int) -> int:
        """The index on the way out that shows the same as ``index``."""
        return index if index < self.out else 2 * (self.out - 1) - index


def course_of(scene: Scene, move: Move) -> Course:
    """The move as it is wanted, or as a take gives it. Raises :class:`PlateError`."""
    plate = scene.plate
    assert plate is not None
    first, wanted = move.frames[0], move.rail
    if plate.wanted is not None:
        first, wanted = read_wanted(scene.path(plate.wanted))
    out = len(wanted)
    path = out_and_back(wanted) if plate.back else np.array(wanted)
    frames = tuple(range(first, first + len(path)))
    half = 0.5 * exposure_frames(move)
    opened = np.arange(len(path), dtype=np.float64)[:, None] + half * np.array([-1.0, 0.0, 1.0])
    # frame numbers, not places, time the turn: a table of wanted places may begin at another one
    turns = move.turns(_there_and_back(opened, out - 1, plate.back) + (first - move.frames[0]))
    if plate.take is None:
        rail = np.stack([_between(move, plate.wanted is None, wanted, time, plate.back) for time in opened.T], axis=-1)
        rail[:, 1] = path
        needed = needed_rate(wanted, scene.delivery.rate, HAND_SPEED)
        said = ("There is no take yet (plate.take), so no retime is written. " + needed.sentence,)
        return Course(frames, path, rail, turns, out, None, said)
    shot = scene.delivery.rate if scene.camera.rate is None else scene.camera.rate
    take = read_take(scene.path(plate.take), shot)
    # with a move of its own from a table the reveal may lie outside it
    reveal = scene.rail.reveal if scene.rail.reveal in frames[:out] else None
    table = retimed(take, path, scene.delivery.rate, first, reveal)
    half = 0.5 * (0.5 if scene.camera.shutter is None else float(scene.camera.shutter * shot))
    rail = np.stack([take.position(table.source + way * half) for way in (-1.0, 0.0, 1.0)], axis=-1)
    told = list(table.sentences)
    if scene.rail.pan or scene.rail.tilt:
        told.append(
            "A take tells where the slide was and not how the head was turned: pan and tilt are taken to be as wanted. "
            "Shoot without them and turn the picture afterwards, or gear the head to the rail."
        )
    return Course(frames, path, rail, turns, out, table, tuple(told))


def _there_and_back(time: Array, last: int, back: bool) -> Array:
    """Times of the way out that show the same as ``time``, in frames from the first; held before and after."""
    time = np.maximum(time, 0.0)
    if back:
        time = np.where(time > last, 2.0 * last - np.minimum(time, 2.0 * last), time)
    return np.minimum(time, float(last))


def _between(move: Move, own: bool, wanted: Array, time: Array, back: bool) -> Array:
    """Positions (N,) m at fractional delivered frames, counted from 0; standing before the first and after the last."""
    last = len(wanted) - 1
    time = _there_and_back(time, last, back)
    if last == 0:
        return np.full(len(time), wanted[0])
    if own:
        return move.rail_during(time)
    return np.asarray(PchipInterpolator(np.arange(last + 1), wanted)(time))


def plate_rail(scene: Scene, matched: Move, own: Move, rail: ArrayLike) -> Array:
    """Where (...) m along its own scaled rail the plate's camera is when the scene's move is at ``rail`` (...) m."""
    at = np.asarray(rail, dtype=np.float64)
    if scene.rail.travel == 0.0:
        return np.full(at.shape, matched.station_rail)
    share = matched.scene.rail.travel / scene.rail.travel
    return np.asarray(matched.station_rail + (at - own.station_rail) * share)


@dataclass(frozen=True, eq=False)
class FigureIn:
    """The figure's pictures: one still, or numbered frames, all of ``size_px`` (width, height).

    ``layer`` says where foot and head are in a cut-out; None where the pictures are the plate's own, whole. ``shown``
    (N,) is the index of the picture that each delivered frame takes, ``moment`` (N,) when the plate shows that one,
    in delivered frames from the first; NaN of a still. ``sentences`` say what was taken for what.
    """

    files: tuple[Path, ...]
    size_px: tuple[int, int]
    layer: Layer | None
    shown: tuple[int, ...]
    moment: Array
    sentences: tuple[str, ...]

    @property
    def is_still(self) -> bool:
        """Whether one picture stands in every frame."""
        return bool(np.isnan(self.moment[0]))


def figure_in(scene: Scene, course: Course) -> FigureIn | None:
    """The figure of a scene, None where it names none. Raises :class:`PlateError` or :class:`BuildError`."""
    plate = scene.plate
    if plate is None or plate.figure is None:
        return None
    path = scene.path(plate.figure)
    count = len(course.frames)
    _refuse_film(path)
    if not path.is_dir():
        pixels = rgba_of(path)
        layer, words = _layer(pixels, plate.feet, path)
        nothing = np.full(count, np.nan)
        return FigureIn((path,), pixels.shape[1::-1], layer, (0,) * count, nothing, (f"a still, {words}",))
    numbers, files = _numbered(path)
    size_px = _all_alike(files)
    rate = scene.delivery.rate if plate.rate is None else plate.rate
    shown, told = _shown(len(files), rate, scene.delivery.rate, course)
    moment = np.array([float(index * scene.delivery.rate / rate) for index in shown])
    said = [f"{len(files)} frames, {numbers[0]} to {numbers[-1]}"]
    pixels = rgba_of(files[0])
    whole = plate.feet is None and _is_plate(scene, size_px) and _feet_move(pixels, rgba_of(files[-1]))
    if whole:
        said.append("the whole plate picture, since its shape is the plate's and the feet move in it")
        return FigureIn(files, size_px, None, shown, moment, (", ".join(said), *told))
    layer, words = _layer(pixels, plate.feet, files[0])
    said.append(f"a cut-out, {words}")
    return FigureIn(files, size_px, layer, shown, moment, (", ".join(said), *told))


def _shown(have: int, rate: Fraction, delivered: Fraction, course: Course) -> tuple[tuple[int, ...], list[str]]:
    """The picture for each delivered frame, and what to tell."""
    step = rate / delivered
    # halves go up, so that a rate that divides takes every frame alike
    shown = [floor(k * step + Fraction(1, 2)) for k in range(len(course.frames))]
    told = [sentence for sentence in (rates_sentence(rate, delivered),) if sentence]
    if shown[-1] >= have and len(course.frames) > course.out:
        shown = [shown[course.way_out(k)] for k in range(len(course.frames))]
        told.append("the figure's frames end before the way back does: they are played backwards there")
    late = next((k for k, index in enumerate(shown) if index >= have), None)
    if late is not None:
        told.append(f"the figure's frames end at frame {course.frames[late] - 1}: the last is held from there on")
    return tuple(min(index, have - 1) for index in shown), told


def _refuse_film(path: Path) -> None:
    convert = how_to_convert(path)
    if convert:
        raise PlateError(f"{path}: a figure is a PNG with alpha or a folder of numbered ones; {convert}")


def _numbered(folder: Path) -> tuple[list[int], tuple[Path, ...]]:
    try:
        found = sorted(p for p in folder.iterdir() if p.is_file() and not p.name.startswith("."))
    except OSError as error:
        raise PlateError(f"{folder}: the figure's folder cannot be opened ({error.strerror or error})") from error
    pictures = [p for p in found if p.suffix.lower() == ".png"]
    if not pictures:
        convert = next((words for words in map(how_to_convert, found) if words), "")
        what = convert or "put the figure's numbered frames there"
        raise PlateError(f"{folder}: no PNG frames in this folder; {what}")
    by_number: dict[int, Path] = {}
    for picture in pictures:
        digits = re.search(r"(\d+)$", picture.stem)
        if digits is None:
            raise PlateError(f"{picture}: no frame number at the end of its name; expected a name like figure.1001.png")
        number = int(digits[1])
        if number in by_number:
            raise PlateError(f"{folder}: frame {number} is there twice, {by_number[number].name} and {picture.name}")
        by_number[number] = picture
    numbers = sorted(by_number)
    gaps = [(a + 1, b - 1) for a, b in pairwise(numbers) if b > a + 1]
    if gaps:
        many = sum(b - a + 1 for a, b in gaps)
        shown = ", ".join(str(a) if a == b else f"{a} to {b}" for a, b in gaps[:6])
        more = f" and more, {many} in all" if len(gaps) > 6 else ""
        raise PlateError(
            f"{folder}: of the figure's frames {numbers[0]} to {numbers[-1]} these are missing: {shown}{more}; export "
            "them again, or number the frames without gaps"
        )
    return numbers, tuple(by_number[number] for number in numbers)


def _all_alike(files: tuple[Path, ...]) -> tuple[int, int]:
    """Width and height of all pictures; their headers alone are read."""
    first: tuple[int, int] | None = None
    for file in files:
        try:
            with Image.open(file) as image:
                size, alpha = image.size, image.has_transparency_data
        except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
            raise PlateError(f"{file}: this frame of the figure cannot be read ({error}); export it again") from error
        if not alpha:
            raise PlateError(f"{file}: the figure has no alpha channel; export all frames as PNG with transparency")
        if first is not None and size != first:
            raise PlateError(
                f"{file}: {size[0]} x {size[1]} pixels, where the first frame has {first[0]} x {first[1]}; export all "
                "frames in one size"
            )
        first = size
    assert first is not None
    return first


def _layer(pixels: NDArray[np.uint8], feet: tuple[float, float] | None, path: Path) -> tuple[Layer, str]:
    """Foot and head in a cut-out (h, w, 4), and how they were found."""
    height, width = pixels.shape[:2]
    try:
        stands = standing_of(pixels)
    except PrevizError as error:
        raise PlateError(f"{path}: {error}") from error
    top = stands.top
    if feet is None:
        foot, words = stands.foot, "the feet in the middle of what stands lowest"
        if stands.left_out:
            words += ", a staff or the like left out"
    else:
        foot, words = feet, "the feet where plate.feet says"
        if not (0.0 <= foot[0] <= width and top + 1.0 < foot[1] <= height):
            raise PlateError(
                f"plate.feet: ({foot[0]:g}, {foot[1]:g}) is no place for feet in {path.name}, {width} x {height} px, "
                f"whose figure's head is at {top:g} px; give [right, down] in pixels of that picture"
            )
    words += f" ({foot[0]:.1f}, {foot[1]:.1f})"
    return Layer(float(width), float(height), foot, (foot[0], top)), words


def _is_plate(scene: Scene, size_px: tuple[int, int]) -> bool:
    plate = scene.plate
    assert plate is not None
    sensor = (None if plate.camera is None else plate.camera.sensor) or scene.camera.sensor
    width, height = scene.delivery.frame
    shapes = [width / height, sensor[0] / sensor[1]]
    shape = size_px[0] / size_px[1]
    return any(abs(shape / other - 1.0) < _SHAPE for other in shapes)


def _feet_move(first: NDArray[np.uint8], last: NDArray[np.uint8]) -> bool:
    places = []
    for pixels in (first, last):
        # a frame that the performer has left is no cut-out either
        if not (pixels[..., 3] >= 128).any():
            return True
        places.append(np.array(standing_of(pixels).foot))
    return bool(np.hypot(*(places[1] - places[0])) > _MOVES * first.shape[0])


def still_of(path: Path, key: str) -> Picture:
    """A still (H, W, 3) float32 linear light from a picture of 8-bit sRGB codes. Raises :class:`PlateError`."""
    return colour.decoded8(np.asarray(_opened(path, key, lambda image: image.convert("RGB"))))


def _size_of(path: Path, key: str) -> tuple[int, int]:
    width, height = _opened(path, key, lambda image: image.size)
    return int(width), int(height)


def _opened(path: Path, key: str, what: Any) -> Any:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            with Image.open(path) as image:
                return what(image)
    except FileNotFoundError:
        raise PlateError(f"{path}: there is no such file; {key} names it") from None
    except (OSError, SyntaxError, ValueError, EOFError, TypeError, Image.DecompressionBombError) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise PlateError(f"{path}: {key} is no picture that can be read ({reason}); save it as PNG or JPEG") from error
