"""Bounds of a search: what cannot be searched within is refused where it stands."""

from pathlib import Path

import pytest

from previz.errors import SceneError
from previz.scene.model import Search
from previz.scene.reader import read_scene
from previz.scene.search.bounds import BOUNDS
from tests.scene.example import EXAMPLE, written


def faults(folder: Path, text: str, scene: str = EXAMPLE) -> list[str]:
    try:
        read_scene(written(folder, f"{scene}\n[search]\n{text}\n"))
    except SceneError as error:
        return [str(fault).partition("walk.toml:")[2] for fault in error.faults]
    return []


def test_every_bound_that_the_model_has_is_looked_after() -> None:
    pairs = {
        name for name, info in Search.model_fields.items() if info.description and info.description.startswith("Bounds")
    }
    assert pairs == set(BOUNDS)


@pytest.mark.parametrize(
    "text",
    [
        'height = ["120 mm", "240 mm"]',
        'pan = ["-3 deg", "3 deg"]\nleast_reveal = "75%"',
        'lenses = ["28 mm", "35 mm"]',
        "station = [1001, 1100]",
        'rail_angle = ["-5 deg", "20 deg"]',
        'floor = "-1.2 m"\nbody = ["1 cm", "1 cm", "1 cm"]\nbudget = 10',
        "",
    ],
)
def test_sound_bounds(tmp_path: Path, text: str) -> None:
    assert faults(tmp_path, text) == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('height = ["240 mm", "120 mm"]', "search.height: expected a lowest value below the highest"),
        ('height = ["240 mm", "240 mm"]', "what does not change needs no bounds"),
        ("height = [120, 240]", "search.height[1]: expected a length with its unit"),
        ('height = "120 mm"', 'search.height: expected two lengths, lowest and highest, like ["120 mm", "240 mm"]'),
        ('hight = ["120 mm", "240 mm"]', 'did you mean "height"?'),
        ('lens = ["28 mm", "50 mm"]\nlenses = ["28 mm", "35 mm"]', "search.lenses: expected one of lens and lenses"),
        ("station = [990, 1020]", "search.station: expected frames of the move, 1001 to 1100"),
        ("budget = 5", "search.budget: expected a number of at least 10"),
        ('least_reveal = "140%"', "search.least_reveal: expected a percentage from 0% to 100%"),
        ("least_reveal = 0.6", 'search.least_reveal: expected a percentage like "10%", found 0.6'),
    ],
)
def test_unsound_bounds(tmp_path: Path, text: str, said: str) -> None:
    found = faults(tmp_path, text)
    assert len(found) == 2 if "[120, 240]" in text else len(found) == 1, found
    assert said in found[0]


def test_a_curved_rail_has_no_angle(tmp_path: Path) -> None:
    curved = EXAMPLE.replace("along  = [1, 0, 0]", 'along = "arc"\nradius = "1.5 m"')
    found = faults(tmp_path, 'rail_angle = ["-5 deg", "20 deg"]', curved)
    assert len(found) == 1
    assert "search.rail_angle: expected a straight rail to turn" in found[0]


def test_knock_errors_are_not_negative(tmp_path: Path) -> None:
    with pytest.raises(SceneError, match=r"knock\.turn: expected a number of at least 0"):
        read_scene(written(tmp_path, EXAMPLE + '\n[knock]\nturn = "-1 deg"\n'))
    scene = read_scene(written(tmp_path, EXAMPLE + '\n[knock]\nshift = "2 mm"\nfocal = "1%"\n'))
    assert (scene.knock.shift, scene.knock.focal) == (0.002, 0.01)


LAMP = EXAMPLE + """
[[lamp]]
name = "side"
"""


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[[search.lamp]]\nname = "kye"\nx = ["0 mm", "1 m"]', ("lamp of the scene: key, side", 'did you mean "key"?')),
        ('[[search.lamp]]\nname = "key"', ("bounds for at least one of x, y, z, size and lux", "none")),
        ('[[search.lamp]]\nname = "key"\nlux = [400, 100]', ("a lowest value below the highest", "swap the two")),
        ('[[search.card]]\nname = "fill"\nx = ["0 mm", "1 m"]', ("a card of the scene, which has none", "[[card]]")),
        ("stand = [0, 400]", ("frames, so that some are left to slide", "[0, 400]")),
        ("slide = [10, 400]", ("frames that standing leaves", "[10, 400]")),
        (
            'distance_with_lens = ["1 m", "2 m"]\nlens = ["30 mm", "40 mm"]',
            ("one of distance_with_lens and lens", "both"),
        ),
    ],
)
def test_what_a_search_cannot_move_is_said_in_a_line(tmp_path: Path, text: str, words: tuple[str, ...]) -> None:
    (fault,) = faults(tmp_path, text, LAMP)
    assert "\n" not in fault
    for word in words:
        assert word in fault, fault
