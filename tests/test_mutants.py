"""The mutants of ``tests/mutants.py`` still fit the code: each text stands there once, each test file is there."""

from __future__ import annotations

import pytest

from tests.mutants import MUTANTS, ROOT


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: f"{mutant.file}: {mutant.old.strip()[:50]}")
def test_a_mutant_changes_one_place(mutant):
    assert mutant.old != mutant.new
    assert (ROOT / mutant.file).read_text(encoding="utf-8").count(mutant.old) == 1
    assert all((ROOT / name.split("::")[0]).exists() for name in mutant.tests.split())


def test_there_are_enough_of_them():
    assert len(MUTANTS) == len(set(MUTANTS)) >= 60
