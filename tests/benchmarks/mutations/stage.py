"""Stage: a set made ready and delivered; and what a shot's summary says in words."""

from tests.benchmarks.mutations import Mutation

_NUMBERS = "tests/stage/test_numbers.py::"
_WORDS = "tests/command/test_verdict.py::"

_LAYERS = (_NUMBERS + "test_a_blurred_frame_is_its_layers_one_over_the_other",)
_RANGE = (_NUMBERS + "test_paint_stays_within_what_paint_can_do_and_says_how_much_does_not",)
_VIEW = (_NUMBERS + "test_the_wall_looked_at_is_what_the_lens_sees_over_the_move",)
_SQUARE = (_NUMBERS + "test_the_wall_square_on_is_as_large_as_asked_up_to_three_million_pixels",)
_VERDICT = (_WORDS + "test_verdict",)

MUTATIONS = (
    Mutation(
        "previz/stage/delivering.py",
        "right_paint[y, x, c] = min(max(beside + clean_wall[y, x, c] * share, none), one)",
        "right_paint[y, x, c] = min(max(clean_wall[y, x, c], none), one)",
        "tells: the frame as it would be with the right paint",
        _LAYERS,
    ),
    Mutation(
        "previz/stage/delivering.py",
        "beside = wall[y, x, c] * (one - share)",
        "beside = clean_wall[y, x, c] * (one - share)",
        "lens view: the bridge's shadow in a blurred frame",
        _LAYERS,
    ),
    Mutation(
        "previz/stage/delivering.py",
        "_STEP_PX = 2.0",
        "_STEP_PX = 6.0",
        "break_pct: which frames are compared with the same wall",
        (_NUMBERS + "test_frames_are_alike_whose_wall_moves_alike_to_two_pixels",),
    ),
    Mutation(
        "previz/stage/delivering.py",
        "return None if blur is None or blur.focus is None else replace(blur, moments=())",
        "return blur",
        "break_pct of a camera at rest",
        (_NUMBERS + "test_at_rest_focus_is_left_and_nothing_without_one",),
    ),
    Mutation(
        "previz/look/spreading.py",
        'reach, mode="edge")',
        'reach, mode="constant")',
        "break_pct: the rim of a blurred wall",
        ("tests/stage/test_delivered.py::test_a_picture_convolved_keeps_its_mean_and_its_rim",),
    ),
    Mutation(
        "previz/stage/projected.py",
        "paint[rows] = np.clip(ideal, DARKEST_PAINT, BRIGHTEST_PAINT)",
        "paint[rows] = np.clip(ideal, 0.0, 1.0)",
        "projected paint: what paint can do",
        _RANGE,
    ),
    Mutation(
        "previz/stage/projected.py",
        "colour.encoded8(target[rows])).max(axis=-1) > 1",
        "colour.encoded8(target)).max(axis=-1) > 40",
        "caution: share of the paint out of range",
        _RANGE,
    ),
    Mutation(
        "previz/stage/projected.py",
        "counted = wanted if counted is None else wanted & counted",
        "counted = wanted",
        "caution: share of the paint out of range",
        _RANGE,
    ),
    Mutation(
        "previz/stage/projected.py",
        "paint[rows][~wanted[rows]] = fallback",
        "paint[rows][~wanted[rows]] = 0.0",
        "projected paint where no wall is hidden",
        _RANGE,
    ),
    Mutation(
        "previz/stage/prepare.py",
        'return scene.bridge.image is None and scene.bridge.paint in ("projected", "solved")',
        'return scene.bridge.paint in ("projected", "solved")',
        "tells: whether paint can slip",
        (_NUMBERS + "test_which_paint_can_slip",),
    ),
    Mutation(
        "previz/stage/prepare.py",
        "/ camera.focal_px / 1.5",
        "/ camera.focal_px",
        "lens view: how fine the bridge's paint is",
        (_NUMBERS + "test_texels_of_the_bridge_are_two_thirds_of_a_pixel_at_its_near_end",),
    ),
    Mutation(
        "previz/stage/prepare.py",
        "for frame in {move.frames[0], move.station_frame, move.frames[-1]}:",
        "for frame in {move.station_frame}:",
        "break_pct: the wall that counts as ordinary",
        _VIEW,
    ),
    Mutation(
        "previz/stage/prepare.py",
        "inset = 0.02 * (highest - lowest)",
        "inset = 0.1 * (highest - lowest)",
        "break_pct: the wall that counts as ordinary",
        _VIEW,
    ),
    Mutation(
        "previz/stage/prepare.py",
        "_LARGEST_WALL_PICTURE = 3_000_000",
        "_LARGEST_WALL_PICTURE = 300_000",
        "break_pct: how much of the wall counts as ordinary",
        _SQUARE,
    ),
    Mutation(
        "previz/stage/prepare.py",
        "centre = [0.5 * (part.left + part.right), 0.5 * (part.bottom + part.top), 10.0]",
        "centre = [0.0, 0.0, 10.0]",
        "break_pct: which part of the wall counts as ordinary",
        _SQUARE,
    ),
    Mutation(
        "previz/stage/prepare.py",
        "code[rows] = colour.encoded8(reflectance[rows] * bright[rows])",
        "code[rows] = colour.encoded8(reflectance[rows])",
        "lens view: light on the wall",
        (_NUMBERS + "test_a_wall_in_half_the_light_shows_half_its_reflectance",),
    ),
    Mutation(
        "previz/command/shoot/words.py",
        'if summary["hold_first"] <= first and last <= summary["hold_last"]:',
        'if summary["hold_first"] <= first or last <= summary["hold_last"]:',
        "hidden: whether the hold covers what was asked for",
        _VERDICT,
    ),
    Mutation(
        "previz/command/shoot/words.py",
        'if summary["hold_first"] <= first and last <= summary["hold_last"]:',
        'if summary["hold_first"] < first and last < summary["hold_last"]:',
        "hidden: a hold as long as was asked for is enough",
        _VERDICT,
    ),
    Mutation(
        "previz/command/shoot/words.py",
        'f"{hold_mm:.1f} mm ({inches_text(hold_mm / 1e3)}) of rail"',
        'f"{hold_mm:.1f} mm ({inches_text(hold_mm / 1e2)}) of rail"',
        "hold in inches",
        (_WORDS + "test_rows",),
    ),
    Mutation(
        "previz/draw/style.py",
        'return "holds" if break_pct <= HOLDS_BELOW_PCT else "breaks"',
        'return "holds" if break_pct < HOLDS_BELOW_PCT else "breaks"',
        "holds or breaks, on every drawing",
        (_WORDS + "test_a_frame_of_five_percent_holds",),
    ),
)
