"""A take, its push and its retime."""

from tests.benchmarks.mutations import Mutation

TAKE = "tests/plate/test_take_numbers.py::test_"

MUTATIONS = (
    Mutation(
        "previz/plate/take.py",
        "limit = 10.0 * noise + 3.0 * usual + 1e-6",
        "limit = 100.0 * noise + 3.0 * usual + 1e-6",
        "which readings of a noisy take are left out",
        (TAKE + "a_reading_stands_apart_beyond_ten_times_the_noise_and_three_steps",),
    ),
    Mutation(
        "previz/plate/take.py",
        "limit = 10.0 * noise + 3.0 * usual + 1e-6",
        "limit = 10.0 * noise + 30.0 * usual + 1e-6",
        "which jumps no hand can have made",
        (TAKE + "a_reading_stands_apart_beyond_ten_times_the_noise_and_three_steps",),
    ),
    Mutation(
        "previz/plate/take.py",
        "_NORMAL_MAD = 1.4826",
        "_NORMAL_MAD = 1.0",
        "the noise that the take is said to have",
        (TAKE + "noise_is_the_deviation_of_normal_noise",),
    ),
    Mutation(
        "previz/plate/take.py",
        "+ 2.0 * noise**2 * free",
        "+ 1.0 * noise**2 * free",
        "how much of the noise is smoothed away",
        (TAKE + "the_weight_of_smoothing_is_the_one_of_least_cp",),
    ),
    Mutation(
        "previz/plate/push.py",
        "PAUSE_SHARE = 0.1",
        "PAUSE_SHARE = 0.3",
        "what is told as a pause",
        (TAKE + "a_pause_is_slower_than_a_tenth_for_an_eighth_of_a_second",),
    ),
    Mutation(
        "previz/plate/push.py",
        "_SHORTEST_PAUSE = 0.125",
        "_SHORTEST_PAUSE = 0.5",
        "how short a pause is told",
        (TAKE + "a_pause_is_slower_than_a_tenth_for_an_eighth_of_a_second",),
    ),
    Mutation(
        "previz/plate/push.py",
        "np.searchsorted(done, 0.5 * done[-1])",
        "np.searchsorted(done, 0.25 * done[-1])",
        "the typical speed of a push",
        (TAKE + "the_typical_speed_is_that_at_which_half_of_the_way_is_behind",),
    ),
    Mutation(
        "previz/plate/push.py",
        "_SMALLEST_PULL = 0.1e-3",
        "_SMALLEST_PULL = 0.5e-3",
        "how small a pull back is told",
        (TAKE + "a_pull_back_of_a_tenth_of_a_millimetre_is_told",),
    ),
    Mutation(
        "previz/plate/retime.py",
        "ALLOWED = 0.05e-3",
        "ALLOWED = 0.5e-3",
        "how far short a take may fall (the take's tolerance, ten times)",
        (TAKE + "a_take_may_fall_a_twentieth_of_a_millimetre_short",),
    ),
    Mutation(
        "previz/plate/retime.py",
        "max(ALLOWED, 3.0 * take.noise)",
        "max(ALLOWED, 30.0 * take.noise)",
        "how far short a noisy take may fall",
        (TAKE + "a_noisy_take_may_fall_three_deviations_short",),
    ),
    Mutation(
        "previz/plate/retime.py",
        "slowest: float = 0.1",
        "slowest: float = 0.3",
        "the shooting rate that is advised",
        (TAKE + "the_needed_rate_counts_steps_from_a_tenth_of_the_longest",),
    ),
    Mutation(
        "previz/plate/retime.py",
        "1.0 / np.where(lacking, pace, 1.0) - 1.0",
        "1.0 / np.where(lacking, pace, 1.0)",
        "in-between frames that have to be made up",
        (TAKE + "how_many_frames_are_made_up_and_what_mends_it",),
    ),
    Mutation(
        "previz/plate/retime.py",
        "_HOPELESS = 0.1",
        "_HOPELESS = 0.01",
        "whether a faster rate is advised or called hopeless",
        (TAKE + "how_many_frames_are_made_up_and_what_mends_it",),
    ),
    Mutation(
        "previz/plate/pieces.py",
        "TOLERANCE = 0.25",
        "TOLERANCE = 2.5",
        "how true the pieces of constant speed are",
        (TAKE + "pieces_of_constant_speed_stay_within_a_quarter_of_a_frame",),
    ),
)
