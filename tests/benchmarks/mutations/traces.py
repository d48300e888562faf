"""Traces: edges that run on, runs against chance, what a frame holds by."""

from tests.benchmarks.mutations import Mutation

_TESTS = "tests/judge/test_traces.py::"
_POISSON = (_TESTS + "test_runs_are_weighed_by_poisson",)
_SCATTERED = (_TESTS + "test_the_same_share_scattered_is_chance_and_in_one_run_is_an_edge",)
_CRACK = (_TESTS + "test_a_shadow_on_both_sides_of_a_crack_moves_no_edge",)
_DEEPENED = (_TESTS + "test_a_shadow_that_deepens_a_strong_edge_a_little_is_not_found_on_a_busy_wall",)
_CLEAN = (_TESTS + "test_a_clean_wall_has_none",)
_WIDE = (_TESTS + "test_the_same_light_with_a_wide_penumbra_has_no_contour",)
_WHERE = (_TESTS + "test_contours_lie_where_the_light_steps",)
_COLUMNS = (_TESTS + "test_pieces_by_themselves_do_not_see_it_across_columns",)
_LENGTHS = (_TESTS + "test_it_is_told_in_lengths_of_the_outline",)
_HOLDS = (_TESTS + "test_a_frame_holds_only_while_both_are_at_most_5_percent",)
_LOG = (_TESTS + "test_log_light_is_the_log_of_luminance",)
_JOINT = (_TESTS + "test_a_run_goes_on_over_the_joint_of_a_closed_line",)

_PATCHES = "tests/judge/test_patches.py::"

MUTATIONS = (
    Mutation(
        "previz/judge/trace/patches.py",
        "_LIGHTEST_SQUARED: Final = 2",
        "_LIGHTEST_SQUARED: Final = 1",
        "trace_pct: how light a place is is told by the lightest that lies there",
        (_PATCHES + "test_how_light_it_is_beside_a_straight_edge",),
    ),
    Mutation(
        "previz/judge/trace/patches.py",
        "_AROUND: Final = 3.0",
        "_AROUND: Final = 2.0",
        "trace_pct: what lies around a patch",
        (_PATCHES + "test_how_light_it_is_beside_a_straight_edge",),
    ),
    Mutation(
        "previz/judge/trace/patches.py",
        "level = np.where(number > 0, np.abs(soft) - 0.5 * peak[number], -JND_LIGHT)",
        "level = np.where(number > 0, np.abs(soft) - 0.1 * peak[number], -JND_LIGHT)",
        "trace_pct: how long the line round a patch is",
        (_PATCHES + "test_a_line_goes_round_it_where_half_of_it_is_left",),
    ),
    Mutation(
        "previz/judge/trace/patches.py",
        "limits = [np.maximum(limit, JND_LIGHT) for limit in ordinary]",
        "limits = [np.maximum(limit, 0.3 * JND_LIGHT) for limit in ordinary]",
        "trace_pct: what no eye can tell",
        (_PATCHES + "test_what_no_eye_can_tell_is_no_patch",),
    ),
    Mutation(
        "previz/judge/trace/traces.py",
        "by_seat = by_seat * np.where(beside, 1.0 - lines.found[nearest], 1.0)",
        "by_seat = by_seat * np.where(beside, 1.0, 1.0)",
        "trace_pct: a contour is not counted twice",
        (_PATCHES + "test_a_patch_beside_a_found_contour_counts_once",),
    ),
    Mutation(
        "previz/judge/ordinary.py",
        "shades = [_shade_limit(shade_steps(lit, seat, viewer)) for seat in SEATS]",
        "shades = [0.3 * _shade_limit(shade_steps(lit, seat, viewer)) for seat in SEATS]",
        "trace_pct: the rock's own blotches",
        (_PATCHES + "test_blotches_of_the_rock_hide_it",),
    ),
    Mutation(
        "previz/judge/runs.py",
        "gammainc(rank, expected[order])",
        "gammainc(1, expected[order])",
        "trace_pct: many runs are rarer than one",
        _POISSON,
    ),
    Mutation(
        "previz/judge/runs.py",
        "_STEEPNESS: Final = 2.0",
        "_STEEPNESS: Final = 1.0",
        "trace_pct: how much of a doubtful run counts",
        _POISSON,
    ),
    Mutation(
        "previz/judge/runs.py",
        "length_deg * np.exp(",
        "np.exp(",
        "trace_pct: a long line has more runs by chance",
        _SCATTERED,
    ),
    Mutation(
        "previz/judge/runs.py",
        "if closed[k] and before >= 0 and 0 <= after < before:",
        "if False:",
        "trace_pct: a closed contour has no end",
        _JOINT,
    ),
    Mutation(
        "previz/judge/breaks.py",
        "seen = np.minimum(step / running_limit, np.minimum(out, noticed))",
        "seen = np.minimum(step / running_limit, noticed)",
        "trace_pct: the rock's own edges are no trace",
        _DEEPENED,
    ),
    Mutation(
        "previz/judge/breaks.py",
        "along_it = np.stack([step, step - steps_across(sides.clean)], axis=2)",
        "along_it = np.stack([step, step], axis=2)",
        "trace_pct: the rock's own edges are no trace",
        _CRACK,
    ),
    Mutation(
        "previz/judge/steps.py",
        "luminance = np.where(curved > 8.0, ((curved + 16.0) / 116.0) ** 3, curved / 903.2963)",
        "luminance = ((curved + 16.0) / 116.0) ** 3",
        "trace_pct in deep shadow",
        _LOG,
    ),
    Mutation(
        "previz/judge/viewer.py",
        "STRETCH_DEG: Final = (1.0, 2.0, 4.0)",
        "STRETCH_DEG: Final = (0.1, 0.1, 0.1)",
        "trace_pct: how far an edge is followed",
        _COLUMNS,
    ),
    Mutation(
        "previz/judge/trace/traces.py",
        "STEP_WITHIN_DEG: Final = 0.5",
        "STEP_WITHIN_DEG: Final = 4.0",
        "trace_pct: a wide penumbra is no edge",
        _WHERE + _WIDE,
    ),
    Mutation(
        "previz/judge/trace/traces.py",
        "soft - 0.5 * (most + least)",
        "soft - (0.9 * most + 0.1 * least)",
        "trace_pct: where an edge lies",
        _WHERE,
    ),
    Mutation(
        "previz/judge/trace/traces.py",
        "(most - least >= JND_LIGHT)",
        "(most - least >= 0.2 * JND_LIGHT)",
        "trace_pct: what no eye can tell is none",
        _CLEAN,
        reason="the same limit stands twice: where anything is changed, and in what counts as the bridge's doing",
    ),
    Mutation(
        "previz/judge/trace/traces.py",
        "max(len(outline) * outline.spacing_px, 1e-9)",
        "max(len(trace.outline) * outline.spacing_px, 1e-9)",
        "trace_pct: told in lengths of the outline",
        _LENGTHS,
    ),
    Mutation(
        "previz/judge/hold.py",
        "max(self.break_pct, self.trace_pct or 0.0)",
        "self.break_pct",
        "hold_mm, hidden: traces count",
        _HOLDS,
    ),
    Mutation(
        "previz/judge/hold.py",
        "first.frame <= wanted[0] and wanted[1] <= last.frame",
        "first.frame <= wanted[0]",
        "hidden: to the end of the hold asked for",
        _HOLDS,
    ),
)
