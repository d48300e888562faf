"""The lists of mutations are about the code as it is, and a mutation changes just the place it means."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.benchmarks.mutations import Mutation, rooms

ROOT = Path(__file__).parent.parent
SOURCE = "a = 1\nb = 1\n"
ONE = Mutation("x.py", "a = 1", "a = 2", "nothing", ())


def test_every_mutation_can_be_made() -> None:
    faults = []
    for mutations in rooms().values():
        for mutation in mutations:
            try:
                compile(mutation.applied((ROOT / mutation.file).read_text(encoding="utf-8")), mutation.file, "exec")
            except (ValueError, SyntaxError, FileNotFoundError) as error:
                faults.append(str(error))
            for name in mutation.tests:
                file, _, test = name.partition("::")
                if f"def {test.partition('[')[0]}(" not in (ROOT / file).read_text(encoding="utf-8"):
                    faults.append(f"{mutation.file}: there is no test {name}")
    assert faults == []


def test_a_mutation_changes_the_place_it_means() -> None:
    assert ONE.applied(SOURCE) == "a = 2\nb = 1\n"
    assert Mutation("x.py", "= 1", "= 2", "nothing", (), 2).applied(SOURCE) == "a = 1\nb = 2\n"


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (replace(ONE, found="c = 1"), "not found"),
        (replace(ONE, found="= 1"), "2 times, say which"),
        (replace(ONE, occurrence=2), "1 times, not 2"),
        (replace(ONE, replaced="a = 1"), "not changed"),
    ],
)
def test_a_list_that_does_not_fit_is_told(wrong: Mutation, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        wrong.applied(SOURCE)
