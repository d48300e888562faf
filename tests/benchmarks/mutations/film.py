"""The film: drift and what is found by it."""

from tests.benchmarks.mutations import Mutation

_TESTS = "tests/judge/test_film.py::"
_THRESHOLDS = (_TESTS + "test_least_speeds_are_the_published_ones",)
_PARALLAX = (_TESTS + "test_parallax_is_that_of_similar_triangles",)
_PAN = (_TESTS + "test_a_pan_about_the_entrance_pupil_and_a_camera_at_rest_have_none",)
_BANDS = (_TESTS + "test_bands_along_the_slide_show_none_of_it_and_bands_across_it_all",)
_TIME = (_TESTS + "test_movement_adds_up_over_750_ms",)
_LENGTHS = (_TESTS + "test_what_slides_is_told_by_lengths_of_the_bridge",)
_STILL = (_TESTS + "test_a_still_frame_is_found_as_the_study_says",)
_HOLD = (_TESTS + "test_the_films_hold_ends_where_it_is_found",)
_AREA = (_TESTS + "test_patterns_are_looked_at_over_the_published_area",)
_DRIFT = "previz/judge/film/drift.py"
_PATTERN = "previz/judge/film/pattern.py"
_FOUND = "previz/judge/film/found.py"

MUTATIONS = (
    Mutation(_DRIFT, "LEAST_DEG_S: Final = 0.05", "LEAST_DEG_S: Final = 0.06", "drift_pct: least speed", _THRESHOLDS),
    Mutation(_DRIFT, "CLEAN_SHARE: Final = 0.07", "CLEAN_SHARE: Final = 0.1", "drift_pct: clean patterns", _THRESHOLDS),
    Mutation(_DRIFT, "MASKED_SHARE: Final = 0.5", "MASKED_SHARE: Final = 0.4", "drift_pct: masked ones", _THRESHOLDS),
    Mutation(_PATTERN, "AREA_DEG2: Final = 0.16", "AREA_DEG2: Final = 0.3", "drift_pct: area of patterns", _AREA),
    Mutation(_DRIFT, "on_bridge, 0.0)) - ground, 0.0)", "on_bridge, 0.0)), 0.0)", "drift_deg_s: relative", _PAN),
    Mutation(_DRIFT, "per_second = 1.0 / (seconds * viewer.px_per_deg)", "per_second = 1.0 / seconds",
             "drift_deg_s: degrees of the viewer's field", _PARALLAX),
    Mutation(_DRIFT, "2.0 * tensor[:, 1] * x * y", "0.0 * x * y", "drift_deg_s: gradients at a slope", (
        _TESTS + "test_a_pattern_at_a_slope_shows_what_lies_across_it",)),
    Mutation(_FOUND, "TIME_CONSTANT_S: Final = 0.75", "TIME_CONSTANT_S: Final = 0.5", "found_pct: it adds up", _TIME),
    Mutation(_FOUND, "MOVING_HAZARD: Final = (0.4, 1.0, 2.5)", "MOVING_HAZARD: Final = (0.4, 0.1, 2.5)",
             "found_pct: what moves is found at once", _HOLD),
    Mutation(_FOUND, "(chance >= 0.5)", "(chance >= 0.8)", "worst.png: what slides", _LENGTHS),
    Mutation(_FOUND, "still = hazard(min(100.0, score.shown_pct or 0.0))", "still = hazard(0.0)",
             "found_pct: what stands counts", _STILL),
    Mutation(_FOUND, "score.holds and one.found_pct <= HOLDS_BELOW_PCT", "score.holds", "hold_mm: of the film", _HOLD),
)  # fmt: skip
