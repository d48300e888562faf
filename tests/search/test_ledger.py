"""The ledger: what is found outlives a kill, comes out best first, and takes no memory."""

from __future__ import annotations

import itertools
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from previz.errors import OutputError
from previz.search.ledger import SearchLedger
from previz.search.objective import Outcome
from previz.search.trade import Trade

RUN = {"scene": "a", "version": "1"}


def outcome(hold: float, reveal: float = 70.0, **more: object) -> Outcome:
    given = {"hold": hold, "fine_frames": hold, "hold_frames": 3, "break_station_pct": 0.1, "break_mean_pct": 1.0}
    return Outcome(**(given | {"break_worst_pct": 2.0, "break_reveal_pct": reveal} | more))  # type: ignore[arg-type]


def values(number: int) -> dict[str, str]:
    return {"height": f"{number} mm", "tilt": "-8 deg"}


def test_what_was_added_is_found_again_to_the_last_bit(tmp_path: Path) -> None:
    path = tmp_path / "search.sqlite"
    found = outcome(0.1 + 0.2, 1 / 3)
    reason = Outcome(reason="does not fit: rail", fits=False, by=0.1)
    with SearchLedger(path, RUN, 0.6) as ledger:
        ledger.add(values(1), found)
        ledger.add(values(2), reason)
    with SearchLedger(path, RUN, 0.6) as ledger:
        assert ledger.outcome(dict(reversed(values(1).items()))) == found
        assert ledger.outcome(values(2)) == reason
        assert ledger.outcome(values(3)) is None


def test_only_what_this_run_asked_for_is_in_its_table_best_first(tmp_path: Path) -> None:
    path = tmp_path / "search.sqlite"
    with SearchLedger(path, RUN, 0.6) as ledger:
        for number, hold in enumerate([0.01, 0.03, 0.02]):
            ledger.add(values(number), outcome(hold, hold_frames=round(1e3 * hold)))
    with SearchLedger(path, RUN, 0.6) as ledger:
        assert ledger.best() is None
        for number in (0, 2, 0):
            known = ledger.outcome(values(number))
            assert known is not None
            ledger.ask(values(number), known)
        assert ledger.count == 2
        assert [row.values["height"] for row in ledger.best_first()] == ["2 mm", "0 mm"]
        assert [row.number for row in ledger.best_first()] == [1, 0]
        assert ledger.was_asked(values(2))
        assert not ledger.was_asked(values(1))
        best, first = ledger.best(), ledger.row(0)
        assert best is not None
        assert first is not None
        assert (best.number, first.values) == (1, values(0))
        assert ledger.row(2) is None


def test_another_run_begins_anew(tmp_path: Path) -> None:
    path = tmp_path / "search.sqlite"
    with SearchLedger(path, RUN, 0.6) as ledger:
        ledger.add(values(1), outcome(0.1))
    with SearchLedger(path, {**RUN, "scene": "b"}, 0.6) as ledger:
        assert ledger.outcome(values(1)) is None


@pytest.mark.parametrize("content", [b"", b"no data base", b"SQLite format 3\0" + b"\x07" * 4096])
def test_a_spoilt_file_begins_anew(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "search.sqlite"
    path.write_bytes(content)
    with SearchLedger(path, RUN, 0.6) as ledger:
        ledger.add(values(1), outcome(0.1))
        assert ledger.outcome(values(1)) == outcome(0.1)


def test_a_place_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"cannot use .*search\.sqlite.*--out"):
        SearchLedger(tmp_path / "none" / "search.sqlite", RUN, 0.6)


# by a clock of its own, on which a candidate takes 50 ms whatever the machine does besides
_KILLED = """
import os, sys, types
from pathlib import Path
from tests.search.test_ledger import RUN, outcome, values
from previz.search import ledger as module
now = 0.0
module.time = types.SimpleNamespace(monotonic=lambda: now)
ledger = module.SearchLedger(Path(sys.argv[1]), RUN, 0.6)
for number in range(int(sys.argv[2])):
    ledger.add(values(number), outcome(0.01 * number))
    now += 0.05
os._exit(9)
"""


def test_a_kill_loses_no_more_than_a_handful(tmp_path: Path) -> None:
    path = tmp_path / "search.sqlite"
    subprocess.run([sys.executable, "-c", _KILLED, str(path), "35"], check=False)
    with SearchLedger(path, RUN, 0.6) as ledger:
        kept = [number for number in range(35) if ledger.outcome(values(number)) is not None]
    assert kept == list(range(len(kept)))
    assert 20 <= len(kept) < 35, "all but the last half second"


_MANY = """
import resource, sys
from pathlib import Path
import numpy as np
from tests.search.test_ledger import RUN, outcome, values
from previz.search.ledger import SearchLedger
from previz.search.trade import Trade
rng = np.random.default_rng(2)
trade = Trade(0.5)
ledger = SearchLedger(Path(sys.argv[1]), RUN, 0.6)
for number in range(24_000):
    found = outcome(float(rng.random() * 0.5), float(rng.random() * 100.0))
    ledger.add(values(number), found)
    ledger.ask(values(number), found)
    if number in (3_999, 23_999):
        for row in ledger.best_first():
            trade.add(row)
        print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // (1024 if sys.platform == "darwin" else 1))
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="the system does not tell a process's highest use of memory")
def test_memory_does_not_grow_with_the_number_of_candidates(tmp_path: Path) -> None:
    """The highest use of memory (kB) after 24 000 candidates and a table of them all, against that after 4 000."""
    command = [sys.executable, "-c", _MANY, str(tmp_path / "search.sqlite")]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    few, many = map(int, done.stdout.split())
    # the dots of the plot fill their grid; a candidate kept in memory would take some 2 kB
    assert many - few < 15_000


def test_the_front_is_what_nothing_is_better_than(tmp_path: Path) -> None:
    """Against a comparison of every pair."""
    rng = np.random.default_rng(4)
    points = [(float(a), float(b)) for a, b in rng.integers(0, 12, (60, 2)) * [0.01, 8.0]]
    trade = Trade(0.1)
    with SearchLedger(tmp_path / "search.sqlite", RUN, 0.6) as ledger:
        for number, (hold, reveal) in enumerate(points):
            ledger.ask(values(number), outcome(hold, reveal))
            ledger.add(values(number), outcome(hold, reveal))
        for row in sorted(ledger.best_first(), key=lambda row: row.number):
            trade.add(row)
    best = {p for p in points if not any(q[0] >= p[0] and q[1] >= p[1] and q != p for q in points)}
    assert {(hold, reveal) for hold, reveal, _ in trade.front} == best
    assert len(trade.front) == len(best)
    assert all(a[0] > b[0] and a[1] < b[1] for a, b in itertools.pairwise(trade.front))
    assert set(trade.points()) <= set(points)


def test_the_file_is_the_same_whenever_its_results_were_made_safe(tmp_path: Path) -> None:
    """Safe after every candidate, in one go, and in two runs of which the first was stopped: the same bytes."""
    for name, stops, often in (("a", (), True), ("b", (), False), ("c", (7,), False)):
        path = tmp_path / f"{name}.sqlite"
        for stop in (*stops, 40):
            try:
                with SearchLedger(path, RUN, 0.6) as ledger:
                    for number in range(stop):
                        known = ledger.outcome(values(number))
                        if known is None:
                            known = outcome(0.001 * number)
                            ledger.add(values(number), known)
                        ledger.ask(values(number), known)
                        if often:
                            ledger.commit()
                    if stop in stops:
                        raise KeyboardInterrupt
            except KeyboardInterrupt:
                continue
    whole = (tmp_path / "a.sqlite").read_bytes()
    assert (tmp_path / "b.sqlite").read_bytes() == whole
    assert (tmp_path / "c.sqlite").read_bytes() == whole
    assert [path.name for path in sorted(tmp_path.iterdir())] == ["a.sqlite", "b.sqlite", "c.sqlite"]
