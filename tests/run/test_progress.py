"""Progress says how fast it goes and how long the rest will take."""

import pytest

from previz.run.progress import Pace, Progress


def told(total: int, first: int, done: int, seconds: float) -> str:
    times = iter([100.0, 100.0 + seconds])
    return Pace(total, first, lambda: next(times)).words(done)


@pytest.mark.parametrize(
    ("total", "first", "done", "seconds", "words"),
    [
        # rate = done / time, time left = rest / rate
        (1000, 0, 100, 10.0, "10 a second, 90 s left"),
        (100, 0, 50, 100.0, "2.0 s each, 1.7 min left"),
        (100, 0, 25, 10.0, "2.5 a second, 30 s left"),
        # an earlier run's do not count: 40 in 4 s
        (100, 50, 90, 4.0, "10 a second, 1.0 s left"),
        (100_000_000, 0, 1_000_000, 1000.0, "1000 a second, 28 h left"),
        (10, 0, 10, 2.0, "5.0 a second"),
        (10, 0, 0, 2.0, ""),
        (10, 4, 4, 2.0, ""),
    ],
)
def test_rate_and_time_left(total: int, first: int, done: int, seconds: float, words: str) -> None:
    assert told(total, first, done, seconds) == words


def test_without_a_terminal_the_last_line_has_the_rate(capfd: pytest.CaptureFixture[str]) -> None:
    with Progress() as progress:
        assert list(progress.over(iter("abc"), 3, "letters read")) == ["a", "b", "c"]
    said = capfd.readouterr().err
    assert said.startswith("letters read: 3, ")
    assert said.rstrip().endswith(" a second")


def test_quiet_says_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    with Progress(quiet=True) as progress:
        list(progress.over(iter("abc"), 3, "letters read"))
        progress.tally(10, "letters tried").at(10, "best: a")
    assert capfd.readouterr().err == ""


def test_a_tally_says_rate_and_time_left(capfd: pytest.CaptureFixture[str]) -> None:
    with Progress() as progress:
        tally = progress.tally(20, "letters tried", 5)
        tally.at(10, "best: a")
    said = capfd.readouterr().err
    assert said.startswith("letters tried: 10 of 20, best: a (")
    assert " a second, " in said
    assert said.rstrip().endswith(" left)")
