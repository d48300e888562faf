"""Paint: the solver and its judge, its bound, brush, palette, published paints, a free wall."""

from tests.benchmarks.mutations import Mutation

_NUMBERS = "tests/paint/test_numbers.py::"
_PALETTE = "tests/paint/test_palette.py::"
_BRUSH = "tests/paint/test_brush.py::"
_BASELINES = "tests/paint/test_baselines.py::"
_EXPANSION = "tests/paint/test_expansion.py::"

_BEST = (_NUMBERS + "test_the_best_on_the_way_is_kept",)
_SLOPE = (_NUMBERS + "test_its_slope_is_that_of_small_differences",)
_JUDGE = (_NUMBERS + "test_the_solvers_judge_is_the_judge",)
_FRAMES = (_NUMBERS + "test_frames_that_paint_is_solved_for_are_spread_over_the_hold",)
_KNOCKED = (_NUMBERS + "test_every_other_frame_is_solved_for_as_knocked_as_the_rig_is_untrue",)
_BOUND = (_NUMBERS + "test_the_bound_of_two_frames_is_the_best_that_one_colour_does",)
_SHADED = (_NUMBERS + "test_a_free_wall_lies_in_the_bridges_shadow",)
_OVER = (_NUMBERS + "test_a_painted_wall_is_as_dark_in_the_bridges_shadow_as_the_wall_was",)
_MIX = (_NUMBERS + "test_paint_to_mix_is_what_it_shows_over_its_light_within_what_paint_can_do",)
_FADES = (_NUMBERS + "test_a_stroke_fades_over_half_the_brush",)

MUTATIONS = (
    Mutation(
        "previz/paint/solver.py",
        "FRAME_POWER: Final = 8.0",
        "FRAME_POWER: Final = 1.0",
        "solved paint: the worst frame decides",
        (_NUMBERS + "test_the_worst_frame_decides_not_the_sum",),
    ),
    Mutation(
        "previz/paint/solver.py",
        "if (percents.max(), found.max()) < (self._after_pct.max(), self.after.max()):",
        "if True:",
        "solved paint: the best on the way is kept, not the last",
        _BEST,
    ),
    Mutation(
        "previz/paint/solver.py",
        "if (percents.max(), found.max()) < (self._after_pct.max(), self.after.max()):",
        "if found.max() < self.after.max():",
        "solved paint: the judge's own number decides",
        _BEST,
    ),
    Mutation(
        "previz/paint/solver.py",
        "if (percents.max(), found.max()) < (self._after_pct.max(), self.after.max()):",
        "if percents.max() < self._after_pct.max():",
        "solved paint: the softened share where the judge cannot tell",
        (_NUMBERS + "test_where_the_judge_cannot_tell_the_softened_share_decides",),
    ),
    Mutation(
        "previz/paint/solver.py",
        "_FIRST_STEP: Final = 0.02",
        "_FIRST_STEP: Final = 0.04",
        "solved paint: how far a step goes",
        (_NUMBERS + "test_a_step_is_two_hundredths_of_the_range_at_first_and_two_thousandths_at_last",),
    ),
    Mutation(
        "previz/paint/solver.py",
        "_QUIET: Final = 0.3",
        "_QUIET: Final = 0.0",
        "solved paint: what is no outline stays as it was",
        (_NUMBERS + "test_what_is_hardly_ever_outline_stays_as_it_was",),
    ),
    Mutation(
        "previz/paint/solver.py",
        "np.clip(self._start + self._laid(self._strokes), self._lowest, self._highest)",
        "np.clip(self._start + self._laid(self._strokes), 0.0, 1.0)",
        "solved paint: what paint can do under the light",
        (_NUMBERS + "test_paint_stays_within_what_paint_can_do",),
    ),
    Mutation(
        "previz/paint/sensitivity.py",
        "_LARGEST_POWER: Final = 8.0",
        "_LARGEST_POWER: Final = 1.0",
        "solved paint: the largest of a piece's steps counts",
        _JUDGE,
    ),
    Mutation(
        "previz/paint/sensitivity.py",
        "of_seen[0, ..., :3] += across[0] - 0.5 * rim[0]",
        "of_seen[0, ..., :3] += across[0]",
        "solved paint: the slope of a rim",
        _SLOPE,
    ),
    Mutation(
        "previz/paint/sensitivity.py",
        "slope_lab[0] += slope_residue",
        "slope_lab[0] -= slope_residue",
        "solved paint: the slope of grain",
        _SLOPE,
    ),
    Mutation(
        "previz/paint/sensitivity.py",
        "return share, percent, of_seen, -of_change",
        "return share, percent, of_seen, of_change",
        "solved paint: the slope for a free wall",
        (_NUMBERS + "test_its_slope_for_the_wall_is_that_of_small_differences",),
    ),
    Mutation(
        "previz/paint/sensitivity.py",
        "percent = decided(Sides(seen, clean), self.outline, self._ordinary, self._viewer, ends=self._ends).percent",
        "percent = 100.0 * share",
        "solved paint: its percent is the judge's",
        _JUDGE,
    ),
    Mutation(
        "previz/paint/sensitivity.py",
        "seat: np.maximum(in_direction(ordinary.of(seat).limit, outline.normal), JND).astype(np.float32)",
        "seat: np.maximum(0.5 * in_direction(ordinary.of(seat).limit, outline.normal), JND).astype(np.float32)",
        "solved paint: its percent is the judge's",
        _JUDGE,
    ),
    Mutation(
        "previz/paint/sensitivity.py",
        "target[1, :-1, :, :3] -= down",
        "target[1, :-1, :, :3] += down",
        "solved paint: what runs on is followed",
        ("tests/paint/test_numbers.py::test_the_slope_of_an_edge_that_runs_on_is_that_of_small_differences",),
    ),
    Mutation(
        "previz/paint/bands.py",
        "SMEAR: Final = 0.1",
        "SMEAR: Final = 0.01",
        "the wall's bands",
        ("tests/paint/test_bands.py::test_bands_are_as_long_as_a_hand",),
    ),
    Mutation(
        "previz/paint/bound.py",
        "/ WINDOW_GAIN / limits[None]",
        "/ limits[None]",
        "the bound that no paint can beat",
        _BOUND,
    ),
    Mutation(
        "previz/paint/bound.py",
        "tried = np.concatenate([colours, colours.mean(axis=0, keepdims=True)])",
        "tried = colours",
        "the bound that no paint can beat: a colour between",
        _BOUND,
    ),
    Mutation(
        "previz/paint/bound.py",
        ".min(axis=0).max())",
        ".min(axis=0).min())",
        "the bound that no paint can beat: the scale that tells most",
        (_NUMBERS + "test_the_bound_counts_the_worst_scale",),
    ),
    Mutation(
        "previz/paint/bound.py",
        "_CELL = 0.006",
        "_CELL = 0.2",
        "the bound that no paint can beat: places of their own",
        (_NUMBERS + "test_the_bound_lets_every_place_have_its_own_colour",),
    ),
    Mutation(
        "previz/paint/bound.py",
        "return total / int(known.sum())",
        "return 0.0",
        "the bound that no paint can beat",
        _BOUND,
    ),
    Mutation(
        "previz/paint/freewall.py",
        "if self.shade is None:",
        "if True:",
        "solved wall: the bridge's shadow on it",
        _SHADED,
    ),
    Mutation(
        "previz/paint/freewall.py",
        "window_weights(max(0.5 * self.brush_texels, 0.3))",
        "window_weights(max(0.25 * self.brush_texels, 0.3))",
        "solved wall: no change is finer than the brush",
        _FADES,
    ),
    Mutation(
        "previz/paint/laying.py",
        "window_weights(max(0.5 * self.brush_texels, 0.3))",
        "window_weights(max(0.25 * self.brush_texels, 0.3))",
        "solved paint: no change is finer than the brush",
        _FADES,
    ),
    Mutation(
        "previz/paint/laying.py",
        "share = spread / spread.max() if spread.max() > 0.0 else np.ones(3)",
        "share = np.ones(3)",
        "solved paint: no colour that the wall has not",
        (_NUMBERS + "test_a_wall_of_two_colours_lends_what_they_have_in_common",),
    ),
    Mutation(
        "previz/paint/palette.py",
        "_LOYALTY: Final = 0.1",
        "_LOYALTY: Final = 30.0",
        "paint map: strokes make up for each other's error",
        (_PALETTE + "test_strokes_take_up_each_others_error",),
    ),
    Mutation(
        "previz/paint/palette.py",
        "return palette(_means(linear_mean, w, nearest, share)[share > 0.0])",
        "return palette(np.sqrt(_means(linear_mean**2, w, nearest, share))[share > 0.0])",
        "palette: a paint is the mean of its share in linear light",
        (_PALETTE + "test_one_paint_is_the_weighted_mean_in_linear_light",),
    ),
    Mutation(
        "previz/paint/palette.py",
        "counted = w > 0.0",
        "counted = w > -1.0",
        "palette: what is not seen is not painted for",
        (_PALETTE + "test_what_weighs_nothing_is_not_painted_for",),
        reason="the weights themselves leave it out, in every mean and every draw: the line only saves work",
    ),
    Mutation(
        "previz/paint/palette.py",
        "order = np.lexsort((lab[:, 2], lab[:, 1], lab[:, 0]))",
        "order = np.lexsort((lab[:, 0], lab[:, 1], lab[:, 2]))",
        "palette: paints are numbered from dark to light",
        (_PALETTE + "test_paints_run_from_dark_to_light_and_their_values_are_those_of_their_codes",),
    ),
    Mutation(
        "previz/paint/palette.py",
        "_BIN: Final = 0.8",
        "_BIN: Final = 12.0",
        "palette: how near colours are told apart",
        (_NUMBERS + "test_paints_a_just_noticeable_step_apart_are_told_apart",),
    ),
    Mutation(
        "previz/paint/brush.py",
        "_LOOKS: Final = 6",
        "_LOOKS: Final = 0",
        "guide: strokes keep the wall's mean and grain",
        (_BRUSH + "test_the_local_mean_stays",),
    ),
    Mutation(
        "previz/paint/brush.py",
        "_LEAST_CONTRAST, _MOST_CONTRAST = 0.5, 3.0",
        "_LEAST_CONTRAST, _MOST_CONTRAST = 0.5, 1.0",
        "guide: strokes give the grain back",
        (_NUMBERS + "test_strokes_give_the_grain_back_to_a_third_of_what_is_noticed",),
    ),
    Mutation(
        "previz/paint/baselines.py",
        "STEEPEST_DEG: Final = 70.0",
        "STEEPEST_DEG: Final = 89.0",
        "greedy paint: the steepest view (Owens et al. 2014)",
        (_NUMBERS + "test_greedy_takes_no_view_steeper_than_seventy_degrees_first",),
    ),
    Mutation(
        "previz/paint/baselines.py",
        "best = int(views.seen.sum(axis=(1, 2)).argmax())",
        "best = int(views.seen.sum(axis=(1, 2)).argmin())",
        "single paint: the view that sees most",
        (_BASELINES + "test_single_is_projected_paint_everywhere",),
    ),
    Mutation(
        "previz/paint/baselines.py",
        "OUTLINE_BAND: Final = 1.0 / 240.0",
        "OUTLINE_BAND: Final = 1.0 / 120.0",
        "one view a face: what lies beside the outline, share of the frame",
        (_BASELINES + "test_beside_the_outline_lies_what_is_within_the_band",),
    ),
    Mutation(
        "previz/paint/baselines.py",
        "total = cost[:, edge].sum(axis=1, dtype=np.float64) / texels + 1e-6 * turned",
        "total = turned",
        "one view a face: the outline first (Owens et al. 2014)",
        (_BASELINES + "test_the_outline_is_weighed_against_the_angle",),
    ),
    Mutation(
        "previz/paint/expansion.py",
        "apart = np.maximum(second + first - none, 0.0)",
        "apart = np.maximum(second - none, 0.0)",
        "one view a texel: seams where views look alike",
        (_EXPANSION + "test_two_labels_are_the_best_there_are",),
    ),
    Mutation(
        "previz/command/paint/solving.py",
        "_FRAMES = 20",
        "_FRAMES = 8",
        "solved paint: frames of the hold it is solved for",
        _FRAMES,
    ),
    Mutation(
        "previz/command/paint/solving.py",
        "SOLVED_WIDTH_PX = 960",
        "SOLVED_WIDTH_PX = 640",
        "solved paint: the width it is solved at",
        _FRAMES,
    ),
    Mutation(
        "previz/command/paint/solving.py",
        "if at % 2 == 1:",
        "if False:",
        "solved paint: it bears the rig's own untruth",
        _KNOCKED,
    ),
    Mutation(
        "previz/command/paint/solving.py",
        "shift = rng.uniform(-scene.knock.shift, scene.knock.shift, 3)",
        "shift = rng.uniform(-0.5 * scene.knock.shift, 0.5 * scene.knock.shift, 3)",
        "solved paint: how much untruth it bears",
        _KNOCKED,
    ),
    Mutation(
        "previz/command/paint/solving.py",
        "shaded = colour.encoded8(colour.decoded8(paint.wall) * shade_of(ready))",
        "shaded = paint.wall",
        "solved wall: the bridge's shadow stays on it",
        _OVER,
    ),
    Mutation(
        "previz/command/paint/solving.py",
        "colour.decoded8(ready.wall.shadowed.code) / clean, 0.0, 1.0",
        "ready.wall.shadowed.code / clean / 255.0, 0.0, 1.0",
        "solved wall: how dark the bridge's shadow on it is",
        _OVER,
    ),
    Mutation(
        "previz/command/paint/solving.py",
        "return np.asarray(np.clip(paint, DARKEST_PAINT, BRIGHTEST_PAINT), dtype=np.float32)",
        "return np.asarray(np.clip(paint, 0.0, 1.0), dtype=np.float32)",
        "guide: what paint can do",
        _MIX,
    ),
    Mutation(
        "previz/workshop/pigment.py",
        "DARKEST_PAINT: Final = 0.03",
        "DARKEST_PAINT: Final = 0.06",
        "guide: the blackest paint",
        _MIX,
    ),
)
