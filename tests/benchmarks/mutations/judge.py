"""Judge: break, its limits, tells, slip, mismatch and the hold."""

from tests.benchmarks.mutations import Mutation

_NUMBERS = "tests/judge/test_numbers.py::"
_STEPS = "tests/judge/test_steps.py::"
_FAST = "tests/judge/test_fast.py::"

_JUST = (_NUMBERS + "test_of_a_step_that_is_just_noticeable_half_is_found",)
_BELOW = (_NUMBERS + "test_below_just_noticeable_a_step_is_none_however_plain_the_wall",)
_OWN = (_NUMBERS + "test_a_step_that_the_wall_has_itself_is_no_break",)
_ONE_SIDE = (_NUMBERS + "test_a_change_on_one_side_alone_is_the_bridges_doing",)
_BUSY = (_NUMBERS + "test_a_busy_walls_limit_rules_where_it_is_larger",)
_ABBOTT = (_NUMBERS + "test_chance_is_taken_out_by_abbott",)
_SHORT = (
    _NUMBERS + "test_a_line_of_a_fifth_of_a_degree_is_seen_and_one_below_a_tenth_is_not",
    _NUMBERS + "test_a_thing_too_small_to_see_has_no_outline",
)
_LINES = (_NUMBERS + "test_colour_adds_up_over_half_a_degree_by_squares_and_grain_over_one_with_its_sign",)
_LONG = (_NUMBERS + "test_windows_are_twice_as_long_along_the_line_as_across",)
_SHARE = (_NUMBERS + "test_of_a_hundred_pieces_laid_elsewhere_ninety_five_stay_below_the_limit",)
_GRAIN = (
    _NUMBERS + "test_grain_of_one_unit_reads_half_the_log_of_two",
    _NUMBERS + "test_grain_windows_hardly_see_the_outlines_own_step",
)
_HOLD = (
    _NUMBERS + "test_hold_is_a_length_whichever_way_the_camera_goes",
    _NUMBERS + "test_the_first_of_equally_bad_frames_is_the_worst_and_a_broken_station_holds_nothing",
)
_NAMED = (_NUMBERS + "test_a_tell_of_a_tenth_of_the_broken_pieces_is_named_and_a_rarer_one_is_not",)
_FIRST = (_NUMBERS + "test_the_first_cause_that_mends_is_the_tell",)
_SLIPPED = (_NUMBERS + "test_paint_has_slipped_from_a_delivered_pixel_on",)
_SLIP = (_NUMBERS + "test_slip_is_that_of_similar_triangles",)
_MISMATCH = (
    _NUMBERS + "test_mismatch_sees_a_grating_as_its_filter_says",
    _NUMBERS + "test_mismatch_is_the_largest_inside_the_silhouette",
)
_PICTURES = (_FAST + "test_it_finds_what_pictures_show",)
_PROJECTED = (_FAST + "test_projected_paint_shows_what_it_hides_and_a_misprint_what_lies_beside",)

# lines of the table of tells
_SHADOW_LINE = '    Tell("shadow", (96, 60, 150), (4.5, 6.0), "the shadow of the bridge on the wall"),\n'
_SHINE_LINE = '    Tell("shine", (196, 148, 0), (2.5, 5.0), "a lamp or bright wall mirrored in the paint"),\n'
_SLIP_LINE = (
    '    Tell("slip", (200, 32, 38), (12.0, 6.0), "the paint has drifted from the wall that it continues"),\n'
)
_COLOUR_LINE = (
    '    Tell("colour", (222, 126, 0), (20.0, 6.0), "lighter, darker or of another colour than the wall beside it"),\n'
)

MUTATIONS = (
    Mutation(
        "previz/judge/viewer.py",
        "PSYCHOMETRIC_SLOPE: Final = 3.5",
        "PSYCHOMETRIC_SLOPE: Final = 2.0",
        "break_pct: how steeply a step is found as it grows",
        (_STEPS + "test_half_of_the_steps_at_the_limit_are_found",),
    ),
    Mutation(
        "previz/judge/viewer.py",
        "VIEWING_DISTANCE: Final = 3.2",
        "VIEWING_DISTANCE: Final = 3.0",
        "break_pct: how large the picture is in the eye",
        (_STEPS + "test_one_line_of_1080_is_about_one_minute_of_arc",),
    ),
    Mutation(
        "previz/judge/viewer.py",
        "WINDOW_DEG: Final = (1.0 / 32.0, 1.0 / 16.0, 1.0 / 8.0)",
        "WINDOW_DEG: Final = (1.0 / 32.0, 1.0 / 16.0, 1.0 / 12.0)",
        "break_pct: the coarsest pattern that a viewer compares",
        (_NUMBERS + "test_windows_are_two_octaves_apart_in_all",),
    ),
    Mutation(
        "previz/judge/viewer.py",
        "WINDOW_GAIN: Final = math.erf(WINDOW_OFFSET / math.sqrt(2.0))",
        "WINDOW_GAIN: Final = 1.0",
        "break_pct: what a straight edge reads of its height",
        _JUST,
    ),
    Mutation(
        "previz/judge/viewer.py",
        "SHORTEST_RUN_DEG: Final = 0.1",
        "SHORTEST_RUN_DEG: Final = 0.3",
        "break_pct: the shortest run of broken pieces that is seen",
        _SHORT,
    ),
    Mutation(
        "previz/judge/viewer.py",
        "JND_GRAIN: Final = math.log(1.25)",
        "JND_GRAIN: Final = math.log(1.5)",
        "break_pct: the smallest difference of contrast that is seen",
        _JUST,
    ),
    Mutation(
        "previz/judge/viewer.py",
        "GRAIN_FLOOR: Final = 1.0",
        "GRAIN_FLOOR: Final = 0.5",
        "break_pct: how faint a grain counts as none",
        _GRAIN[:1],
    ),
    Mutation(
        "previz/judge/viewer.py",
        "GRAIN_OFFSET: Final = 2.5",
        "GRAIN_OFFSET: Final = 1.5",
        "break_pct: where grain is looked at",
        _GRAIN[1:],
    ),
    Mutation(
        "previz/judge/viewer.py",
        "COLOUR_LINE_DEG: Final = 0.5",
        "COLOUR_LINE_DEG: Final = 0.25",
        "break_pct: how far the eye adds up colour along a line",
        _LINES,
    ),
    Mutation(
        "previz/judge/viewer.py",
        "GRAIN_LINE_DEG: Final = 1.0",
        "GRAIN_LINE_DEG: Final = 0.5",
        "break_pct: how far the eye adds up grain along a line",
        _LINES,
    ),
    Mutation(
        "previz/judge/viewer.py",
        "WINDOW_ASPECT: Final = 2.0",
        "WINDOW_ASPECT: Final = 1.0",
        "break_pct: how long the windows are along a line",
        _LONG,
    ),
    Mutation(
        "previz/judge/viewer.py",
        "HOLDS_BELOW_PCT: Final = 5.0",
        "HOLDS_BELOW_PCT: Final = 6.0",
        "hold_mm, hold_frames: when a frame holds",
        _HOLD[:1],
    ),
    Mutation(
        "previz/judge/ordinary.py",
        "ORDINARY_SHARE: Final = 0.95",
        "ORDINARY_SHARE: Final = 0.90",
        "break_pct: how rare a step must be on the clean wall to stand out",
        _SHARE,
    ),
    Mutation(
        "previz/judge/ordinary.py",
        "return np.asarray((each * together).reshape(steps.shape[1:]))",
        "return np.asarray(each.reshape(steps.shape[1:]))",
        "break_pct: all scales and kinds of step are counted together",
        _SHARE,
    ),
    Mutation(
        "previz/judge/steps.py",
        "grain = np.abs(along(np.moveaxis(differences[..., 3], 0, -1), seat.degree * GRAIN_LINE_DEG))",
        "grain = along(np.abs(np.moveaxis(differences[..., 3], 0, -1)), seat.degree * GRAIN_LINE_DEG)",
        "break_pct: grain adds up with its sign",
        (_STEPS + "test_grain_that_changes_sides_adds_up_to_none",),
    ),
    Mutation(
        "previz/judge/steps.py",
        "rim = seen[2, ..., :3] - 0.5 * (seen[0, ..., :3] + seen[1, ..., :3])",
        "rim = seen[2, ..., :3] - seen[0, ..., :3]",
        "break_pct: a rim is another colour than both sides",
        (_STEPS + "test_rim_of_a_bar_reads_its_height_and_an_edge_has_none",),
    ),
    Mutation(
        "previz/judge/breaks.py",
        "limit = np.maximum(in_direction(limits.limit, outline.normal), JND)",
        "limit = in_direction(limits.limit, outline.normal)",
        "break_pct: the just noticeable floor of a plain wall",
        (_NUMBERS + "test_below_just_noticeable_a_step_is_none_however_plain_the_wall",),
    ),
    Mutation(
        "previz/judge/breaks.py",
        "limit = np.maximum(in_direction(limits.limit, outline.normal), JND)",
        "limit = np.broadcast_to(JND, in_direction(limits.limit, outline.normal).shape)",
        "break_pct: a busy wall hides more",
        (_NUMBERS + "test_a_busy_walls_limit_rules_where_it_is_larger",),
    ),
    Mutation(
        "previz/judge/breaks.py",
        "largest(np.minimum(own[:, 0] / limit[..., :count], changed))",
        "largest(own[:, 0] / limit[..., :count])",
        "break_pct: a step that the wall has itself is no break",
        (_NUMBERS + "test_a_step_that_the_wall_has_itself_is_no_break",),
    ),
    Mutation(
        "previz/judge/breaks.py",
        "changed = np.maximum(own[:, 1], own[:, 2]) / JND[:count]",
        "changed, doing, light = np.minimum(own[:, 1], own[:, 2]) / JND[:count], 0.0 * doing, 0.0 * light",
        "break_pct: a change on one side is enough",
        (_NUMBERS + "test_a_change_on_one_side_alone_is_the_bridges_doing",),
    ),
    Mutation(
        "previz/judge/breaks.py",
        "return np.asarray(chance * np.append(not_by_chance(runs.weight, expected), 0.0)[runs.number])",
        "return np.asarray(chance)",
        "break_pct: what comes of chance is left out",
        (_NUMBERS + "test_chance_is_no_hiding_place",),
    ),
    Mutation(
        "previz/judge/steps.py",
        "return length / math.sqrt(12.0)",
        "return 0.2 * length",
        "break_pct: an edge that runs on is followed over degrees",
        (_NUMBERS + "test_what_runs_on_is_averaged_with_its_sign_and_a_ratio_is_weighed_by_its_scatter",),
    ),
    Mutation(
        "previz/judge/steps.py",
        "number] = light / scatter",
        "number] = light",
        "break_pct: a ratio is weighed by its scatter",
        (_NUMBERS + "test_what_runs_on_is_averaged_with_its_sign_and_a_ratio_is_weighed_by_its_scatter",),
    ),
    Mutation(
        "previz/judge/steps.py",
        "along(grain[..., :1] - grain[..., -1:], seat.degree * GRAIN_LINE_DEG)",
        "along(grain[..., :1] + grain[..., -1:], seat.degree * GRAIN_LINE_DEG)",
        "break_pct: sharpness is how much of the grain is fine",
        (_NUMBERS + "test_softer_on_one_side_is_less_sharp",),
    ),
    Mutation(
        "previz/judge/steps.py",
        "sizes = np.sqrt(np.maximum(along(squares, seat.degree * COLOUR_LINE_DEG), 0.0)) / gains",
        "sizes = np.sqrt(np.maximum(along(squares, COLOUR_LINE_DEG), 0.0)) / gains",
        "viewers: each adds up over degrees of their own",
        (_NUMBERS + "test_each_viewer_adds_up_over_as_many_of_their_own_degrees",),
    ),
    Mutation(
        "previz/judge/fields.py",
        "out[y, x, 3] = np.float32(0.5) * log_energy[y, x]",
        "out[y, x, 3] = log_energy[y, x]",
        "break_pct: grain is the log of a contrast, not of its square",
        _GRAIN[:1],
    ),
    Mutation(
        "previz/judge/hold.py",
        "abs(last.rail - first.rail), covers)",
        "last.rail - first.rail, covers)",
        "hold_mm of a camera that goes to the left",
        _HOLD[:1],
    ),
    Mutation(
        "previz/judge/hold.py",
        "last.frame - first.frame + 1,",
        "last.frame - first.frame,",
        "hold_frames",
        _HOLD[:1],
    ),
    Mutation(
        "previz/judge/hold.py",
        "inside = [s for s in scores if wanted[0] <= s.frame <= wanted[1] and s.break_pct is not None]",
        "inside = [s for s in scores if wanted[0] <= s.frame < wanted[1] and s.break_pct is not None]",
        "break_mean_pct, break_worst_pct: the hold's last frame counts",
        _HOLD[:1],
    ),
    Mutation(
        "previz/judge/hold.py",
        "worst = max(inside, key=lambda s: (s.shown_pct or 0.0, -s.frame), default=None)",
        "worst = max(inside, key=lambda s: (s.shown_pct or 0.0, s.frame), default=None)",
        "worst_frame: the first of equals",
        _HOLD[1:],
    ),
    Mutation(
        "previz/judge/hold.py",
        "if low < 0 or not holds[low]:",
        "if low < 0:",
        "hold_frames: none where the station frame breaks",
        _HOLD[1:],
    ),
    Mutation(
        "previz/judge/tells.py",
        "_WORTH_NAMING = 0.1",
        "_WORTH_NAMING = 0.4",
        "tells: how many pieces make a tell worth naming",
        _NAMED,
    ),
    Mutation(
        "previz/judge/tells.py",
        "_WORTH_NAMING = 0.1",
        "_WORTH_NAMING = 0.0",
        "tells: how many pieces make a tell worth naming",
        _NAMED,
    ),
    Mutation(
        "previz/judge/tells.py",
        "_SLIPPED_PX = 1.0",
        "_SLIPPED_PX = 2.0",
        "tells: from what drift on paint has slipped",
        _SLIPPED,
    ),
    Mutation(
        "previz/judge/telltable.py",
        _SLIP_LINE + _COLOUR_LINE,
        _COLOUR_LINE + _SLIP_LINE,
        "tells: slip is named before colour",
        _FIRST,
    ),
    Mutation(
        "previz/judge/telltable.py",
        _SHADOW_LINE + _SHINE_LINE,
        _SHINE_LINE + _SHADOW_LINE,
        "tells: shadow is named before shine",
        _FIRST,
    ),
    Mutation(
        "previz/judge/tells.py",
        '"grain": _channels(sides, mended.right_paint, slice(3, 4)),',
        '"grain": _channels(sides, mended.right_paint, slice(0, 3)),',
        "tells: what the grain alone gives away",
        _FIRST,
        reason="where the right grain alone mends a piece its grain is its largest step, by which it is named anyway",
    ),
    Mutation(
        "previz/judge/tells.py",
        '{"grain": "grain", "sharpness": "grain"}',
        '{"grain": "grain"}',
        "tells of the fast judge",
        (_NUMBERS + "test_steps_without_a_cause_are_named_by_their_kind",),
    ),
    Mutation(
        "previz/judge/slip.py",
        "return float(drift.max(initial=0.0)) * delivered_width_px / camera.width_px",
        "return 0.5 * float(drift.max(initial=0.0)) * delivered_width_px / camera.width_px",
        "slip_px",
        _SLIP,
    ),
    Mutation(
        "previz/judge/slip.py",
        "return float(drift.max(initial=0.0)) * delivered_width_px / camera.width_px",
        "return float(drift.max(initial=0.0))",
        "slip_px in delivered pixels",
        _SLIP,
    ),
    Mutation(
        "previz/judge/slip.py",
        "return float(drift.max(initial=0.0)) * delivered_width_px / camera.width_px",
        "return float(drift.mean()) * delivered_width_px / camera.width_px",
        "slip_px is the largest",
        _SLIP,
    ),
    Mutation(
        "previz/judge/mismatch.py",
        "((1.0, 0.0047),),",
        "((1.0, 0.0094),),",
        "mismatch_de: how much the eye loses of fine grain",
        _MISMATCH[:1],
    ),
    Mutation(
        "previz/judge/mismatch.py",
        "wanted.astype(np.float64)).max())",
        "wanted.astype(np.float64)).mean())",
        "mismatch_de is the largest",
        _MISMATCH[1:],
    ),
    Mutation(
        "previz/judge/fast.py",
        "soft = self._softened(cover, depth)",
        "soft = cover",
        "break_pct of score and search: focus",
        _PICTURES,
    ),
    Mutation(
        "previz/judge/fast.py",
        "if near.shadowed is not near.clean:",
        "if near.shadowed is near.clean:",
        "break_pct of score and search: the bridge's shadow",
        _PICTURES,
    ),
    Mutation(
        "previz/judge/fast.py",
        "seen[0, ..., :3] += share[0] * within",
        "seen[0, ..., :3] += 0.0 * within",
        "break_pct of score and search: windows that reach across",
        _PICTURES,
    ),
    Mutation(
        "previz/judge/fast.py",
        "seen[1] = _joined(paint.colour() + (np.float32(1.0) - share[1]) * without, grain_in)",
        "seen[1] = _joined(paint.colour(), grain_in)",
        "break_pct of score and search: windows that reach across",
        _PICTURES,
    ),
    Mutation(
        "previz/judge/fast.py",
        "directions = unit(flat - eye)",
        "directions = unit(flat - camera.position + 0.02)",
        "break_pct of score and search: what projected paint shows",
        _PROJECTED,
    ),
    Mutation(
        "previz/stage/misprint.py",
        "meant = points - off",
        "meant = points + off",
        "how far a print may lie off its place",
        _PROJECTED,
    ),
)
