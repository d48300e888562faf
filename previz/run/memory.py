"""What a run will take of memory, what there is, and how many workers that leaves room for.

Results do not depend on the number of workers, so only that follows from the memory. Where not even one fits, the
run is refused before it begins; a system out of memory would end it without a word.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from previz.errors import OutputError

if TYPE_CHECKING:
    from previz.scene.model import Scene

# addresses that a process of ours takes with its libraries, a driver in software and threads on a few cores: with 2.6e9
# the driver ended it without a word, with 3.2e9 a small set was shot (measured, two cores)
LEAST_ADDRESSES: Final = 4_000_000_000

# bytes (measured by ``tests.benchmarks.memory``; the driver draws in software and holds its textures here as well):
# a process with its libraries and its driver
_LIBRARIES: Final = 470e6
# more for each process where a card's own driver draws (one kind of card measured), and the file that tells of it
_CARD_DRIVER: Final = 700e6
_CARD: Final = "dev/nvidiactl"
# while the set is built and lit, and in every worker, a texel of the wall and of the bridge, a triangle of the wall
_WALL_TEXEL: Final = 80.0
_BRIDGE_TEXEL: Final = 60.0
_TRIANGLE: Final = 500.0
# a pixel of a frame that is drawn and judged
_PIXEL: Final = 470.0
# bytes of a mesh file a triangle: three indices of 4 bytes, and half a vertex with place, normal and texture (glTF 2.0)
_MESH_BYTES: Final = 28.0
# what solving paint holds beside that (measured on the crevasse, with two frames to hold)
_SOLVING: Final = 700e6
# a pixel of a photograph of the wall as codes and as light, and a texel of the wall as each of them has it, levels
# matched (their arrays, added up)
_PHOTO_PIXEL: Final = 24.0
_PHOTO_TEXEL: Final = 28.0
# what baking holds for each lamp and card beside that
_EMITTER: Final = 30e6


@dataclass(frozen=True)
class Need:
    """Bytes that a run takes: its ``own`` process while it builds and lights the set, and each ``worker`` that looks.

    With one worker the run's own process looks, when what lighting took has been let go.
    """

    own: float
    worker: float

    def of(self, workers: int) -> float:
        """What it takes with so many workers."""
        return self.own + (0.0 if workers == 1 else workers * self.worker)


def need_of(scene: Scene, width_px: int | None = None, solves: bool = False, root: Path = Path("/")) -> Need:
    """What it takes to build, light and look at a scene's set in frames ``width_px`` wide (delivered ones if None).

    ``solves`` says that paint is solved whatever the scene asks for. ``root`` is where the machine's ``dev`` lies.
    """
    from previz.scene.move import move_of
    from previz.scene.shape import bridge_shape
    from previz.stage.prepare import bridge_texel

    full_width, full_height = scene.delivery.frame
    width = width_px or full_width
    pixels = width * width * full_height / full_width
    wall = scene.wall
    longest = max(wall.width, wall.height)
    texels = wall.texture_px**2 * wall.width * wall.height / longest**2
    texel = bridge_texel(scene, move_of(scene))
    lows, highs = bridge_shape(scene).boxes
    dx, dy, dz = (float(side) for side in highs.max(axis=0) - lows.min(axis=0))
    area = 2.0 * (dx * dy + dy * dz + dx * dz)
    emitters = len(scene.lamps) + len(scene.cards)
    looks = (
        _LIBRARIES
        + (_CARD_DRIVER if (root / _CARD).exists() else 0.0)
        + _WALL_TEXEL * texels
        + _BRIDGE_TEXEL * area / texel**2
        + _TRIANGLE * _triangles(scene)
        + _PIXEL * pixels
    )
    solving = _SOLVING if solves or scene.wants_solving else 0.0
    return Need(looks + _EMITTER * emitters + solving + _photographs(scene, texels), looks)


def _photographs(scene: Scene, texels: float) -> float:
    """Bytes that laying a wall's photographs flat takes: the largest of them, and the wall once for each."""
    from previz.scene.foreign import picture_size

    photos = scene.wall.photo or ()
    sizes = [math.prod(picture_size(scene.path(photo.file))) for photo in photos]
    return _PHOTO_PIXEL * max(sizes, default=0) + _PHOTO_TEXEL * texels * sum(photo.measured for photo in photos)


def _triangles(scene: Scene) -> float:
    """Triangles of wall and bridge, about: those of a mesh by the size of its file."""
    out = float(scene.wall.triangles) if scene.wall.mesh is None else 0.0
    for mesh in (scene.wall.mesh, scene.bridge.mesh):
        if mesh is not None:
            with suppress(OSError):
                out += scene.path(mesh.file).stat().st_size / _MESH_BYTES
    return out


def there_is(root: Path = Path("/")) -> float:
    """Bytes of memory that a run may take now: what the system says is to be had, and what its group may still take.

    Infinite where the system does not say. ``root`` is where its ``proc`` and ``sys`` lie.
    """
    return min(_available(root), *_left_in_groups(root))


def _available(root: Path) -> float:
    found = re.search(r"^MemAvailable:\s+(\d+) kB", _text(root / "proc/meminfo"), re.MULTILINE)
    return math.inf if found is None else 1024.0 * int(found[1])


def _left_in_groups(root: Path) -> Iterator[float]:
    """What each control group that this process is in may still take (kernel documentation, cgroup v1 and v2)."""
    yield math.inf
    for line in _text(root / "proc/self/cgroup").splitlines():
        number, kinds, path = line.split(":", 2) if line.count(":") >= 2 else ("", "", "")
        if number == "0" and not kinds:
            base, most, used = root / "sys/fs/cgroup", "memory.max", "memory.current"
        elif "memory" in kinds.split(","):
            base, most, used = root / "sys/fs/cgroup/memory", "memory.limit_in_bytes", "memory.usage_in_bytes"
        else:
            continue
        # inside a container the group's own folder is the base, whatever the path says
        place = base.joinpath(*(part for part in path.split("/") if part not in ("", "..")))
        for folder in (place, *(p for p in place.parents if p.is_relative_to(base))):
            limit, taken = _text(folder / most).strip(), _text(folder / used).strip()
            if limit.isdigit() and taken.isdigit():
                # pages of files are let go when memory is wanted
                kept = re.search(r"^(?:total_)?inactive_file (\d+)", _text(folder / "memory.stat"), re.MULTILINE)
                yield float(int(limit) - int(taken) + (0 if kept is None else int(kept[1])))


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, ValueError):
        return ""


def require_addresses() -> None:
    """Refuse to look at a set where a process may not have the addresses for it: a driver would end it without a word.

    Raises :class:`OutputError`.
    """
    try:
        import resource
    except ImportError:  # a system without such limits
        return
    allowed, _ = resource.getrlimit(resource.RLIMIT_AS)
    if allowed != resource.RLIM_INFINITY and allowed < LEAST_ADDRESSES:
        raise OutputError(
            f"a process may have {allowed / 1e9:.1f} GB of addresses here, and drawing takes "
            f"{LEAST_ADDRESSES / 1e9:g} GB, most of it never filled; raise the limit (ulimit -v)"
        )


def workers_with_room(need: Need, free: float, wanted: int) -> int:
    """How many of the workers ``wanted`` there is memory for.

    Raises :class:`OutputError` where there is none for a single one.
    """
    if need.of(1) > free:
        raise OutputError(
            f"this scene takes {need.of(1) / 1e9:.1f} GB of memory, and there are {max(free, 0.0) / 1e9:.1f} GB; end "
            "other programs, or make --width, delivery.frame, wall.texture_px or wall.triangles smaller"
        )
    return next(count for count in range(wanted, 0, -1) if count == 1 or need.of(count) <= free)
