"""Planes of numbers looked at between their pixels, and the way back: the judge's inner loops."""

from __future__ import annotations

from previz.workshop.compiled import compiled


@compiled
def _corner(plane, x, y):  # type: ignore[no-untyped-def]
    """Upper left of the four pixels around a place, px, held at the edges, and how far right and down of it that is."""
    height, width = plane.shape
    x = min(max(x - 0.5, 0.0), width - 1.001)
    y = min(max(y - 0.5, 0.0), height - 1.001)
    x0, y0 = int(x), int(y)
    return x0, y0, x - x0, y - y0


@compiled
def look(plane, px, out):  # type: ignore[no-untyped-def]
    """Values (N,) of a plane (H, W) at places (N, 2) px, bilinear, held at the edges."""
    for i in range(len(px)):
        x0, y0, a, b = _corner(plane, px[i, 0], px[i, 1])
        upper = (1.0 - a) * plane[y0, x0] + a * plane[y0, x0 + 1]
        lower = (1.0 - a) * plane[y0 + 1, x0] + a * plane[y0 + 1, x0 + 1]
        out[i] = (1.0 - b) * upper + b * lower


@compiled
def look_around(plane, px, out, growth):  # type: ignore[no-untyped-def]
    """The same, and how fast (N, 2) the values grow to the right and down, a pixel: between a pixel to either side."""
    for i in range(len(px)):
        for k in range(5):
            x = px[i, 0] + (1.0 if k == 1 else -1.0 if k == 2 else 0.0)
            y = px[i, 1] + (1.0 if k == 3 else -1.0 if k == 4 else 0.0)
            x0, y0, a, b = _corner(plane, x, y)
            upper = (1.0 - a) * plane[y0, x0] + a * plane[y0, x0 + 1]
            lower = (1.0 - a) * plane[y0 + 1, x0] + a * plane[y0 + 1, x0 + 1]
            value = (1.0 - b) * upper + b * lower
            if k == 0:
                out[i] = value
            elif k == 1:
                growth[i, 0] = 0.5 * value
            elif k == 2:
                growth[i, 0] -= 0.5 * value
            elif k == 3:
                growth[i, 1] = 0.5 * value
            else:
                growth[i, 1] -= 0.5 * value


@compiled
def spread(slope, px, plane):  # type: ignore[no-untyped-def]
    """Slopes (N,) at places (N, 2) px added to the slope of a plane (H, W): the way back of ``look``."""
    for i in range(len(px)):
        x0, y0, a, b = _corner(plane, px[i, 0], px[i, 1])
        value = slope[i]
        plane[y0, x0] += (1.0 - b) * (1.0 - a) * value
        plane[y0, x0 + 1] += (1.0 - b) * a * value
        plane[y0 + 1, x0] += b * (1.0 - a) * value
        plane[y0 + 1, x0 + 1] += b * a * value
