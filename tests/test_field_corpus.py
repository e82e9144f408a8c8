"""Folders from the field, adopted: what comes out equals the truth, or is refused with its cause.

The truth is the generator's (:mod:`tests.corpus.field`): the same tables before any habit. A person answers the three
conventions and accepts every repair that is offered.
"""

from __future__ import annotations

from collections import Counter

import pytest

from tests.corpus.field import FOLDERS, HABITS, judged

OPEN = "all_depths_in_feet"
"""What the tables can't tell: that all of them are in feet is a question with two answers, and no repair."""

SPOILT = {
    "a_hole_that_nobody_knows",
    "a_structure_below_the_hole",
    "azimuth_and_dip_exchanged_in_one_hole",
    "no_elevation",
}
"""What no line in project.toml can put right."""


def test_the_corpus_is_large_and_each_folder_has_several_habits():
    assert len(FOLDERS) >= 40
    assert all(len(folder.habits) >= 2 for folder in FOLDERS)
    assert {name for folder in FOLDERS for name in folder.habits} == set(HABITS)


@pytest.mark.parametrize("folder", FOLDERS, ids=str)
def test_a_folder_from_the_field_comes_out_right_or_is_refused(folder, tmp_path):
    outcome, seen = judged(folder, tmp_path)
    causes = [cause.sentence for cause in seen.repairs]
    assert outcome != "wrong silently", causes
    assert (outcome == "doubted") == (OPEN in folder.habits), (outcome, causes)
    cut = {"merged_cells", "structures_in_two_files"} <= set(folder.habits)  # the second file starts without a name
    assert outcome != "refused rightly" or cut or SPOILT & set(folder.habits), (outcome, causes)


def test_repairs_are_what_most_folders_need(tmp_path):
    places = [tmp_path / str(number) for number in range(12)]
    for place in places:
        place.mkdir()
    outcomes = Counter(judged(folder, place)[0] for folder, place in zip(FOLDERS[:12], places, strict=True))
    assert outcomes["right after repairs"] >= 4
