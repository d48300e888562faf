"""Register marks on a face lie where their strings touch the edge, to far less than a texel."""

from __future__ import annotations

import numpy as np
import pytest

from previz.command.paint.guides import marks_on
from previz.paint.strings import StringPoint
from previz.scene.model import Bridge
from previz.workshop.bridge import slab
from previz.workshop.texels import texel_points

MM = 1e-3


@pytest.mark.parametrize("texel_mm", [0.15, 0.4, 1.1])
def test_a_mark_lies_at_its_place_on_the_face_whatever_the_texel(texel_mm: float) -> None:
    """Of a plain slab the top's sheet begins at its left edge and at the buried end: a ruler's sums, right to 0.02 mm,
    a tenth of what a careful hand can do."""
    width, length, buried = 62.0, 850.0, 55.0
    bridge = Bridge.model_validate({"length": length * MM, "width": width * MM, "thickness": 0.012})
    build = slab(bridge, buried * MM, texel_mm * MM)
    texels = texel_points(build.surface, *build.size_px)
    (top,) = (chart for chart in build.charts if chart.name == "top")
    window = top.window()
    places = [(side * 0.5 * width, z) for side in (-1.0, 1.0) for z in (50.0, 150.03, 333.3, 849.9)]
    marked = [
        (f"M{k}", StringPoint("", np.zeros(3), np.array([x, 0.0, z]) * MM, None)) for k, (x, z) in enumerate(places)
    ]
    marks = marks_on(marked, texels.points[window], texels.valid[window], build.texel)
    assert [name for name, _, _ in marks] == [name for name, _ in marked]
    got = np.array([(right, down) for _, right, down in marks]) / MM
    np.testing.assert_allclose(got, [(x + 0.5 * width, z + buried) for x, z in places], atol=0.02)
