"""One truth about the bridge's shadow: what the rig card says of it is what ``score`` finds in the same frames."""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from previz.rig import fill
from tests.command.scenes import box_mesh, laid
from tests.conftest import Command

# a frame holds while at most this much of it is found, percent
HOLDS = 5.0

# nothing moves so fast that it blurs: one wall is compared with in all frames
SHARP = ('tilt = "-8 deg"', 'tilt = "-8 deg"\nshutter = "1/2000 s"')
STILL = (('travel = "60 mm"', 'travel = "6 mm"'), SHARP)
MODELLED = ('length = "700 mm"\nwidth = "50 mm"\n', 'mesh = "box.glb"\n')
SLIDING = (
    ('travel = "60 mm"', 'travel = "200 mm"'),
    ("hold = [1001, 1002]", "hold = [1001, 1001]"),
    ("texture_px = 256", "texture_px = 1024"),
    SHARP,
)


def key(place: tuple[int, int, int], size: int, lux: int, ambient: int) -> str:
    x, y, z = (f'"{mm} mm"' for mm in place)
    return (
        f'\n[light]\nambient = {ambient}\n\n[[lamp]]\nname = "key"\nposition = [{x}, {y}, {z}]\nsize = "{size} mm"\n'
        f"lux = {lux}\nkelvin = 5600\n"
    )


# the set, its lamp, and what shows of the shadow in the hold and outside it
SCENES = {
    "a hard lamp from the side": (STILL, key((-800, 600, 1000), 20, 900, 300), "shows", "shows"),
    "the same, the bridge modelled": ((*STILL, MODELLED), key((-800, 600, 1000), 20, 900, 300), "shows", "shows"),
    "a large face from before": (STILL, key((0, 900, 2200), 900, 150, 300), "nothing", "nothing"),
    # the lens stands in the lamp's way of looking: what it lights not, the bridge hides until the camera slides
    "a lamp at the lens": (SLIDING, key((0, 160, 1250), 4, 450, 900), "nothing", "shows"),
}


@dataclass(frozen=True)
class Both:
    """What the two commands say of one scene, and the scene's hold."""

    card: dict[str, Any]
    rows: dict[int, dict[str, str]]
    scene: Path
    last_held: int

    def worst(self, held: bool) -> float:
        """The largest trace of the card's frames in the hold, or outside it, by the table of ``score``."""
        frames = [each["frame"] for each in self.card["shadow"]["frames"]]
        return max(float(self.rows[f]["trace_pct"]) for f in frames if (f <= self.last_held) is held)

    def tells(self, held: bool) -> str:
        """The tells of those frames in the table of ``score``."""
        frames = [each["frame"] for each in self.card["shadow"]["frames"]]
        return " ".join(self.rows[f]["tells"] for f in frames if (f <= self.last_held) is held)


def both(previz: Command, folder: Path, name: str) -> Both:
    changes, lamp, _, _ = SCENES[name]
    scene = laid(folder, *changes)
    box_mesh(folder / "box.glb")
    scene.write_text(scene.read_text(encoding="utf-8") + lamp, encoding="utf-8", newline="\n")
    done = previz("rig", scene, "--out", folder / "out", "--json")
    assert done.code == 0, done.err
    scored = previz("score", scene, "--out", folder / "out", "--workers", 1, "--json")
    assert scored.code == 0, scored.err
    with (folder / "out" / "hold.csv").open(encoding="utf-8", newline="") as file:
        rows = {int(row["frame"]): row for row in csv.DictReader(file)}
    return Both(json.loads(done.out), rows, scene, json.loads(scored.out)["hold_wanted"][1])


# before a release: 40 s each
@pytest.mark.sweep
@pytest.mark.parametrize("name", list(SCENES))
def test_card_and_score_say_the_same(
    previz: Command, tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # where a fill stands is nothing that is asked here
    monkeypatch.setattr(fill, "_ROUGH", (180, 64, 2))
    monkeypatch.setattr(fill, "_FINAL", (180, 64, 2))
    monkeypatch.setattr(fill, "_SOLVED_EACH", 1)
    monkeypatch.setattr(fill, "_ROUNDS", 1)
    found = both(previz, tmp_path, name)
    shadow, (in_hold, outside) = found.card["shadow"], SCENES[name][2:]
    for each in shadow["frames"]:
        assert each["trace_pct"] == pytest.approx(float(found.rows[each["frame"]]["trace_pct"]), abs=6e-4)
    assert (shadow["hold"], shadow["outside"]) == (in_hold, outside)
    for held, says in ((True, in_hold), (False, outside)):
        assert (found.worst(held) > HOLDS) is (says == "shows")
        assert ("shadow" in found.tells(held)) is (says == "shows")
    advice = " ".join(found.card["advice"])
    assert ("shows in the hold" in advice) is (in_hold == "shows")
    assert ("is not found in the hold" in advice or "is not found, in the hold" in advice) is (in_hold == "nothing")
    assert ("A fill" in advice or "No fill" in advice) is (in_hold == "shows")
    if in_hold == "shows":
        assert "thrown by key" in advice
        worst = max((f for f in shadow["frames"] if f["frame"] <= found.last_held), key=lambda f: f["trace_pct"])
        explained = previz("score", found.scene, "--out", tmp_path / "out", "--explain", worst["frame"], "--json")
        assert worst["found"] in [each["sentence"] for each in json.loads(explained.out)["found"]]
        assert worst["found"] in advice
