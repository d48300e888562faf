"""The live bench: what is held, what is offered, what is kept, and the judge at rest."""

from tests.benchmarks.mutations import Mutation

SESSION = "tests/bench/test_session.py::test_"
FULL = "tests/bench/test_fulljudge.py::test_"

MUTATIONS = (
    Mutation(
        "previz/bench/session.py",
        "                aside[name] = before[name]\n",
        "                pass\n",
        "the hand's value where the file has another one",
        (SESSION + "where_file_and_hand_meet_both_values_are_offered_and_neither_is_lost",),
    ),
    Mutation(
        "previz/bench/session.py",
        "            self._undo.append(before)\n",
        "            pass\n",
        "undoing what an editor has taken the place of",
        (SESSION + "where_file_and_hand_meet_both_values_are_offered_and_neither_is_lost",),
    ),
    Mutation(
        "previz/bench/session.py",
        "turning, self._turning = self._turning, not still and self._turning",
        "turning = self._turning",
        "a gesture that ends where nothing can be",
        (SESSION + "a_gesture_that_ends_where_nothing_can_be_stays_where_it_was_last",),
    ),
    Mutation(
        "previz/bench/session.py",
        "        if left.text != now:\n            self.reread()",
        "        if left.text == now:\n            self.reread()",
        "a file changed while no bench ran",
        (SESSION + "a_file_changed_while_no_bench_ran_is_met_like_any_other_change",),
    ),
    Mutation(
        "previz/bench/knobs.py",
        '"length": "{} mm"',
        '"length": "{} m"',
        "the unit of a bare number",
        (SESSION + "a_bare_number_is_in_the_unit_that_is_shown",),
    ),
    Mutation(
        "previz/bench/store.py",
        "            if place not in wanted:",
        "            if place in wanted:",
        "pictures of the shelf on disk",
        (SESSION + "what_is_unwritten_and_the_shelf_are_taken_up_by_the_next_bench",),
    ),
    Mutation(
        "previz/bench/protocol.py",
        'stem.partition(".")[0].rstrip().lower() in _RESERVED',
        "stem.rstrip().lower() in _RESERVED",
        "names that a system keeps",
        (SESSION + "names_in_any_language_but_none_that_a_system_keeps",),
    ),
    Mutation(
        "previz/bench/fulljudge.py",
        "    yield from (frame for frame in frames if first <= frame <= last)\n",
        "    yield from (frame for frame in frames if first < frame <= last)\n",
        "the frames of the hold",
        (FULL + "from_the_station_outwards_and_those_of_the_hold_first",),
    ),
    Mutation(
        "previz/bench/fulljudge.py",
        "        ready = prepare(scene, None, cache, None, before)\n",
        "        ready = prepare(scene, 640, cache, None, before)\n",
        "how fine the set is that is judged at rest",
        (FULL + "the_same_numbers_and_tells_as_score",),
    ),
)
