"""What marker sheets hang before in a real set: a lens view of the quarry, drawn by the project's own engine.

Only the ground behind is ours; the sheets, their markers and the camera are those of tests/lineup/photographs.py.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from previz.look.choose import choose_engine
from previz.scene.reader import read_scene
from previz.stage.looking import Looker
from previz.stage.prepare import prepare

ROOT = Path(__file__).resolve().parents[2]
SIZE = (2992, 1683)


def quarry_behind() -> np.ndarray:
    """Linear light (1683, 2992) of the quarry with its bridge from the station point, as delivered."""
    ready = prepare(read_scene(ROOT / "scenes" / "quarry.toml"))
    looker = Looker(choose_engine().engine)
    looker.load(ready)
    _, (looks, _) = looker.delivered(ready.move.station_frame, *SIZE)
    seen = np.asarray(looks.seen, dtype=np.float32)
    looker.engine.close()
    # luminance of linear Rec.709 (ITU-R BT.709-6, item 3.2)
    return np.asarray(np.clip(seen @ np.array([0.2126, 0.7152, 0.0722], dtype=np.float32), 0.0, 1.0))
