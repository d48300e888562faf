"""Films, read back with PyAV: tags, rate, size, colour, and the same bytes for the same frames."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from previz.errors import OutputError
from previz.run.film import even, write_film
from previz.run.output import OutputFolder
from tests.deliver.made_up import noise

PATCHES = [(255, 255, 255), (0, 0, 0), (128, 128, 128), (200, 30, 40), (20, 180, 60), (30, 60, 210), (250, 246, 237)]


def patches() -> np.ndarray:
    picture = np.zeros((64, 64 * len(PATCHES), 3), dtype=np.uint8)
    for i, colour in enumerate(PATCHES):
        picture[:, 64 * i : 64 * (i + 1)] = colour
    return picture


def bt709(colour: tuple[int, int, int]) -> np.ndarray:
    """8-bit Y', Cb, Cr of R'G'B' codes: ITU-R BT.709-6, items 3.2, 3.3 and 3.4 (quantisation, n = 8)."""
    r, g, b = (v / 255.0 for v in colour)
    y = 0.2126 * r + 0.7152 * g + 0.0722 * b
    return np.array([219.0 * y + 16.0, 224.0 * (b - y) / 1.8556 + 128.0, 224.0 * (r - y) / 1.5748 + 128.0])


@pytest.mark.parametrize("rate", [Fraction(25), Fraction(24000, 1001), Fraction(24)])
def test_rate_count_and_tags(tmp_path: Path, rate: Fraction) -> None:
    place = write_film(OutputFolder(tmp_path), "lens.mp4", (noise(48, 64, i) for i in range(11)), rate)
    with av.open(str(place)) as film:
        stream = film.streams.video[0]
        codec = stream.codec_context
        # ITU-T H.273: 1 is BT.709 for primaries, transfer and matrix; limited ("MPEG") range is 1 in FFmpeg
        assert (codec.color_primaries, codec.color_trc, codec.colorspace, codec.color_range) == (1, 1, 1, 1)
        assert codec.pix_fmt == "yuv420p"
        assert codec.name in ("h264", "libx264")
        assert stream.average_rate == rate
        assert stream.frames == 11
        assert stream.duration * stream.time_base == 11 / rate
        assert not {"creation_time", "encoder"} & set(film.metadata)
        times = [frame.pts * frame.time_base for frame in film.decode(stream)]
    assert times == [i / rate for i in range(11)]


def test_colours_are_those_of_the_standard(tmp_path: Path) -> None:
    place = write_film(OutputFolder(tmp_path), "p.mp4", [patches()] * 4, Fraction(25))
    with av.open(str(place)) as film:
        frame = next(film.decode(video=0))
    h, w = patches().shape[:2]
    yuv = frame.to_ndarray()
    planes = [yuv[:h], yuv[h : h + h // 4].reshape(h // 2, w // 2), yuv[h + h // 4 :].reshape(h // 2, w // 2)]
    for i, colour in enumerate(PATCHES):
        x = 64 * i + 32
        got = np.array([planes[0][32, x], planes[1][16, x // 2], planes[2][16, x // 2]], dtype=float)
        assert np.abs(got - bt709(colour)).max() <= 1.0, colour


def test_frames_keep_their_order_and_look(tmp_path: Path) -> None:
    frames = [np.full((48, 64, 3), 20 + 10 * i, dtype=np.uint8) for i in range(20)]
    place = write_film(OutputFolder(tmp_path), "r.mp4", frames, Fraction(24))
    with av.open(str(place)) as film:
        got = [frame.to_ndarray()[:48, :64].mean() for frame in film.decode(video=0)]
    wanted = [bt709((20 + 10 * i,) * 3)[0] for i in range(20)]
    np.testing.assert_allclose(got, wanted, atol=1.0)


def test_odd_sizes_lose_nothing(tmp_path: Path) -> None:
    odd = noise(47, 63)
    assert even(odd).shape == (48, 64, 3)
    np.testing.assert_array_equal(even(odd)[:47, :63], odd)
    np.testing.assert_array_equal(even(odd)[47, :63], odd[46])
    assert even(noise(48, 64)).shape == (48, 64, 3)
    with av.open(str(write_film(OutputFolder(tmp_path), "o.mp4", [odd] * 3, Fraction(25)))) as film:
        assert (film.streams.video[0].width, film.streams.video[0].height) == (64, 48)


def test_same_frames_same_bytes(tmp_path: Path) -> None:
    folder = OutputFolder(tmp_path)
    frames = [noise(96, 128, i) for i in range(12)]
    one = write_film(folder, "a.mp4", frames, Fraction(25)).read_bytes()
    two = write_film(folder, "b.mp4", iter(frames), Fraction(25)).read_bytes()
    assert one == two
    assert one.index(b"moov") < one.index(b"mdat"), "a page must be able to play it while it loads"


def test_a_move_over_rock_gives_the_same_bytes_every_time(tmp_path: Path) -> None:
    """Films that pan over a grain, with other things in memory each time, so that nothing unwritten is read."""
    folder = OutputFolder(tmp_path)
    rng = np.random.default_rng(3)
    patches = np.kron(rng.uniform(60.0, 180.0, (30, 30, 3)), np.ones((12, 12, 1)))
    grain = rng.normal(0.0, 4.0, patches.shape[:2])
    rock = np.clip(patches + grain[..., None], 0, 255).astype(np.uint8)
    frames = [np.ascontiguousarray(rock[i : i + 90, 3 * i : 3 * i + 160]) for i in range(24)]
    found = set()
    for i in range(16):
        litter = [rng.integers(0, 255, (50 + 7 * i, 1000), dtype=np.uint8) for _ in range(5)]
        found.add(write_film(folder, f"pan-{len(litter)}.mp4", iter(frames), Fraction(25)).read_bytes())
    assert len(found) == 1


def test_a_broken_off_film_leaves_nothing(tmp_path: Path) -> None:
    folder = OutputFolder(tmp_path)

    def stopping() -> Iterator[np.ndarray]:
        yield noise(48, 64)
        yield noise(48, 64)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_film(folder, "lens.mp4", stopping(), Fraction(25))
    with pytest.raises(ValueError, match="one size"):
        write_film(folder, "lens.mp4", [noise(48, 64), noise(48, 66)], Fraction(25))
    with pytest.raises(ValueError, match="at least one frame"):
        write_film(folder, "lens.mp4", [], Fraction(25))
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_leaves_the_old_film(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = OutputFolder(tmp_path)
    folder.write_bytes("lens.mp4", b"old")
    opened = av.open

    class Full:
        """A film whose disk fills up after the first packets."""

        def __init__(self, film: av.container.OutputContainer) -> None:
            self._film, self._left = film, 2

        def close(self) -> None:
            self._film.close()

        def add_stream(self, *args: object, **options: object) -> object:
            return self._film.add_stream(*args, **options)

        def mux(self, packets: object) -> None:
            self._left -= 1
            if self._left < 0:
                raise av.error.OSError(errno.ENOSPC, "No space left on device", "lens.mp4")
            self._film.mux(packets)

    monkeypatch.setattr(av, "open", lambda *args, **options: Full(opened(*args, **options)))
    with pytest.raises(OutputError, match="the disk is full"):
        write_film(folder, "lens.mp4", (noise(48, 64, i) for i in range(90)), Fraction(25))
    assert [path.name for path in tmp_path.iterdir()] == ["lens.mp4"]
    assert (tmp_path / "lens.mp4").read_bytes() == b"old"
