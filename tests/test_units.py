"""Quantities in text: exact values, and nothing but ``UnitError`` whatever comes."""

import math
import time as clock
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from previz import units
from previz.errors import UnitError

READERS = (units.length, units.angle, units.stop, units.time, units.share, units.scale)

# inch 25.4 mm and foot 304.8 mm exactly, by the international yard and pound agreement of 1959 (from memory)
LENGTHS_MM = [
    ("62 mm", 62.0),
    ("62mm", 62.0),
    (" 6.2 cm ", 62.0),
    ("1.8 m", 1800.0),
    ("-40 mm", -40.0),
    ("+40 mm", 40.0),
    ("−40 mm", -40.0),
    ("1e-3 m", 1.0),
    (".5 in", 12.7),
    ("1. in", 25.4),
    ("1 in", 25.4),
    ('1"', 25.4),
    ("2 1/2 in", 63.5),
    ("1/16 in", 1.5875),
    ("2 ft 3 in", 685.8),
    ("2 ft 3 1/2 in", 698.5),
    ("-2 ft 3 in", -685.8),
    ("4' 3 1/2\"", 1308.1),
    ("4'3\"", 1295.4),
    ("1'-6 3/16\"", 462.0 - 0.0375),
    ("4′ 3″", 1295.4),
    ("2 ft", 609.6),
]


@pytest.mark.parametrize(("text", "wanted_mm"), LENGTHS_MM)
def test_lengths(text: str, wanted_mm: float) -> None:
    assert units.length(text) == pytest.approx(wanted_mm * 1e-3, rel=1e-15)


@pytest.mark.parametrize(
    "text",
    ["", " ", "mm", "62", "62 MM", "62 km", "1,8 m", "--5 mm", "+-5 mm", "5 mm 3 mm", "3 in 2 ft", "2 mm 3 in",
     "1/0 in", "1 2 mm", "nan mm", "inf m", "1e999 m", "5 mm mm", "1/2/3 in", "٣ mm", "2 ft -3", "0x10 mm", "1_000 mm"],
)  # fmt: skip
def test_what_is_no_length(text: str) -> None:
    with pytest.raises(UnitError):
        units.length(text)


@pytest.mark.parametrize(
    ("reader", "text", "wanted"),
    [
        (units.angle, "-8 deg", math.radians(-8.0)),
        (units.angle, "7 1/2°", math.radians(7.5)),
        (units.angle, "0.1 rad", 0.1),
        (units.stop, "f/22", 22.0),
        (units.stop, "F/5.6", 5.6),
        (units.stop, "T4", 4.0),
        (units.time, "1/50 s", 0.02),
        (units.time, "0.02 s", 0.02),
        (units.time, "20 ms", 0.02),
        (units.share, "10%", 0.1),
        (units.share, "12.5 %", 0.125),
        (units.scale, "1:20", 20.0),
        (units.scale, "1 : 87.1", 87.1),
    ],
)
def test_other_quantities(reader: Callable[[str], float], text: str, wanted: float) -> None:
    assert reader(text) == pytest.approx(wanted, rel=1e-15)


@pytest.mark.parametrize(
    ("reader", "text"),
    [
        (units.angle, "8"),
        (units.angle, "8 grad"),
        (units.stop, "22"),
        (units.stop, "f/-2"),
        (units.time, "1/0 s"),
        (units.time, "-1 s"),
        (units.share, "10"),
        (units.share, "-10%"),
        (units.scale, "1:0"),
        (units.scale, "20"),
        (units.scale, "2:1"),
    ],
)
def test_what_is_no_other_quantity(reader: Callable[[str], float], text: str) -> None:
    with pytest.raises(UnitError):
        reader(text)


def test_a_refusal_says_what_came_and_what_to_write() -> None:
    with pytest.raises(UnitError, match=r'"1,8 m" is not a length; write it like "62 mm".*decimal point'):
        units.length("1,8 m")


@given(st.floats(-100.0, 100.0))
def test_a_length_written_in_metres_comes_back(value: float) -> None:
    assert units.length(f"{value:.17f} m") == pytest.approx(value, abs=1e-15)


@given(st.floats(-100.0, 100.0))
def test_feet_and_inches_come_back_within_half_a_sixteenth(value: float) -> None:
    assert units.length(units.inches_text(value)) == pytest.approx(value, abs=25.4e-3 / 32 + 1e-12)


@given(st.floats(-100.0, 100.0))
def test_millimetres_for_people_come_back_within_half_a_tenth(value: float) -> None:
    assert units.length(units.mm_text(value)) == pytest.approx(value, abs=0.05e-3 + 1e-12)


# the rows of marks most likely to lead a reader astray
TRICKY = st.text(alphabet="0123456789.,/:eE+-'\"°% \tmcinftdegrasTF½٣\0", max_size=90)


@settings(max_examples=300)
@given(st.one_of(st.text(max_size=200), TRICKY))
def test_no_text_raises_anything_but_a_unit_error(text: str) -> None:
    for reader in READERS:
        value, said = 0.0, ""
        try:
            value = reader(text)
        except UnitError as error:
            said = str(error)
        assert math.isfinite(value)
        assert len(said) < 250


@pytest.mark.parametrize(
    "text", ["1e999999999 m", "9" * 100_000 + " m", "1/" + "0" * 50_000 + " m", " " * 100_000 + "m"]
)
def test_endless_numbers_are_refused_at_once(text: str) -> None:
    # processor seconds, a few hundredths of these where nothing is tried again and again: other work does not count
    start = clock.process_time()
    for reader in READERS:
        with pytest.raises(UnitError):
            reader(text)
    assert clock.process_time() - start < 0.5


@pytest.mark.parametrize(
    ("metres", "wanted"),
    [(0.462, "1'-6 3/16\""), (0.0254, '1"'), (0.3048, "1'-0\""), (0.0, '0"'), (-0.0127, '-1/2"'), (0.00001, '0"')],
)
def test_feet_and_inches_as_a_workshop_writes_them(metres: float, wanted: str) -> None:
    assert units.inches_text(metres) == wanted


def test_no_minus_before_nothing() -> None:
    assert units.mm_text(-0.00001) == "0.0 mm"
    assert units.deg_text(-0.0001) == "0.0 deg"
    assert units.deg_text(math.radians(-8.0)) == "-8.0 deg"
