"""Rig: shadow edges, fills and highlights on the rig card."""

from tests.benchmarks.mutations import Mutation

_NUMBERS = "tests/rig/test_numbers.py::"

_SHARES = (_NUMBERS + "test_what_a_frames_shares_come_to",)
_STEP = (_NUMBERS + "test_a_step_reads_its_height_however_faint",)
_EDGE = (_NUMBERS + "test_the_lamp_whose_shadow_goes_with_it_is_named",)
_LEAST = (_NUMBERS + "test_the_least_light_is_safe_and_no_more_than_two_hundredths_too_much",)
_SAID = (_NUMBERS + "test_where_a_fill_stands",)
_FREE = (_NUMBERS + "test_a_fills_face_keeps_off_wall_and_bridge",)
_LENS = (_NUMBERS + "test_a_fill_keeps_off_the_lens",)
_HIGHLIGHT = (_NUMBERS + "test_a_highlight_by_hand",)
_BURNS = (_NUMBERS + "test_what_is_white_already_does_not_burn_out",)
_LIGHT = (_NUMBERS + "test_light_of_a_lamp_past_cards_and_surfaces",)

MUTATIONS = (
    Mutation(
        "previz/rig/shadow.py",
        "        if self.share_pct > HOLDS_BELOW_PCT:",
        "        if self.share_pct > 2.0 * HOLDS_BELOW_PCT:",
        "rig card: whether the shadow shows",
        _SHARES,
    ),
    Mutation(
        "previz/rig/shadow.py",
        "return max(self.trace_pct or 0.0, self.outline_pct)",
        "return self.trace_pct or 0.0",
        "rig card: a shadow along the bridge's own outline",
        _SHARES,
    ),
    Mutation(
        "previz/rig/shadow.py",
        "_FOUND_FROM_PCT: Final = 0.05",
        "_FOUND_FROM_PCT: Final = 0.5",
        "rig card: from what on the shadow is found",
        _SHARES,
    ),
    Mutation(
        "previz/rig/shadow.py",
        "found = [each for each in (hold, outside) if",
        "found = [each for each in (outside, hold) if",
        "rig card: whether the shadow shows in the hold",
        (_NUMBERS + "test_the_card_says_what_was_found_in_the_hold",),
    ),
    Mutation(
        "previz/rig/shadow.py",
        "    if edge is None or edge.step < JND_COLOUR:",
        "    if edge is None or edge.step < 4.0 * JND_COLOUR:",
        "rig card: a shadow that is there and not found",
        (_NUMBERS + "test_the_card_says_where_nothing_was_found",),
    ),
    Mutation(
        "previz/rig/lightadvice.py",
        "_SAFE = 0.9",
        "_SAFE = 1.5",
        "rig card: how far a fill has to bring the shadow down",
        (_NUMBERS + "test_a_fill_is_asked_for_what_the_judge_lets_pass",),
    ),
    Mutation(
        "previz/rig/fill.py",
        "    if after.verdict == LITTLE:",
        "    if fill.cleared:",
        "rig card: whether the fill mends the shadow",
        (_NUMBERS + "test_the_judge_says_whether_a_fill_mends_it",),
    ),
    Mutation(
        "previz/rig/shadowstep.py",
        "_NO_CHANGE = 0.1",
        "_NO_CHANGE = 1.0",
        "rig card: faint shadow edges",
        _STEP,
    ),
    Mutation(
        "previz/rig/shadowstep.py",
        "gain = math.erf(math.hypot(i, j) / sigma / math.sqrt(2.0))",
        "gain = 1.0",
        "rig card: strength of a shadow's edge",
        _STEP,
    ),
    Mutation(
        "previz/rig/shadowstep.py",
        "usable = weight >= _LEAST_ON_WALL",
        "usable = weight >= 0.0",
        "rig card: no edge where the wall ends",
        (_NUMBERS + "test_a_step_at_the_walls_own_edge_is_not_made_up",),
    ),
    Mutation(
        "previz/rig/shadowstep.py",
        "        if without < left:",
        "        if without > left:",
        "rig card: whose shadow it is",
        _EDGE,
    ),
    Mutation(
        "previz/rig/shadowstep.py",
        "lost[index] = np.zeros_like(self.clean)",
        "lost = lost[:index]",
        "rig card: what is left without a lamp's shadow",
        (_NUMBERS + "test_one_lamps_shadow_is_taken_away_and_the_others_stay",),
    ),
    Mutation(
        "previz/rig/fill.py",
        "_MOST_LIGHT: Final = 1.0",
        "_MOST_LIGHT: Final = 4.0",
        "rig card: the most light a fill may give",
        (_NUMBERS + "test_a_fill_gives_no_more_light_than_the_exposure_is_for",),
    ),
    Mutation(
        "previz/rig/fill.py",
        "_FINE = 0.02",
        "_FINE = 0.2",
        "rig card: a fill's lux",
        _LEAST,
    ),
    Mutation(
        "previz/rig/fill.py",
        "            return high, left",
        "            return low, left",
        "rig card: a fill's lux, on the safe side",
        _LEAST,
    ),
    Mutation(
        "previz/rig/fill.py",
        "    if best[1] < below:\n        return best",
        "    if best[1] < 1.5 * below:\n        return best",
        "rig card: whether a fill is needed",
        ("tests/rig/test_numbers.py::test_a_shadow_just_noticeable_asks_for_a_fill",),
    ),
    Mutation(
        "previz/rig/fill.py",
        "        if size < best[1]:\n            best = (held, size)",
        "        best = (held, size)",
        "rig card: the best where no fill is enough",
        ("tests/rig/test_fill.py::test_least_light_where_none_is_enough",),
    ),
    Mutation(
        "previz/rig/fill.py",
        "if failed and left >= before:",
        "if False:",
        "rig card: no fill that makes it worse",
        _SAID,
    ),
    Mutation(
        "previz/rig/fill.py",
        "return Fill(lamp, lamp.position, lamp.lux, before, left, not failed, tried, words)",
        "return Fill(lamp, lamp.position, lamp.lux, before, left, True, tried, words)",
        "rig card: whether the fill clears the step",
        _SAID,
    ),
    Mutation(
        "previz/rig/fill.py",
        "_FREE: Final = 0.015",
        "_FREE: Final = 0.0",
        "rig card: a fill keeps off wall and bridge",
        _FREE,
    ),
    Mutation(
        "previz/rig/fill.py",
        "free &= np.linalg.norm(flat - camera.position, axis=1) > 0.3",
        "free &= np.linalg.norm(flat - camera.position, axis=1) > 0.0",
        "rig card: a fill keeps off the lens",
        _LENS,
    ),
    Mutation(
        "previz/rig/highlight.py",
        "        visible = size >= JND_COLOUR\n",
        "        visible = size >= 0.5 * JND_COLOUR\n",
        "rig card: from what on a highlight is seen",
        (_NUMBERS + "test_a_highlight_below_just_noticeable_is_none",),
    ),
    Mutation(
        "previz/rig/highlight.py",
        "hold_frames=tuple(f for f in frames if first <= f <= last),",
        "hold_frames=tuple(frames),",
        "rig card: a highlight in the hold",
        _HIGHLIGHT,
    ),
    Mutation(
        "previz/rig/highlight.py",
        "burns = visible & ((look.base + added).max(axis=1) >= 1.0) & (look.base.max(axis=1) < 1.0)",
        "burns = visible & ((look.base + added).max(axis=1) >= 0.5) & (look.base.max(axis=1) < 1.0)",
        "rig card: where a highlight burns out",
        _BURNS,
    ),
    Mutation(
        "previz/rig/highlight.py",
        "area = max(area, float(look.size_px[visible].sum()))",
        "area += float(look.size_px[visible].sum())",
        "rig card: how large a highlight is",
        _HIGHLIGHT,
    ),
    Mutation(
        "previz/rig/highlight.py",
        "        if best is None or size[k] > best[0]:\n            pair",
        "        if best is None:\n            pair",
        "rig card: a highlight's strongest frame",
        _HIGHLIGHT,
    ),
    Mutation(
        "previz/rig/highlight.py",
        "size = difference(places.sent[look.at], look.sheen)",
        "size = difference(look.base, look.sheen)",
        "rig card: sheen against the paint alone",
        (_NUMBERS + "test_sheen_of_a_frame_is_the_strongest",),
    ),
    Mutation(
        "previz/rig/gleam.py",
        "return np.asarray(colour.lab(np.clip(light, 0.0, 1.0)))",
        "return np.asarray(colour.lab(light))",
        "rig card: light beyond white makes no difference",
        (_NUMBERS + "test_light_beyond_white_makes_no_difference",),
    ),
    Mutation(
        "previz/rig/sighted.py",
        "/ np.maximum(distance, 1e-6) ** 2",
        "/ np.maximum(distance, 1e-6)",
        "rig card: light falls off with the square of the distance",
        ("tests/rig/test_numbers.py::test_light_of_a_lamp_past_cards_and_surfaces",),
    ),
    Mutation(
        "previz/rig/sighted.py",
        "            alive = alive[~behind_card(card, starts[alive], source)]",
        "            alive = alive[behind_card(card, starts[alive], source)]",
        "rig card: cards keep lamps off",
        _LIGHT,
    ),
    Mutation(
        "previz/rig/sighted.py",
        "(np.abs(met @ side) <= 0.5 * card.size[0])",
        "(np.abs(met @ side) <= card.size[0])",
        "rig card: how wide a flag is",
        (_NUMBERS + "test_a_card_stands_in_the_way_between_its_edges_only",),
    ),
    Mutation(
        "previz/rig/sighted.py",
        "half = 0.5 * np.array(card.size)",
        "half = np.array(card.size)",
        "rig card: a flag's corners",
        (_NUMBERS + "test_a_card_stands_in_the_way_between_its_edges_only",),
    ),
    Mutation(
        "previz/rig/sighted.py",
        "    return out / ways",
        "    return out / max(ways - 8, 1)",
        "rig card: share of a lamp that is mirrored",
        (_NUMBERS + "test_share_of_a_face_that_a_place_sees",),
    ),
)
