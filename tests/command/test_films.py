"""The films of a shoot are those of its frames' files, however the frames come."""

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from previz.command.shoot.films import growing_films
from previz.run.film import write_film
from previz.run.frames import frame_name, read_frame, write_png
from previz.run.output import OutputFolder

FRAMES = list(range(1001, 1009))
RATE = Fraction(25)


def picture(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 256, (48, 64, 3)).astype(np.uint8)


@pytest.mark.parametrize(
    ("there", "come"),
    [
        ([], FRAMES),
        ([1001, 1002, 1005], [1003, 1004, 1006, 1007, 1008]),
        ([], [1001, 1004, 1002, 1003, 1008, 1005, 1007, 1006]),
        (FRAMES, []),
    ],
)
def test_the_films_are_those_of_the_files(tmp_path: Path, there: list[int], come: list[int]) -> None:
    folder = OutputFolder(tmp_path)

    def written(frame: int) -> tuple[np.ndarray, np.ndarray]:
        pair = picture(frame), picture(frame + 100)
        for series, each in zip(("lens", "side"), pair, strict=True):
            write_png(folder, f"{series}/{frame_name(frame)}", each)
        return pair

    for frame in there:
        written(frame)
    with growing_films(folder, FRAMES, set(there), RATE) as films:
        for frame in come:
            films.came(frame, *written(frame))
        films.rest()
    for series in ("lens", "side"):
        wanted = write_film(folder, "wanted.mp4", (read_frame(folder, series, f) for f in FRAMES), RATE)
        assert (tmp_path / f"{series}.mp4").read_bytes() == wanted.read_bytes()


def test_a_run_that_stops_leaves_the_old_films(tmp_path: Path) -> None:
    folder = OutputFolder(tmp_path)
    for name in ("lens.mp4", "side.mp4"):
        folder.write_bytes(name, b"old")

    def stopped() -> None:
        with growing_films(folder, FRAMES, set(), RATE) as films:
            films.came(1001, picture(1), picture(2))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"lens.mp4": b"old", "side.mp4": b"old"}
