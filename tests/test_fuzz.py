"""A few of the copies of ``python -m tests.fuzz`` in every run of the suite: what must never be, isn't."""

from __future__ import annotations

from tests.fuzz import fuzz


def test_damaged_projects_give_answers_and_change_nothing_else():
    counts = fuzz(range(10_000, 10_040))
    never = ("tracebacks", "hangs", "inputs_changed", "values_changed")
    assert {name: counts[name] for name in never} == dict.fromkeys(never, 0)
    assert counts["holes_compared"] > 20
    assert counts["answered"] > 10
