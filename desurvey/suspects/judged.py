"""What could be judged at all: every run, how sure it is, and whether a wrong line would have shown in it.

Silence about a run means little where nothing could have been said: one reading, a kind that points anywhere, a plane
square to the core, folds that no neighbour foretells. A whole campaign on the wrong side shows nowhere, for all that is
weighed is how readings agree with one another.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from desurvey import blunders
from desurvey.shown import shown
from desurvey.suspects.finding import Found
from desurvey.suspects.weighing import BLUNDERS

__all__ = ["RUN_COLUMNS", "Weighed", "runs_table", "said"]

RUN_COLUMNS = ("hole_id", "depth_from", "depth_to", "readings", "as_logged", "would_show", "worst")

SHOWS = 0.5
"""Chance of being found from which a wrong side is said to show."""

MANY_TURNS = 0.03
"""Share of runs where the rock turns unforeseen from which it is said."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """All that one weighing says.

    Attributes
    ----------
    suspects : pandas.DataFrame
        As :func:`desurvey.suspects.suspects` returns it.
    runs : pandas.DataFrame
        Every run of the project, in the order of its table; columns ``RUN_COLUMNS``:

        * readings: number of its readings that something is expected of;
        * as_logged: probability that it is as logged (blank where nothing is expected of any reading);
        * would_show: chance, 0 to 1, that its line on the wrong side would have been found;
        * worst: name of its likeliest blunder, however unlikely.
    said : tuple of str
        Sentences: how many runs could be judged, and what stood in the way.
    """

    suspects: pd.DataFrame
    runs: pd.DataFrame
    said: tuple[str, ...]


def runs_table(runs: pd.DataFrame, found: Found | None, row: np.ndarray) -> pd.DataFrame:
    """Return what is known of every run of a project (:class:`Weighed`).

    Parameters
    ----------
    runs : pandas.DataFrame
        ``project.runs``.
    found : Found or None
        None where nothing could be weighed.
    row : (r,) int array
        Row of that table of each run that was weighed.
    """
    out = runs[["hole_id", "depth_from", "depth_to"]].reset_index(drop=True)
    readings, logged = np.zeros(len(out), dtype=np.int64), np.full(len(out), np.nan)
    shows, worst = np.zeros(len(out)), np.full(len(out), "", dtype=object)
    if found is not None:
        weighed = found.expected.informed() & (found.readings.run >= 0)
        readings[row] = np.bincount(found.readings.run[weighed], minlength=len(row))
        known = readings[row] > 0
        logged[row] = np.where(known, found.verdict.probability[:, 0], np.nan)
        shows[row] = found.would_show
        names = np.array(BLUNDERS, dtype=object)
        worst[row] = np.where(known, names[found.verdict.probability[:, 1:].argmax(axis=1)], "")
    return out.assign(readings=readings, as_logged=logged, would_show=shows, worst=worst)


def said(runs: pd.DataFrame, found: Found | None) -> tuple[str, ...]:
    """Return sentences on what could be judged, for a table of :func:`runs_table`."""
    shows = int((runs["would_show"] >= SHOWS).sum())
    short = blunders.BLUNDERS["line_side"].short
    out = [
        f"Of {len(runs):,} runs {shows:,} would show {short}, {len(runs) - shows:,} can't be judged. All lines on the "
        "wrong side alike would not show: readings are only weighed against one another."
    ]
    if found is None:
        return tuple(out)
    if found.verdict.turn_rate >= MANY_TURNS:
        out.append(
            f"The rock turns unforeseen in about {100 * found.verdict.turn_rate:.0f} % of the runs (tight folds, short "
            "limbs or faults): a run that stands out is there more likely rock than blunder, and few can be accused."
        )
    read = np.unique(found.readings.hole)
    unforetold = int(np.count_nonzero(~found.holes.foretold[read]))
    if unforetold:
        out.append(
            f"{unforetold:,} of {len(read):,} holes with readings are not judged as wholes: the others don't foretell "
            "what they should meet."
        )
    return tuple(out)
