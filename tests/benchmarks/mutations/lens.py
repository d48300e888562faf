"""Lens, camera, rail, geometry, gloss, colour and units."""

from tests.benchmarks.mutations import Mutation

MATCH = "tests/plate/test_match_numbers.py::test_"
MOVE = "tests/scene/test_move.py::test_"
GLOSS = "tests/test_gloss.py::test_"
OPTICS = "tests/test_optics.py::test_"
CAMERA = "tests/test_camera.py::test_"
COLOUR = "tests/test_colour.py::test_"
UNITS = "tests/test_units.py::test_"

MUTATIONS = (
    Mutation(
        "previz/rail.py",
        "return -s / self.radius",
        "return s / self.radius",
        "pan of a camera that turns with a curved rail",
        ("tests/test_rail.py::test_a_camera_that_turns_with_the_arc_keeps_the_centre_in_the_middle",),
    ),
    Mutation(
        "previz/rail.py",
        "self.radius * (1.0 - np.cos(a))",
        "self.radius * (np.cos(a) - 1.0)",
        "which way a curved rail bends",
        (MOVE + "on_an_arc_the_lens_keeps_its_distance_from_the_middle_and_looks_at_it",),
    ),
    Mutation(
        "previz/scene/timetable.py",
        "(rail.hold[0] + rail.hold[1]) // 2",
        "rail.hold[0]",
        "the station frame where none is given",
        (MOVE + "the_lens_is_at_its_place_in_the_station_frame",),
    ),
    Mutation(
        "previz/scene/move.py",
        "height_px or round(full_height * width_px / full_width)",
        "height_px or int(full_height * width_px / full_width)",
        "lines of a smaller picture",
        (MOVE + "lines_of_a_smaller_picture_are_rounded",),
    ),
    Mutation(
        "previz/scene/move.py",
        "new_tilt = min(turns",
        "new_tilt = max(turns",
        "tilt of a camera that keeps its aim",
        (MOVE + "aim_is_continuous_and_does_nothing_where_nothing_has_moved",),
    ),
    Mutation(
        "previz/scene/move.py",
        "np.cos(body.pan), 0.0, np.sin(body.pan)",
        "1.0, 0.0, 0.0",
        "direction of an arc under a panned camera",
        (MOVE + "on_an_arc_the_lens_keeps_its_distance_from_the_middle_and_looks_at_it",),
    ),
    Mutation(
        "previz/optics.py",
        "1.0 / 0.3048**2",
        "1.0 / 0.3**2",
        "lux of a foot-candle",
        (OPTICS + "light_for_a_stop",),
    ),
    Mutation(
        "previz/optics.py",
        "GREEN = 550e-9",
        "GREEN = 500e-9",
        "the Airy disc",
        (OPTICS + "airy_disc",),
    ),
    Mutation(
        "previz/camera.py",
        "centre_y_px=(self.centre_y_px - 0.5 * self.height_px) * k + 0.5 * height_px",
        "centre_y_px=0.5 * height_px",
        "a shifted lens in a smaller picture",
        (CAMERA + "resized_keeps_what_each_direction_shows",),
    ),
    Mutation(
        "previz/camera.py",
        "0.5 * height_px + shift_up * px_per_m",
        "0.5 * height_px - shift_up * px_per_m",
        "which way a lens shift goes",
        (CAMERA + "a_lens_shifted_up_sees_higher_and_to_the_right_farther_right",),
    ),
    Mutation(
        "previz/gloss.py",
        "PAINT_INDEX = 1.5",
        "PAINT_INDEX = 1.45",
        "how much paint mirrors",
        (GLOSS + "the_meter_reads_100_off_its_own_glass_and_89_off_a_mirror_of_paint",),
    ),
    Mutation(
        "previz/gloss.py",
        '"satin": 0.0606',
        '"satin": 0.08',
        "how wide satin paint's shine is",
        (GLOSS + "the_words_on_the_tin",),
    ),
    Mutation(
        "previz/colour.py",
        "JND_DE76 = 2.3",
        "JND_DE76 = 1.0",
        "below which difference no match is asked for",
        (COLOUR + "de76_and_its_just_noticeable_difference",),
    ),
    Mutation(
        "previz/colour.py",
        "JND_DE00 = 1.0",
        "JND_DE00 = 2.0",
        "the just noticeable difference",
        (MATCH + "nobody_tells_means_that_are_less_than_one_step_apart",),
    ),
    Mutation(
        "previz/colour.py",
        "DAYLIGHT_FROM_KELVIN = 4000.0",
        "DAYLIGHT_FROM_KELVIN = 5500.0",
        "tint of a lamp of 5000 K",
        (COLOUR + "white_of_daylight_is_the_cie_locus",),
    ),
    Mutation(
        "previz/units.py",
        "sixteenths = round(abs(metres) / METRES_PER_INCH * 16)",
        "sixteenths = int(abs(metres) / METRES_PER_INCH * 16)",
        "inches on a drawing",
        (UNITS + "feet_and_inches_come_back_within_half_a_sixteenth",),
    ),
    Mutation(
        "previz/units.py",
        '1000 if unit == "ms" else 1',
        '100 if unit == "ms" else 1',
        "a time in milliseconds",
        (UNITS + "other_quantities",),
    ),
)
