"""A pen that draws on a page of a PDF."""

from __future__ import annotations

import io

import numpy as np
from reportlab.pdfgen.canvas import Canvas

from previz.draw.pdf import PageSize, Pen
from tests.deliver.made_up import TITLE


def drawn(*rings: np.ndarray) -> bytes:
    """What a page holds on which these outlines were filled."""
    out = io.BytesIO()
    canvas = Canvas(out, pageCompression=0, invariant=1)
    Pen(canvas, PageSize(210.0, 297.0), TITLE).outlines(list(rings), fill=(0, 0, 0))
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def test_what_nothing_is_left_of_draws_nothing() -> None:
    """A zone in which no arm may hold the bridge anywhere has an empty outline."""
    square, empty = np.array([[10.0, 10.0], [20.0, 10.0], [20.0, 20.0]]), np.zeros((0, 2))
    assert drawn(empty) == drawn()
    assert drawn(empty, square) == drawn(square) != drawn()
