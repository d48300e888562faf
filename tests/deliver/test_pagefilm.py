"""The film inside a page: what comes back of it by another decoder, how large it becomes, and that it tells nothing."""

import base64
import io
from fractions import Fraction

import av
import numpy as np
import pytest

from previz.deliver.shoot.pagedata import CleanPatch, clean_patch
from previz.deliver.shoot.pagefilm import GROUP, PageFilm, clean_of, is_clean, page_film
from previz.workshop.surface import Pixels8

RATE = Fraction(25)


def wall(k: int, h: int = 90, w: int = 160) -> Pixels8:
    """A pattern that slides by 2 px a frame."""
    y, x = np.mgrid[0:h, 0:w]
    value = 128 + 90 * np.sin((x + 2 * k) / 9.0) * np.cos(y / 11.0)
    return np.repeat(value[..., None], 3, axis=2).astype(np.uint8)


def shot(count: int, h: int = 90, w: int = 160) -> list[tuple[Pixels8, CleanPatch | None]]:
    """A wall, and before it a bright plank that stands."""
    out = []
    for k in range(count):
        clean, seen = wall(k, h, w), wall(k, h, w)
        seen[h // 3 : h // 2, w // 4 : w // 2] = 230
        out.append((seen, clean_patch(seen, clean)))
    return out


def pictures(film: PageFilm) -> list[Pixels8]:
    with av.open(io.BytesIO(film.mp4)) as file:
        return [frame.to_ndarray(format="rgb24") for frame in file.decode(video=0)]


def test_every_frame_comes_back_with_the_bridge_and_without_it() -> None:
    frames = shot(11)
    found = pictures(page_film(frames, RATE, 1_000_000))
    assert len(found) == 22
    for n, picture in enumerate(found):
        seen, patch = frames[n // 2]
        wanted = {False: seen, True: clean_of(seen, patch)}
        # a rate factor of 16 is near invisible loss: a code or two
        assert np.abs(picture.astype(float) - wanted[is_clean(n)]).mean() < 2.0
        assert np.abs(picture.astype(float) - wanted[not is_clean(n)]).mean() > 4.0


def test_neither_kind_always_comes_first() -> None:
    """Else the pictures of one kind would always be made from those of the other."""
    first = [is_clean(2 * frame) for frame in range(8)]
    assert first == [False, True] * 4
    assert all(is_clean(n) != is_clean(n ^ 1) for n in range(16))


def test_both_kinds_are_coded_alike() -> None:
    """Bytes and losses of the pictures with the bridge against those without it, of a shot in which both look alike."""
    frames: list[tuple[Pixels8, CleanPatch | None]] = [(wall(k), None) for k in range(4 * GROUP)]
    film = page_film(frames, RATE, 1_000_000)
    # without the pictures that need no other: those are whole frames
    sizes = {kind: [size for n, (_, size) in enumerate(film.samples) if is_clean(n) is kind and n % (2 * GROUP) > 1]
             for kind in (False, True)}  # fmt: skip
    assert np.mean(sizes[True]) == pytest.approx(np.mean(sizes[False]), rel=0.2)
    losses = {kind: [np.abs(p.astype(float) - frames[n // 2][0]).mean() for n, p in enumerate(pictures(film))
                     if is_clean(n) is kind] for kind in (False, True)}  # fmt: skip
    assert np.mean(losses[True]) == pytest.approx(np.mean(losses[False]), rel=0.1)


def test_it_is_sought_by_groups_and_by_the_places_that_are_told() -> None:
    """Decoded from any group on, by configuration and places of the samples alone, the same pictures come."""
    film = page_film(shot(3 * GROUP), RATE, 1_000_000)
    data = film.data()
    mp4, whole = base64.b64decode(data["mp4"]), pictures(film)
    starts = np.cumsum([data["from"], *data["sizes"]])
    assert len(data["sizes"]) == 6 * GROUP
    for group in (2, 0, 1):
        codec = av.CodecContext.create("h264", "r")
        codec.extradata = base64.b64decode(data["avcc"])
        found = []
        for n in range(2 * GROUP * group, 2 * GROUP * (group + 1)):
            packet = av.Packet(mp4[starts[n] : starts[n + 1]])
            found += [frame.to_ndarray(format="rgb24") for frame in codec.decode(packet)]
        found += [frame.to_ndarray(format="rgb24") for frame in codec.decode(None)]
        assert np.array_equal(found, whole[2 * GROUP * group : 2 * GROUP * (group + 1)])
    # profile, constraints and level as the stream itself has them (ISO/IEC 14496-15, 5.3.3.1)
    assert data["codec"] == "avc1." + base64.b64decode(data["avcc"])[1:4].hex()


@pytest.mark.parametrize("room", [400_000, 60_000, 12_000])
def test_frames_are_made_to_fit(room: int) -> None:
    rng = np.random.default_rng(4)
    frames: list[tuple[Pixels8, CleanPatch | None]] = [
        (rng.integers(0, 256, (180, 320, 3), dtype=np.uint8), None) for _ in range(6)
    ]
    film = page_film(frames, RATE, room)
    assert len(film.data()["mp4"]) <= room
    # and no worse than need be: what is left over would not have taken the next better one
    assert len(film.data()["mp4"]) > 0.6 * room


def test_a_long_film_is_judged_by_a_part_of_it_and_fits_all_the_same() -> None:
    frames = shot(8 * GROUP)
    best = page_film(frames, RATE, 10_000_000)
    assert best.quality == 16
    room = len(best.data()["mp4"]) // 2
    film = page_film(frames, RATE, room)
    assert 0.6 * room < len(film.data()["mp4"]) <= room


def test_wide_frames_are_made_960_wide_and_odd_ones_keep_their_size() -> None:
    assert page_film(shot(2, 270, 1920), RATE, 1_000_000).width_px == 960
    film = page_film(shot(2, 91, 161), RATE, 1_000_000)
    assert (film.width_px, film.height_px) == (161, 91)
    # coded with one more of each, a copy of the last
    assert pictures(film)[0].shape == (92, 162, 3)


def test_the_same_frames_are_the_same_bytes() -> None:
    assert page_film(shot(9), RATE, 1_000_000).mp4 == page_film(shot(9), RATE, 1_000_000).mp4
