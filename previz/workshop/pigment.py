"""How dark and how bright paint can be."""

from __future__ import annotations

from typing import Final

# reflectance of the blackest matt black and of fresh matt white (common practice, no source)
DARKEST_PAINT: Final = 0.03
BRIGHTEST_PAINT: Final = 0.90
