"""The log space against the standard's own makers: colour-science's matrix, OpenColorIO's ACEScct."""

from __future__ import annotations

import colour as colour_science
import numpy as np
import PyOpenColorIO

from previz.plate.space import AP1_FROM_RGB, lit, worked
from tests.plate.ocio import GENERAL

LIGHT = np.random.default_rng(5).uniform(size=(400, 3)) ** 2


def test_ap1_from_rec709() -> None:
    spaces = colour_science.RGB_COLOURSPACES
    theirs = colour_science.matrix_RGB_to_RGB(spaces["ITU-R BT.709"], spaces["ACEScg"], "Bradford")
    np.testing.assert_allclose(AP1_FROM_RGB, theirs, atol=1e-9)


def test_log_is_acescct() -> None:
    """What OpenColorIO's general config calls ACEScct, from what it calls linear Rec.709."""
    config = PyOpenColorIO.Config.CreateFromBuiltinConfig(GENERAL)
    theirs = LIGHT.astype(np.float32)
    config.getProcessor("Linear Rec.709 (sRGB)", "ACEScct").getDefaultCPUProcessor().applyRGB(theirs)
    np.testing.assert_allclose(worked(LIGHT, "log"), theirs, atol=2e-6)
    np.testing.assert_allclose(lit(worked(LIGHT, "log"), "log"), LIGHT, atol=1e-12)
