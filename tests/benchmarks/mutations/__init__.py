"""Small changes to lines that decide a number users read, a file a room; tests must fail on nearly all of them.

``python -m tests.benchmarks.mutants`` makes each change in a throw-away copy and runs the tests named beside it. A room
is a file here with a tuple ``MUTATIONS``. An entry is a changed constant, sign, order or left-out step, as somebody
could make by mistake; none that only breaks the program.
"""

from __future__ import annotations

import pkgutil
from dataclasses import dataclass
from importlib import import_module


@dataclass(frozen=True)
class Mutation:
    """One change and the tests that are to notice it.

    ``file`` from the top of the repository; ``found`` the exact text that becomes ``replaced``: it must stand in the
    file once, or ``occurrence`` (from 1) says which of its places is meant. ``decides`` is the user's number that hangs
    on it. ``tests`` are pytest names, as few and quick as possible, of the file's own room. ``reason`` says why a
    change that no test can notice, or need notice, survives; it counts as survived all the same.
    """

    file: str
    found: str
    replaced: str
    decides: str
    tests: tuple[str, ...]
    occurrence: int | None = None
    reason: str = ""

    def applied(self, source: str) -> str:
        """``source`` with the change made. Raises ``ValueError`` where the text is not to be found as stated."""
        count = source.count(self.found)
        if count == 0:
            raise ValueError(f"{self.file}: {self.found!r} is not found")
        if self.occurrence is None and count > 1:
            raise ValueError(f"{self.file}: {self.found!r} is found {count} times, say which")
        which = self.occurrence or 1
        if which > count:
            raise ValueError(f"{self.file}: {self.found!r} is found {count} times, not {which}")
        if self.replaced == self.found:
            raise ValueError(f"{self.file}: {self.found!r} is not changed")
        at = -1
        for _ in range(which):
            at = source.index(self.found, at + 1)
        return source[:at] + self.replaced + source[at + len(self.found) :]


def rooms() -> dict[str, tuple[Mutation, ...]]:
    """The mutations of every room by its name."""
    names = sorted(module.name for module in pkgutil.iter_modules(__path__))
    return {name: tuple(import_module(f"{__name__}.{name}").MUTATIONS) for name in names}
