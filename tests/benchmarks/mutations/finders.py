"""Finders: from break to the people who find the bridge."""

from tests.benchmarks.mutations import Mutation

_TESTS = "tests/judge/test_finders.py::"
_MEANS = (_TESTS + "test_at_the_paints_mean_break_the_share_is_the_studys",)
_ONE = (_TESTS + "test_share_and_hazard_are_one",)
_ZERO = (_TESTS + "test_without_break_there_is_nothing_to_find",)
_LINE = (_TESTS + "test_the_interval_is_that_of_the_straight_line",)
_FILE = "previz/judge/finders.py"

MUTATIONS: tuple[Mutation, ...] = (
    Mutation(_FILE, "HAZARD * np.exp", "0.5 * HAZARD * np.exp", "chance a second at the reference", _MEANS),
    Mutation(_FILE, "np.exp(EXPONENT * known)", "np.exp(2.0 * EXPONENT * known)", "how it rises with break", _MEANS),
    Mutation(_FILE, "REFERENCE_PCT: Final = 50.0", "REFERENCE_PCT: Final = 20.0", "break it is stated at", _MEANS),
    Mutation(_FILE, "LOOKED_S: Final = 60.0", "LOOKED_S: Final = 30.0", "how long people looked", _ONE),
    Mutation(_FILE, "known), 0.0)", "known), HAZARD)", "nothing is found without break", _ZERO),
    Mutation(_FILE, "np.maximum(value * spread, other)", "value * spread", "high: another form", _ZERO),
    Mutation(_FILE, "_SIGMAS_OF_95: Final = 1.959964", "_SIGMAS_OF_95: Final = 1.0", "95 in 100 fits", _LINE),
)
