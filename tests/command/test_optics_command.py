"""The lens calculator: published values come out, and what cannot be is refused in one line."""

import json

import pytest

from tests.conftest import Command

FOOT = 304.8


def told(previz: Command, *more: str, lens: str = "50 mm", stop: str = "f/8", focus: str = "3 m") -> dict[str, float]:
    """The answers as values."""
    done = previz("optics", "--lens", lens, "--stop", stop, "--focus", focus, *more, "--json")
    assert done.code == 0, done.err
    assert done.err == ""
    values = json.loads(done.out)
    assert isinstance(values, dict)
    return values


def test_the_encyclopedia_example(previz: Command) -> None:
    # 50 mm, f/8, c 0.03 mm: H 10 467 mm; at 3 m sharp from 2337.9 to 4185.3 mm (check values, Optics)
    values = told(previz, "--blur-limit", "0.03 mm")
    assert values["hyperfocal_mm"] == pytest.approx(10_467, abs=0.5)
    assert values["sharp_near_mm"] == pytest.approx(2337.9, abs=0.06)
    assert values["sharp_far_mm"] == pytest.approx(4185.3, abs=0.06)


def test_angle_of_view(previz: Command) -> None:
    # Super 35, 35 mm: 39.15 degrees (check values, Optics)
    values = told(previz, "--sensor", "24.89 x 18.66 mm", lens="35 mm")
    assert values["angle_horizontal_deg"] == pytest.approx(39.15, abs=0.005)


def test_working_stop_diffraction_and_light(previz: Command) -> None:
    # m 0.5 costs x 2.25; f/16 has an Airy disc of 21.47 um far away (check values, Optics)
    values = told(previz, stop="f/16", focus="150 mm")
    assert values["exposure_factor"] == pytest.approx(2.25)
    assert values["working_stop"] == pytest.approx(24.0)
    assert values["airy_mm"] == pytest.approx(1.5 * 21.47e-3, abs=1e-5)
    # T4, ISO 800, 1/48: 22.3 foot-candles (check values, Optics)
    far = told(previz, "--iso", "800", "--shutter", "1/48 s", "--rate", "24", stop="f/4", focus="100 m")
    assert far["foot_candles_needed"] == pytest.approx(22.3, abs=0.05)
    # f/16 at 1/125: EV 14.966
    assert told(previz, "--shutter", "1/125 s", stop="f/16")["exposure_value"] == pytest.approx(14.966, abs=5e-4)


def test_light_that_is_there(previz: Command) -> None:
    needed = told(previz)["lux_needed"]
    values = told(previz, "--light", f"{needed / 4.0:.6f}")
    assert values["stops_from_mid_grey"] == pytest.approx(-2.0, abs=1e-4)
    assert values["iso_for_light"] == pytest.approx(3200.0, rel=1e-4)


def test_scale_time(previz: Command) -> None:
    # 1:16 at 24 -> 96 (check values, Optics)
    assert told(previz, "--scale", "1:16", "--rate", "24")["rate_for_scale"] == pytest.approx(96.0)


def test_near_and_far_are_judged_and_kept(previz: Command) -> None:
    values = told(previz, "--near", "0.4 m", "--far", "1.25 m", lens="35 mm", stop="f/22", focus="0.7 m")
    # thin lens by similar triangles: f/N |z - s| / z f/(s - f)
    assert values["blur_near_mm"] == pytest.approx(35.0 / 22.0 * 300.0 / 400.0 * 35.0 / 665.0, abs=1e-6)
    assert values["focus_between_mm"] == pytest.approx(2 * 400 * 1250 / 1650, abs=1e-3)
    again = told(previz, lens="35 mm", stop=f"f/{values['stop_for_both']:.6f}",
                 focus=f"{values['focus_between_mm']:.6f} mm")  # fmt: skip
    assert (again["sharp_near_mm"], again["sharp_far_mm"]) == pytest.approx((400.0, 1250.0), abs=0.1)


def test_flicker(previz: Command) -> None:
    # 1/50 s (172.8 degrees at 24) is safe at 50 Hz (check values, Optics) and not at 60 Hz, 120 / 24 = 5 being locked
    values = told(previz, "--shutter", "1/50 s", "--rate", "25")
    assert values["flicker_50_hz"]["safe"] is True  # type: ignore[index]
    assert values["flicker_60_hz"]["safe"] is False  # type: ignore[index]


def test_words_for_people(previz: Command) -> None:
    done = previz("optics", "--lens", "35 mm", "--stop", "f/22", "--focus", "2 ft 3 1/2 in")
    assert done.code == 0
    assert done.out == ""
    for word in ("angle of view", "hyperfocal", "698.5 mm", "2'-3 1/2\"", "working stop", "Airy", "lamps on 50 Hz"):
        assert word in done.err


@pytest.mark.parametrize(
    ("option", "text", "says"),
    [
        ("--stop", "f/0", "expected a stop from f/0.5"),
        ("--stop", "22", 'expected a stop like "f/22"'),
        ("--focus", "30 mm", "beyond the focal length, 35.0 mm"),
        ("--focus", "35 mm", "beyond the focal length"),
        ("--lens", "35", 'write "35 mm"'),
        ("--iso", "0", "from 1 to"),
        ("--iso", "nan", "from 1 to"),
        ("--rate", "0", "frames per second"),
        ("--shutter", "1 s", "at most a frame's time, 1/25 s"),
        ("--light", "-5", "illuminance in lux"),
        ("--blur-limit", "2 mm", "from 0.001 mm to 1 mm"),
        ("--sensor", "36", "width x height"),
        ("--pupil-ratio", "0", "from 0.1 to 10"),
        ("--scale", "20", 'like "1:20"'),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(previz: Command, option: str, text: str, says: str) -> None:
    given = {"--lens": "35 mm", "--stop": "f/22", "--focus": "0.7 m"} | {option: text}
    done = previz("optics", *(word for pair in given.items() for word in pair))
    assert done.code == 2
    assert done.out == ""
    assert len(done.err.splitlines()) == 1
    assert option in done.err
    assert says in done.err


def test_near_beyond_far_is_refused(previz: Command) -> None:
    done = previz("optics", "--lens", "35 mm", "--stop", "f/8", "--focus", "1 m", "--near", "2 m", "--far", "1 m")
    assert done.code == 2
    assert "less than --far" in done.err
