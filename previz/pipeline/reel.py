"""Frames of a film put in their order: what comes before its turn waits on disk."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from previz.build.surface import Pixels8
from previz.deliver.frames import frame_name, png_bytes, read_png
from previz.deliver.output import OutputFolder
from previz.pipeline.animatic import AnimaticFrame

# the folder inside the results in which frames wait
WAITING = "unfinished"

# what a run leaves only where it is asked for, or where the scene gives what it takes
_SOMETIMES = ("retime.csv", "retime.otio", "match.cc", "match.ccc", "split.mp4", "wipe.mp4")


class Reel:
    """Puts frames in their order: what comes before its turn waits on disk."""

    def __init__(self, folder: OutputFolder, frames: Sequence[int], name: str = "later") -> None:
        self._folder, self._frames, self._name = folder, frames, name

    def film(self, made: Iterator[AnimaticFrame]) -> Iterator[Pixels8]:
        """The frames in their order; wipes and mattes are put where they belong as they come."""
        due = 0
        for frame in made:
            number = frame_name(self._frames[frame.index])
            if frame.matte is not None:
                self._folder.write_bytes(f"shadow/{number}", frame.matte)
            if frame.wipe is not None:
                self._folder.write_bytes(f"{WAITING}/wipe-{number}", frame.wipe)
            if frame.index == due:
                yield frame.code
                due += 1
            else:
                self._folder.write_bytes(f"{WAITING}/{self._name}-{number}", png_bytes(frame.code))
        yield from self.kept(self._name, due)

    def kept(self, name: str, first: int = 0) -> Iterator[Pixels8]:
        """Frames that wait under a name, from an index on; each is let go of."""
        for frame in self._frames[first:]:
            place = self._folder.place(f"{WAITING}/{name}-{frame_name(frame)}")
            yield read_png(place)
            place.unlink(missing_ok=True)


def forget_waiting(folder: OutputFolder) -> None:
    """Remove frames that wait, of this run or of one that was killed."""
    for name in ("later", "wipe", "left", "right"):
        for place in (folder.path / WAITING).glob(f"{name}-*.png"):
            place.unlink(missing_ok=True)
    if (folder.path / WAITING).is_dir() and not any((folder.path / WAITING).iterdir()):
        (folder.path / WAITING).rmdir()


def strangers(folder: OutputFolder, frames: Sequence[int], files: Sequence[str]) -> str:
    """A word about files of an earlier run, which would be taken for this one's ``files``; empty without any."""
    out = [name for name in _SOMETIMES if name not in files and folder.has(name)]
    for series, ending in (("shadow", ".png"), ("track", ".json")):
        own = {f"{frame:04d}{ending}" for frame in frames} if f"{series}/" in files else set()
        found = (folder.path / series).glob(f"*{ending}")
        strange = sorted(p.name for p in found if p.stem.isdigit() and p.name not in own)
        if strange:
            out.append(f"{series}/{strange[0]} ({len(strange)} in all)")
    where = folder.path.as_posix()
    return f"left in {where} by an earlier run and no part of this one: {', '.join(out)}" if out else ""
