"""``previz rig --lamps``: what it leaves of lamps that are placed, and of a scene that has none to place."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pypdfium2
import pytest

from previz.command.rig.lamppage import lamp_page, lamp_picture
from previz.command.rig.lamps import (
    DrawnLook,
    LampAnswer,
    lamp_lines,
    lamp_values,
    unseen_frames,
    way_lines,
    with_lamps,
)
from previz.command.rig.lampscene import lamps_text
from previz.deliver.rig.lampsheet import lamp_sheet
from previz.draw.paper import TitleBlock
from previz.draw.pdf import page_sizes, pdf_bytes
from previz.rig.fixtures import Fixture, Spot, bright
from previz.rig.lampjudge import LampLook
from previz.rig.placing import Judged, Setup
from previz.rig.wayout import WayOut, first_change
from previz.scene.model import Lamp
from previz.scene.reader import read_scene
from previz.scene.rig.lampplaces import Direction, LampStand
from tests.command.scenes import laid
from tests.conftest import Command

LAMPS = """
[[lamp]]
name = "key"
position = ["-800 mm", "600 mm", "1000 mm"]
lux = 900

# what may move
[search]
floor = "-900 mm"

[[search.lamp]]
name = "key"
lux = ["100", "200"]
""".replace('["100", "200"]', "[100, 200]")


def look(trace: float, lux: float, shade: int) -> DrawnLook:
    code = np.full((90, 160, 3), shade, dtype=np.uint8)
    return DrawnLook((1002,), trace, 2.0, lux, 1000.0, 0.0, 1002, code)


@pytest.fixture
def answer(tmp_path: Path) -> LampAnswer:
    """A panel at half of its light that reaches what is needed but for a tenth of a stop, in a scene of its own."""
    path = laid(tmp_path)
    path.write_text(path.read_text(encoding="utf-8") + LAMPS, encoding="utf-8")
    scene = read_scene(path)
    model = Lamp(name="panel", position=(0.0, 0.0, 1.0), size=(0.6, 0.4), watts=460.0, cone=math.radians(80.0))
    fixture = Fixture("panel", model, 2000.0, 460.0, False, True, 1)
    lamp = model.model_copy(update={"position": (-0.9, 0.3, 0.8), "aim": (0.0, 0.0, 0.2), "lux": 1.0})
    spot = Spot(fixture, Direction(-56.0, 16.0), 1.1, lamp, LampStand(-1.1, 0.9, 1.2, 0.5), 800.0)
    lamps = bright([spot], [400.0])
    judged = Judged(Setup((spot,), (1.0,)), lamps, LampLook(9.0, 2.0, 0.0, 310.0), 1.0, 1.2, 3.0)
    ways = (
        WayOut("larger face", "a frame of diffusion 900 x 600 mm before panel", 4.0, 2.0, -0.5, 460.0),
        WayOut("further round", "further round", reason="no room for it out of the picture and off the set"),
    )
    return LampAnswer(with_lamps(scene, lamps), judged, look(80.0, 620.0, 90), look(9.0, 310.0, 60), 332.3, ways)


def test_the_scene_that_is_left(answer: LampAnswer, tmp_path: Path) -> None:
    """It reads as the same scene with the lamps placed; what may be searched of lamps that are gone is gone."""
    out = tmp_path / "out"
    out.mkdir()
    source = tmp_path / "small.toml"
    (out / "lamps.toml").write_text(lamps_text(source, out, read_scene(source), answer), encoding="utf-8")
    found, own = read_scene(out / "lamps.toml"), read_scene(source)
    (lamp,) = found.lamps
    assert (lamp.name, lamp.lux, lamp.watts, lamp.face) == ("panel", 400.0, 460.0, (0.6, 0.4))
    assert lamp.position == pytest.approx((-0.9, 0.3, 0.8))
    assert lamp.cone == pytest.approx(math.radians(80.0), rel=1e-5)
    assert found.search is not None
    assert found.search.lamp == ()
    assert found.search.floor == pytest.approx(-0.9)
    assert (found.wall, found.bridge, found.camera, found.rail) == (own.wall, own.bridge, own.camera, own.rail)
    assert found.plate is not None
    assert found.path(found.plate.figure).resolve() == (tmp_path / "figure.png").resolve()


def test_the_numbers(answer: LampAnswer) -> None:
    """Stops by the definition, log2 of light over light; amperes by watts over volts."""
    values = lamp_values(answer)
    assert values["wall_stops"] == pytest.approx(math.log2(310.0 / 332.3))
    assert values["stops_against_before"] == pytest.approx(-1.0)
    assert values["amperes"] == pytest.approx(2.0)
    (lamp,) = values["lamps"]
    assert (lamp["share_of_full"], lamp["stops_to_lose"]) == (0.5, 1.0)
    assert not values["hidden"]
    words = " ".join(lamp_lines(answer))
    assert "traces 80.0 %" in words
    assert "-0.1 stops; -1.0 against the lamps as they stood" in words
    assert "2.0 A of 16 A" in words


def test_the_way_out_says_what_to_change_first(answer: LampAnswer) -> None:
    first, *steps = way_lines(answer)
    assert first == (
        "Change first: a frame of diffusion 900 x 600 mm before panel; that does it, 4.0 % instead of 9.0 %."
    )
    assert "traces 4.0 %, outline 2.0 %, 0.5 stops short, 2.0 A" in steps[0]
    assert "no room for it" in steps[1]
    assert "None of the steps" in first_change(list(answer.ways), 3.0)


def test_pictures_and_page(answer: LampAnswer) -> None:
    picture = lamp_picture(answer)
    assert picture.shape[1] == 1920
    page = lamp_page(answer, ["lamp: Close to foam."])
    # both are exposed for the wall behind the bridge: 310 lux of 1000 that would be white (sRGB, IEC 61966-2-1)
    linear = ((60.0 / 255.0 + 0.055) / 1.055) ** 2.4 * 1000.0 / 310.0
    assert page.after.mean() == pytest.approx(255.0 * (1.055 * linear ** (1.0 / 2.4) - 0.055), abs=0.6)
    room, _ = page_sizes("a4")
    data = pdf_bytes([lamp_sheet(page, room)], TitleBlock("small", "1:20", "2025-03-14", "lamps"), "lamps")
    text = pypdfium2.PdfDocument(data)[0].get_textpage().get_text_range()
    text = text.replace("\r\n", " ").replace("\u00a0", " ")
    for words in ("-900 / 300 / 800", "dim to 50 %", "Change first", "Close to foam.", "safety cable", "electrician"):
        assert words in text


def test_frames_that_were_not_looked_at(answer: LampAnswer) -> None:
    longer = answer.scene.model_copy(
        update={"rail": answer.scene.rail.model_copy(update={"hold": (1001, 1011), "frames": 20})}
    )
    found = unseen_frames(longer, (1001, 1006, 1011))
    assert set(found).isdisjoint({1001, 1006, 1011})
    assert all(1001 < frame < 1011 for frame in found)
    assert unseen_frames(answer.scene, (1001, 1002)) == (1001, 1002)


def test_no_lamp_to_place(previz: Command, tmp_path: Path) -> None:
    done = previz("rig", laid(tmp_path), "--lamps", "--out", tmp_path / "out")
    assert done.code == 2
    assert "no lamp to place" in done.err
    assert "at_hand" in done.err
