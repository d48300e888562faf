"""Where the real camera is, and how sure that is."""

from tests.benchmarks.mutations import Mutation

LINEUP = "tests/lineup/test_lineup_numbers.py::test_"
SOLVE = "tests/lineup/test_solve.py::test_"
PHOTOGRAPHS = "tests/lineup/test_photographs.py::test_"

MUTATIONS = (
    Mutation(
        "previz/workshop/photographs/find.py",
        "corners.append(fine + 0.5)",
        "corners.append(fine)",
        "half a pixel of every corner",
        (PHOTOGRAPHS + "corners_lie_where_opencv_projects_them",),
    ),
    Mutation(
        "previz/workshop/photographs/find.py",
        "light = colour.decoded(part",
        "light = np.asarray(part",
        "corners in coded values instead of light",
        (PHOTOGRAPHS + "corners_lie_where_opencv_projects_them",),
    ),
    Mutation(
        "previz/workshop/photographs/find.py",
        "light, flattened = _evenly_lit(light, now, module), True",
        "flattened = True",
        "corners where light grows across a marker",
        (PHOTOGRAPHS + "light_that_grows_across_the_set_does_not_move_the_markers",),
    ),
    Mutation(
        "previz/lineup/solve.py",
        "_GROWTH_SPREAD: Final = 0.5",
        "_GROWTH_SPREAD: Final = 0.005",
        "distance where ink has run",
        (SOLVE + "stated_uncertainty_covers_what_paper_and_ink_do",),
        reason="corners of twelve markers tell the growth far better than what is known beforehand",
    ),
    Mutation(
        "previz/lineup/solve.py",
        "_K1_SPREAD: Final = 0.1",
        "_K1_SPREAD: Final = 0.001",
        "the lens's distortion",
        (LINEUP + "a_strong_distortion_is_found",),
    ),
    Mutation(
        "previz/lineup/solve.py",
        "limit = max(5.0 * max(1.4826",
        "limit = max(50.0 * max(1.4826",
        "which points are left out",
        (LINEUP + "points_five_times_as_far_off_as_the_middle_one_are_left_out",),
    ),
    Mutation(
        "previz/lineup/solve.py",
        "rms = float(np.sqrt(np.mean(np.sum(misses**2, axis=1))))",
        "rms = float(np.sqrt(np.mean(misses**2)))",
        "the stated misfit",
        (LINEUP + "the_misfit_is_the_length_of_what_is_left_over",),
    ),
    Mutation(
        "previz/lineup/solve.py",
        "known.append((self.lens(u)[0].focal_px - value) / spread)",
        "known.append((self.lens(u)[0].focal_px - value) / spread**2)",
        "how a known focal length weighs",
        (LINEUP + "a_focal_length_known_beforehand_weighs_by_its_own_deviation",),
    ),
    Mutation(
        "previz/lineup/scatter.py",
        "_VAGUE: Final = 3.0",
        "_VAGUE: Final = 0.3",
        "the stated uncertainty of few markers",
        (LINEUP + "few_shifted_markers_are_known_as_their_mean_is",),
    ),
    Mutation(
        "previz/lineup/scatter.py",
        "np.min(2.0 * self.variances",
        "np.min(1.0 * self.variances",
        "degrees of freedom of the stated uncertainty",
        (LINEUP + "the_freedom_of_shifts_is_students",),
    ),
    Mutation(
        "previz/lineup/correction.py",
        "student.ppf(0.975",
        "student.ppf(0.9",
        "the interval beside every step",
        (LINEUP + "the_interval_of_every_step_is_students_of_ninety_five_in_a_hundred",),
    ),
    Mutation(
        "previz/lineup/correction.py",
        "wanted.focal_px / real.focal_px - 1.0",
        "1.0 - real.focal_px / wanted.focal_px",
        "how much to change the zoom",
        (LINEUP + "the_zoom_is_turned_by_a_share_of_where_it_is",),
    ),
    Mutation(
        "previz/lineup/correction.py",
        "if size <= give:",
        "if size <= 0.1 * give:",
        "which steps are left alone",
        (LINEUP + "a_step_within_its_interval_is_left_alone",),
    ),
    Mutation(
        "previz/lineup/asbuilt.py",
        "np.asarray(own + taken @ camera.covariance[:7, :7] @ taken.T)",
        "np.asarray(own)",
        "doubt of a built bridge without the camera's own",
        (LINEUP + "a_bridges_doubt_has_the_cameras_in_it",),
    ),
    Mutation(
        "previz/lineup/asbuilt.py",
        "_SHIFT: Final = 0.03",
        "_SHIFT: Final = 0.001",
        "how far a piece may be off",
        (LINEUP + "a_bridge_may_be_off_by_centimetres",),
    ),
    Mutation(
        "previz/lineup/asbuilt.py",
        "_LEAST_PX: Final = 0.2",
        "_LEAST_PX: Final = 2.0",
        "the stated doubt of a built bridge",
        (LINEUP + "a_bridges_doubt_is_that_of_its_points",),
    ),
    Mutation(
        "previz/lineup/asbuilt.py",
        "freedom = max(off.size - 6, 1)",
        "freedom = off.size",
        "the stated doubt of few points",
        (LINEUP + "a_bridges_doubt_is_that_of_its_points",),
    ),
    Mutation(
        "previz/lineup/lenscheck.py",
        "_MIDDLE: Final = 0.01",
        "_MIDDLE: Final = 0.0001",
        "where a lens's axis may lie",
        (LINEUP + "a_lens_axis_off_the_middle_is_found_and_its_doubt_is_in_pixels",),
    ),
    Mutation(
        "previz/lineup/lenscheck.py",
        "spread[0] *= now.focal_px",
        "spread[0] *= 1.0",
        "the stated doubt of a focal length",
        (LINEUP + "a_lens_axis_off_the_middle_is_found_and_its_doubt_is_in_pixels",),
    ),
    Mutation(
        "previz/lineup/lenscheck.py",
        "< 3.0 * spread)",
        "< 30.0 * spread)",
        "whether a photograph agrees with the lens",
        (LINEUP + "a_photograph_agrees_with_the_lens_to_three_deviations",),
    ),
)
