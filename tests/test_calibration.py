"""A quick part of the calibration: the worst kinds of worlds, one seed each (the whole: tests.benchmarks.calibration)."""

from __future__ import annotations

from collections import Counter

import pytest

from tests.benchmarks.calibration import lines, share, total
from tests.worlds import judging

KINDS = dict(judging.kinds())


@pytest.mark.parametrize("style", ["tight folds", "two sides of a fault"])
def test_nobody_is_accused_in_clean_ground_that_is_not_simple(style):
    """Wanted: at most 2 of 1,000 clean runs and no clean hole. Before, these accused up to 150 of 1,000."""
    count = total(KINDS[f"clean: {style}"], [0])
    assert count["clean runs"] > 800
    assert count["clean runs accused"] <= 2
    assert count["clean holes accused"] == 0


def test_blunders_are_found_in_folds_that_no_other_hole_foretells():
    count = total(KINDS["one in twenty wrong: folds of 80 m"], [1])
    assert count["findable"] > 10
    assert count["found"] >= 0.8 * count["findable"]
    assert count["accused, wrong"] >= 0.9 * count["accused"]


def test_shares_carry_intervals():
    """Wilson's interval of 1 in 10, from the formula: (p + z²/2n ± z √(p(1−p)/n + z²/4n²)) / (1 + z²/n), z = 1.96."""
    assert share(1, 10) == "1 of 10: 0.100 (0.018–0.404)"
    count = Counter({"a": 1, "b": 10, "all x": 4, "right x": 3, "stated x": 3.2})
    assert lines(count, {"name": ("a", "b")}) == [
        "  name: 1 of 10: 0.100 (0.018–0.404)",
        "  x: stated 0.800, right 3 of 4: 0.750 (0.301–0.954)",
    ]
