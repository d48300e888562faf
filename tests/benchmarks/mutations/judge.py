"""Judge: break, its limits, tells and the hold."""

from tests.benchmarks.mutations import Mutation

MUTATIONS = (
    Mutation(
        "previz/judge/viewer.py",
        "PSYCHOMETRIC_SLOPE: Final = 3.5",
        "PSYCHOMETRIC_SLOPE: Final = 2.0",
        "break_pct: how steeply a step is found as it grows",
        ("tests/judge/test_steps.py::test_half_of_the_steps_at_the_limit_are_found",),
    ),
    Mutation(
        "previz/judge/viewer.py",
        "VIEWING_DISTANCE: Final = 3.2",
        "VIEWING_DISTANCE: Final = 3.0",
        "break_pct: how large the picture is in the eye",
        ("tests/judge/test_steps.py::test_one_line_of_1080_is_about_one_minute_of_arc",),
    ),
)
