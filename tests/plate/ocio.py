"""Decision lists applied by OpenColorIO alone, in colour spaces of its own general config."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import PyOpenColorIO

from previz.plate.space import Space
from tests.plate.stills import Picture

# a config that OpenColorIO carries within itself
GENERAL = "cg-config-v1.0.0_aces-v1.3_ocio-v2.1"
SPACES: dict[Space, str] = {"linear": "Linear Rec.709 (sRGB)", "log": "ACEScct"}


def graded_by_opencolorio(linear: Picture, file: Path, correction: str, space: str) -> Picture:
    """Linear Rec.709 light (..., 3) after a file's correction in a space of the general config."""
    config = PyOpenColorIO.Config.CreateFromBuiltinConfig(GENERAL)
    there = PyOpenColorIO.ColorSpaceTransform(src=SPACES["linear"], dst=space)
    back = PyOpenColorIO.ColorSpaceTransform(src=space, dst=SPACES["linear"])
    change = PyOpenColorIO.CDLTransform.CreateFromFile(str(file), correction)
    change.setStyle(PyOpenColorIO.CDL_ASC)
    group = PyOpenColorIO.GroupTransform([there, change, back])
    out = np.ascontiguousarray(linear, dtype=np.float32).copy()
    processor = config.getProcessor(group)
    processor.getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS).applyRGB(out)
    return out.astype(np.float64)
