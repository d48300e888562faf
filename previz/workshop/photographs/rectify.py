"""The wall laid flat from its photographs: each sampled through its homography, then put together and filled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz.geometry import Array
from previz.scene.foreign import Picture, read_picture
from previz.scene.model import Scene
from previz.units import mm_text
from previz.workshop.bilinear import read_between
from previz.workshop.compiled import compiled, in_parts
from previz.workshop.photographs.blend import blended, filled, matched_gains
from previz.workshop.photographs.seen import PhotoSeen, no_wall_in, photo_seen

# samples along each side of a texel, at most: one wider than that in the photograph is a photograph far too large
_MOST_SAMPLES: Final = 24
# rows of texels that are done at a time
_ROWS: Final = 64
# linear light above which a picture is burnt out, and the share of the wall from which on that is told
_BURNT, _TOO_MUCH = 0.985, 0.01
# places along the wall, each way, at which scale and doubt are looked at
_LOOKS: Final = 33


@dataclass(frozen=True, eq=False)
class FlatWall:
    """The wall as photographed: ``picture`` (h, w, 3) linear reflectance, and in how many photographs (h, w) each texel
    was ``covered``, 0 where it was filled. ``rows`` are for people, a photograph each; ``cautions`` are sentences."""

    picture: Picture
    covered: NDArray[np.uint8]
    rows: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]


def flat_wall(scene: Scene, x: Array, y: Array) -> FlatWall:
    """A wall from measured photographs, at texels ``x`` (w,) rising and ``y`` (h,) falling, m.

    ``x`` counts from the wall's middle. Raises :class:`~previz.errors.BuildError`, and an
    :class:`~previz.errors.OutputError` where markers are to be found and OpenCV is missing.
    """
    right = x + scene.wall.sideways
    layers, seens, rows, cautions = [], [], [], []
    for photo in scene.wall.photo or ():
        picture = read_picture(scene.path(photo.file))
        seen = photo_seen(scene, photo, picture)
        light, there = sampled_wall(picture, seen, right, y)
        rows.append((f"photograph {seen.name}", photo_words(seen, there, right, y)))
        cautions += list(seen.cautions)
        burnt = float((light[there].max(axis=1) > _BURNT).mean()) if there.any() else 0.0
        if burnt > _TOO_MUCH:
            cautions.append(f"{seen.name}: {100.0 * burnt:.0f} % of the wall in it is burnt out; expose less")
        if not there.any():
            cautions.append(f"{seen.name}: it shows nothing of the wall; are its points' places right?")
        layers.append((light * seen.gains.astype(np.float32), there))
        seens.append(seen)
    gains, steps = matched_gains(layers, [seen.card is not None for seen in seens])
    cautions += [f"{seens[k].name}: {text}" for k, text in steps]
    layers = [(light * gain.astype(np.float32), there) for (light, there), gain in zip(layers, gains, strict=True)]
    picture, covered = blended(layers)
    if not any(seen.card is not None for seen in seens):
        cautions.append(
            "no photograph has a grey card: colours and brightness of the wall are those of its light and exposure"
        )
    open_ = covered == 0
    if open_.any() and not open_.all():
        picture = filled(picture, ~open_)
        cautions.append(uncovered_words(open_, right, y))
    return FlatWall(picture, covered, tuple(rows), tuple(cautions))


def sampled_wall(picture: Picture, seen: PhotoSeen, x: Array, y: Array) -> tuple[Picture, NDArray[np.bool_]]:
    """A photograph's light (H, W, 3) at the wall's texels, (h, w, 3), and where (h, w) it shows the wall.

    ``x`` (w,) and ``y`` (h,) m in the scene's axes. Every texel is the mean over its own area: as many samples as it
    is pixels wide and high in the photograph, straight between pixels.
    """
    out = np.zeros((len(y), len(x), 3), dtype=np.float32)
    there = np.zeros((len(y), len(x)), dtype=np.bool_)
    lens = seen.plane.lens
    told = np.zeros(4) if lens is None else np.array([lens.k1, lens.focal_px, *lens.centre])
    step_x = float(x[1] - x[0]) if len(x) > 1 else 1e-3
    step_y = float(y[1] - y[0]) if len(y) > 1 else -1e-3
    light = np.ascontiguousarray(picture, dtype=np.float32)

    def work(part: slice) -> None:
        _sample(light, seen.plane.px_from_wall, told, x, y[part], step_x, step_y, out[part], there[part], _MOST_SAMPLES)
        at = np.stack(np.meshgrid(x, y[part]), axis=-1)
        there[part] &= ~no_wall_in(seen, seen.plane.px(at), at)

    in_parts(work, len(y), _ROWS)
    out[~there] = 0.0
    return out, there


@compiled
def _place(h, lens, x, y):  # type: ignore[no-untyped-def]
    """Where a place of the wall is seen, px; NaN behind the lens."""
    w = h[2, 0] * x + h[2, 1] * y + h[2, 2]
    if w <= 0.0:
        return np.nan, np.nan
    u = (h[0, 0] * x + h[0, 1] * y + h[0, 2]) / w
    v = (h[1, 0] * x + h[1, 1] * y + h[1, 2]) / w
    if lens[0] != 0.0:
        a, b = (u - lens[2]) / lens[1], (v - lens[3]) / lens[1]
        k = 1.0 + lens[0] * (a * a + b * b)
        u, v = lens[2] + lens[1] * a * k, lens[3] + lens[1] * b * k
    return u, v


@compiled
def _sample(light, h, lens, xs, ys, step_x, step_y, out, there, most):  # type: ignore[no-untyped-def]
    high, wide = light.shape[0], light.shape[1]
    value, total = np.empty(3), np.empty(3)
    for j in range(len(ys)):
        for i in range(len(xs)):
            x, y = xs[i], ys[j]
            a0, b0 = _place(h, lens, x - 0.5 * step_x, y)
            a1, b1 = _place(h, lens, x + 0.5 * step_x, y)
            c0, d0 = _place(h, lens, x, y - 0.5 * step_y)
            c1, d1 = _place(h, lens, x, y + 0.5 * step_y)
            along, across = np.hypot(a1 - a0, b1 - b0), np.hypot(c1 - c0, d1 - d0)
            if not (along < 1e6 and across < 1e6):
                continue
            nx = min(max(int(np.ceil(along)), 1), most)
            ny = min(max(int(np.ceil(across)), 1), most)
            whole = True
            total[:] = 0.0
            for q in range(ny):
                for p in range(nx):
                    u, v = _place(h, lens, x + ((p + 0.5) / nx - 0.5) * step_x, y + ((q + 0.5) / ny - 0.5) * step_y)
                    # pixel centres lie at .5; beyond the outermost ones there is nothing to lie between
                    if not (u >= 0.5 and v >= 0.5 and u <= wide - 0.5 and v <= high - 0.5):
                        whole = False
                        break
                    read_between(light, u - 0.5, v - 0.5, value)
                    total += value
                if not whole:
                    break
            if whole:
                there[j, i] = True
                out[j, i] = total / (nx * ny)


def photo_words(seen: PhotoSeen, there: NDArray[np.bool_], x: Array, y: Array) -> str:
    """What a photograph was understood to be, for people: its points, scale, doubt and what it covers of the wall."""
    words = list(seen.words)
    if there.any():
        rows, columns = np.flatnonzero(there.any(axis=1)), np.flatnonzero(there.any(axis=0))
        pick = np.argwhere(there)[:: max(1, int(there.sum()) // _LOOKS**2)]
        at = np.stack([x[pick[:, 1]], y[pick[:, 0]]], axis=1)
        finest, coarsest = np.quantile(mm_a_pixel(seen, at), [0.0, 1.0])
        words.append(f"{finest:.2f} to {coarsest:.2f} mm a pixel")
        words.append(f"true to {mm_text(2.0 * float(seen.plane.sure(at).max()), 2)} at its worst, as far as they tell")
        words.append(
            f"covers {100.0 * float(there.mean()):.0f} % of the wall, {x[columns[0]] * 1e3:.0f} to "
            f"{x[columns[-1]] * 1e3:.0f} mm across, {y[rows[-1]] * 1e3:.0f} to {y[rows[0]] * 1e3:.0f} mm up"
        )
    return "; ".join(words)


def mm_a_pixel(seen: PhotoSeen, at: Array) -> Array:
    """How many mm of the wall a pixel takes in, (N,), at places (N, 2) m: along the way that is seen most shortened."""
    step = 1e-4
    along = (seen.plane.px(at + (step, 0.0)) - seen.plane.px(at - (step, 0.0))) / (2.0 * step)
    up = (seen.plane.px(at + (0.0, step)) - seen.plane.px(at - (0.0, step))) / (2.0 * step)
    least = np.linalg.svd(np.stack([along, up], axis=-1), compute_uv=False)[:, 1]
    return np.asarray(1e3 / least)


def uncovered_words(open_: NDArray[np.bool_], x: Array, y: Array) -> str:
    """Which part of the wall no photograph shows, and how it is filled."""
    share = 100.0 * float(open_.mean())
    columns, rows = np.asarray(open_.all(axis=0)), np.asarray(open_.all(axis=1))
    rims = {"left": _whole(columns), "right": _whole(columns[::-1]), "top": _whole(rows), "bottom": _whole(rows[::-1])}
    texel = {"left": x, "right": x, "top": y, "bottom": y}
    strips = [
        f"{mm_text(count * abs(float(texel[side][1] - texel[side][0])), 0)} at the {side}"
        for side, count in rims.items()
        if count
    ]
    where = f" ({', '.join(strips)} altogether)" if strips else ""
    return (
        f"the photographs leave {share:.{1 if share < 10.0 else 0}f} % of the wall open{where}, sheets and cards in "
        "them included: filled by mirroring what lies beside it; photograph that part as well, or make the wall smaller"
    )


def _whole(flags: NDArray[np.bool_]) -> int:
    """How many flags are set from the first on without a break."""
    return int(np.argmin(flags)) if not flags.all() else len(flags)
