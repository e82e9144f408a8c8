"""How right the predictions were: each window that was filed before its stretch of core was logged, and what came.

A prediction is a window of a state (:mod:`.states`) that lies below the deepest logged structure of its hole *in the
tables of that state*. So none can be made after the data that it predicts, whatever a clock says: who adds rows to a
table adds them to the content that the next state files.

Whether a pick is the fault that was predicted is the word of today's line-up, or of a person who pinned it. The
line-up leans towards picks near a window, so a share of windows that hold is not wholly independent of it; a window
that was passed without the fault but with an unassigned pick close by is therefore counted as ``absent`` *and* named.

References
----------
Wilson (1927), Journal of the American Statistical Association 22, 209-212: intervals of shares.
Conover (1999), Practical nonparametric statistics, 3rd ed., section 3.2: intervals of quantiles by ranks.
Brier (1950), Monthly Weather Review 78, 1-3: the score of stated probabilities.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from desurvey.campaign.results import Results, logged_to, results_of
from desurvey.campaign.states import KeptState, kept_results, states
from desurvey.problems import DataProblem
from desurvey.progress import followed, part, silent
from desurvey.shown import shown

if TYPE_CHECKING:
    from desurvey.progress import Progress
    from desurvey.study import Study

__all__ = ["COLUMNS", "OUTCOMES", "Score", "Share", "distinct", "judged", "predictions_of", "score", "share"]

Floats = npt.NDArray[np.float64]

COLUMNS = [
    "fault_id", "hole_id", "predicted_at", "expected_depth", "sigma", "depth_from", "depth_to", "chance", "met_depth",
    "outcome",
]  # fmt: skip
"""Of ``score.csv``."""

OUTCOMES = ("inside", "outside", "absent", "open")
"""Met in its 95 % window, met beside it, logged past the window without it, and not yet known."""

LEVEL = 0.95
"""Of the windows, and of all intervals here."""

SAME_M = 0.0005
"""Metres within which two predictions are one."""

NEAR_SIGMAS = 4.0
"""How close to a window's middle an unassigned pick makes an ``absent`` doubtful."""

CHANCE_BINS = (0.0, 0.25, 0.5, 0.75, 0.9, 1.0)

MEDIAN_OF_NORMAL = float(stats.norm.ppf(0.75))
"""Median of the size of a standard normal number, 0.6745."""


@shown
class Share(NamedTuple):
    """A share with its 95 % interval."""

    yes: int
    of: int
    low: float
    high: float

    def __str__(self) -> str:
        """Return it in words."""
        return f"{self.yes} of {self.of} ({self.low:.0%} to {self.high:.0%})" if self.of else "none yet"


def share(yes: int, of: int) -> Share:
    """Return a share with Wilson's interval, which holds at shares near 0 and 1 and for few trials too.

    >>> share(9, 10).low.__round__(3), share(9, 10).high.__round__(3)
    (0.596, 0.982)
    """
    if not of:
        return Share(0, 0, float("nan"), float("nan"))
    interval = stats.binomtest(yes, of).proportion_ci(LEVEL, method="wilson")
    return Share(yes, of, float(interval.low), float(interval.high))


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Score:
    """How right the predictions of a campaign were.

    Attributes
    ----------
    table : pandas.DataFrame
        ``score.csv``: every prediction that differs from the one before it of the same fault and hole.
    last : pandas.DataFrame
        The same, only the last one of each fault and hole before its stretch was logged: what is counted, for
        predictions of one meeting on successive days are no independent trials.
    corrected : tuple of str
        Meetings whose depth has been changed since they were first logged, in sentences.
    doubtful : tuple of str
        Windows counted as ``absent`` beside an unassigned pick, in sentences.
    states : int
        How many there were to look at.
    unread : tuple of str
        Names of states that are damaged, and so were left out.
    afterwards : int
        States kept without results, whose predictions were worked out of their own tables by this version.
    waviness_m : float
        Relief of faults as the line-up has it now, metres; NaN without faults.
    """

    table: pd.DataFrame
    last: pd.DataFrame
    corrected: tuple[str, ...]
    doubtful: tuple[str, ...]
    states: int
    unread: tuple[str, ...]
    afterwards: int
    waviness_m: float

    @property
    def coverage(self) -> Share:
        """Share of the meetings that lay in their 95 % window."""
        met = self.last["outcome"].isin(["inside", "outside"])
        return share(int((self.last["outcome"] == "inside").sum()), int(met.sum()))

    @property
    def widen(self) -> tuple[float, float, float]:
        """Factor by which errors exceed their σ, with its 95 % interval; NaN below six meetings.

        The median of |error| / σ over that of a normal number, which one wrong meeting doesn't move.
        """
        met = self.last[self.last["outcome"].isin(["inside", "outside"])]
        z = ((met["met_depth"] - met["expected_depth"]) / met["sigma"]).abs().to_numpy(dtype=float)
        middle, low, high = _median(z)
        return middle / MEDIAN_OF_NORMAL, low / MEDIAN_OF_NORMAL, high / MEDIAN_OF_NORMAL

    def calibration(self) -> pd.DataFrame:
        """Return how often faults were there by the chance stated: low, high, said, n, met and its interval."""
        known = self.last[self.last["outcome"] != "open"].dropna(subset=["chance"])
        met = (known["outcome"] != "absent").to_numpy()
        place = np.clip(np.digitize(known["chance"], CHANCE_BINS[1:-1]), 0, len(CHANCE_BINS) - 2)
        rows = []
        for number, (low, high) in enumerate(pairwise(CHANCE_BINS)):
            mine = place == number
            got = share(int(met[mine].sum()), int(mine.sum()))
            said = float(known["chance"].to_numpy()[mine].mean()) if mine.any() else np.nan
            rows.append((low, high, said, got.of, got.yes, got.low, got.high))
        return pd.DataFrame(rows, columns=["low", "high", "said", "n", "met", "met_low", "met_high"])

    @property
    def brier(self) -> float:
        """Mean square of stated chance less outcome: 0 is perfect, 0.25 a coin; NaN without any outcome."""
        known = self.last[self.last["outcome"] != "open"].dropna(subset=["chance"])
        return float(((known["chance"] - (known["outcome"] != "absent")) ** 2).mean()) if len(known) else float("nan")

    def by(self, what: str) -> pd.DataFrame:
        """Return counts and errors ``by("fault")`` or ``by("month")`` (of prediction).

        Returns
        -------
        pandas.DataFrame
            group, predictions, inside, outside, absent, open, coverage, coverage_low, coverage_high, median_error,
            median_low, median_high (metres, blank below six meetings).
        """
        group = self.last["fault_id"] if what == "fault" else self.last["predicted_at"].str[:7]
        rows = [self._row(str(name), part) for name, part in self.last.groupby(group.to_numpy())]
        return pd.DataFrame(rows, columns=BY_COLUMNS)

    @staticmethod
    def _row(name: str, rows: pd.DataFrame) -> tuple[object, ...]:
        counts = [int((rows["outcome"] == outcome).sum()) for outcome in OUTCOMES]
        got = share(counts[0], counts[0] + counts[1])
        error = (rows["met_depth"] - rows["expected_depth"]).abs().dropna().to_numpy(dtype=float)
        ratio = got.yes / got.of if got.of else np.nan
        return (name, len(rows), *counts, ratio, got.low, got.high, *_median(error))

    def in_words(self) -> str:
        """Return the score in sentences, what to set last."""
        counts = {outcome: int((self.last["outcome"] == outcome).sum()) for outcome in OUTCOMES}
        met = self.last[self.last["outcome"].isin(["inside", "outside"])]
        lines = [
            f"{_count(len(self.last), 'meeting')} of a fault and a hole predicted in {_count(self.states, 'state')}: "
            f"{counts['inside']} met inside the 95 % window, {counts['outside']} outside, "
            f"{counts['absent']} passed without the fault, {counts['open']} not yet known."
        ]
        if len(met):
            error = (met["met_depth"] - met["expected_depth"]).abs().to_numpy(dtype=float)
            middle, low, high = _median(error)
            said = f"Windows that held: {self.coverage}, of 95 % stated. Median error {middle:.1f} m"
            lines.append(said + (f" ({low:.1f} to {high:.1f} m)." if np.isfinite(low) else "."))
        for row in self.calibration().to_dict("records"):
            if row["n"]:
                got = share(int(row["met"]), int(row["n"]))
                stated = f"{row['low']:g} to {row['high']:g} (mean {row['said']:.2f})"
                lines.append(f"Stated chance {stated}: there in {got}.")
        lines += [words for what in ("fault", "month") for words in self._by_words(what)]
        lines += self._advice()
        lines += [*self.corrected, *self.doubtful]
        if not self.states:
            lines.append("No state is kept: begin with lowside keep, before the next hole is logged.")
        if self.afterwards:
            lines.append(
                f"{_count(self.afterwards, 'state')} had been kept without results: what they predict was worked out "
                "now, of their own tables alone."
            )
        lines += [f"The state {name} is damaged and was left out." for name in self.unread]
        return "\n".join(lines)

    def _by_words(self, what: str) -> list[str]:
        """Return how many windows held by fault or by month, where there are several and any was met."""
        table = self.by(what)
        known = table[table["inside"] + table["outside"] > 0].to_dict("records")
        if len(known) < 2:
            return []
        held = (f"{row['group']} {share(row['inside'], row['inside'] + row['outside'])}" for row in known)
        return [f"Held, by {what}: {'; '.join(held)}."]

    def _advice(self) -> list[str]:
        factor, low, high = self.widen
        if not np.isfinite(low):
            return ["Fewer than six meetings: whether σ is right can't be told yet."]
        said = f"Errors are {factor:.1f} times what σ says ({low:.1f} to {high:.1f})"
        if low > 1.0:
            wanted = self.waviness_m * factor
            return [
                f"{said}: σ is too small. Where surveys are trusted, set waviness_m = {wanted:.1f} and learn = false "
                "under [lineup]; where they aren't, raise the survey errors under [spread]."
            ]
        if high < 1.0:
            return [f"{said}: σ is larger than it need be; the windows are too wide."]
        return [f"{said}: nothing speaks against σ."]


BY_COLUMNS = [
    "group", "predictions", *OUTCOMES, "coverage", "coverage_low", "coverage_high", "median_error", "median_low",
    "median_high",
]  # fmt: skip


def score(study: Study, *, progress: Progress | None = None) -> Score:
    """Hold every prediction that was kept against what is logged now.

    Parameters
    ----------
    study : Study
        Of a folder; what is logged in it is taken for true.

    Raises
    ------
    DataProblem
        When results have to be worked out and can't.
    """
    tell = progress or silent
    kept = states(study.home)
    past = [one for one in kept.whole if not study.as_of or one.when <= study.as_of]
    now = results_of(study, progress=part(tell, 0.0, 0.3))
    filed, unread = [], list(kept.damaged)
    for state in followed(past, part(tell, 0.3, 1.0)):
        got = _needed(state)
        if got is None:
            unread.append(state.name)
        else:
            filed.append((state, got))
    before = [predictions_of(got, state.when) for state, got in filed]
    every = pd.concat([_nothing(), *(table for table in before if len(table))], ignore_index=True)
    judged_now = judged(every, now, logged_to(study.logged.structures))
    rows = distinct(judged_now)
    last = rows.groupby(["heir", "hole_id"], sort=False).tail(1).reset_index(drop=True)
    answers = study.lineup_or_none() if study.can_be_judged else None
    relief = answers.found.faults[0].sheet.habit.amplitude if answers and answers.found.faults else float("nan")
    tell(1.0)
    return Score(
        table=rows[COLUMNS],
        last=last[COLUMNS],
        corrected=_corrected(last, pd.concat([got.picks for _, got in filed] or [now.picks])),
        doubtful=_doubtful(last, now),
        states=len(past),
        unread=tuple(unread),
        afterwards=sum(state.results is None for state, _ in filed),
        waviness_m=float(relief),
    )


def _needed(state: KeptState) -> Results | None:
    """Return the windows and picks of a state; None where it is damaged."""
    try:
        return kept_results(state, only=("windows", "picks"))
    except DataProblem:
        return None


PREDICTED = ["fault_id", "hole_id", "predicted_at", *COLUMNS[3:8], "from_depth", "members"]
"""Of a table of predictions: ``from_depth`` is how deep the hole was logged, ``members`` the fault's picks then."""


def _nothing() -> pd.DataFrame:
    kinds = {"expected_depth": float, "sigma": float, "depth_from": float, "depth_to": float, "chance": float}
    return pd.DataFrame(columns=PREDICTED).astype({**kinds, "from_depth": float})


def predictions_of(results: Results, when: str) -> pd.DataFrame:
    """Return the windows of a state that lie below all that was logged in their hole."""
    windows = results.windows
    reached = windows["logged_to"].fillna(-np.inf)
    ahead = windows[(windows["status"] != "logged") & (reached < windows["depth_from"])]
    members = results.picks[results.picks["fault_id"] != ""].groupby("fault_id")["structure_id"].agg(frozenset)
    return ahead.assign(
        predicted_at=when,
        from_depth=reached[ahead.index],
        members=[members.get(name, frozenset()) for name in ahead["fault_id"]],
    )[PREDICTED].reset_index(drop=True)


def judged(predictions: pd.DataFrame, now: Results, reached: dict[str, float]) -> pd.DataFrame:
    """Return predictions with ``heir`` (the fault's name now, or what it was), ``met_depth``, ``met_pick``, outcome.

    Of several picks of the fault in the hole (one zone), the middle one is where it was met.

    Parameters
    ----------
    predictions : pandas.DataFrame
        :func:`predictions_of`.
    now : Results
        What is known now.
    reached : mapping of str to float
        How deep each hole is logged now.
    """
    heirs = _heirs(predictions, now)
    out = predictions.assign(heir=pd.Series(heirs, index=predictions.index, dtype=object))
    own = now.picks[now.picks["fault_id"] != ""].rename(columns={"fault_id": "heir", "depth": "met_depth"})
    out["number"] = np.arange(len(out))
    pairs = out[["number", "heir", "hole_id", "from_depth"]].merge(own, on=["heir", "hole_id"])
    pairs = pairs[pairs["met_depth"] > pairs["from_depth"]].sort_values(["number", "met_depth"])
    group = pairs.groupby("number")
    middle = pairs[group.cumcount() == (group["met_depth"].transform("size") - 1) // 2].set_index("number")
    out["met_depth"] = out["number"].map(middle["met_depth"]).astype(float)
    out["met_pick"] = out["number"].map(middle["structure_id"]).astype(object).fillna("")
    met = out["met_depth"].notna()
    inside = (out["met_depth"] >= out["depth_from"]) & (out["met_depth"] <= out["depth_to"])
    passed = out["hole_id"].map(reached).astype(float) >= out["depth_to"]
    out["outcome"] = np.select([met & inside, met, passed], OUTCOMES[:3], "open")
    return out.drop(columns="number")


def _heirs(predictions: pd.DataFrame, now: Results) -> list[str]:
    """Return what the fault of each prediction is called now: the one that has most of its picks."""
    fault_of = dict(zip(now.picks["structure_id"], now.picks["fault_id"], strict=True))
    known: dict[frozenset[str], str] = {}
    for members in set(predictions["members"]):
        names = [fault_of[one] for one in sorted(members) if fault_of.get(one)]
        known[members] = max(sorted(set(names)), key=names.count) if names else ""
    pairs = zip(predictions["members"], predictions["fault_id"], strict=True)
    return [known[members] or name for members, name in pairs]


def distinct(rows: pd.DataFrame) -> pd.DataFrame:
    """Return predictions without those that repeat the one before of the same fault and hole."""
    ordered = rows.sort_values(["heir", "hole_id", "predicted_at"], kind="stable").reset_index(drop=True)
    before = ordered.groupby(["heir", "hole_id"], sort=False)[["expected_depth", "sigma", "chance"]].shift()
    moved = ((ordered[["expected_depth", "sigma", "chance"]] - before).abs() > SAME_M).any(axis=1)
    first = before["expected_depth"].isna()
    return ordered[first | moved].reset_index(drop=True)


def _corrected(last: pd.DataFrame, past: pd.DataFrame) -> tuple[str, ...]:
    """Return the meetings whose depth is no longer what it was when they were first logged (``past``: in time)."""
    first = past.drop_duplicates("structure_id").set_index("structure_id")["depth"]
    met = last[last["met_pick"] != ""].assign(first=lambda rows: rows["met_pick"].map(first).astype(float))
    moved = met[(met["first"] - met["met_depth"]).abs() > SAME_M]
    return tuple(
        f"{row.fault_id} in {row.hole_id}: {row.met_pick} was logged at {row.first:.1f} m first, and stands at "
        f"{row.met_depth:.1f} m now; it was predicted at {row.expected_depth:.1f} ± {row.sigma:.1f} m."
        for row in moved.itertuples()
    )


def _doubtful(last: pd.DataFrame, now: Results) -> tuple[str, ...]:
    """Return windows passed without the fault, but with an unassigned pick close by."""
    loose = now.picks[now.picks["fault_id"] == ""]
    absent = last[last["outcome"] == "absent"]
    pairs = absent.merge(loose[["structure_id", "hole_id", "depth"]], on="hole_id")
    pairs["away"] = (pairs["depth"] - pairs["expected_depth"]).abs() / pairs["sigma"]
    near = pairs[pairs["away"] <= NEAR_SIGMAS]
    return tuple(
        f"{row.fault_id} counts as absent in {row.hole_id}, but {row.structure_id} at {row.depth:.1f} m, of no fault, "
        f"lies {row.away:.1f} σ from where it was predicted."
        for row in near.itertuples()
    )


def _median(values: Floats) -> tuple[float, float, float]:
    """Return the median with the interval that ranks give it, NaN below six values: none holds 95 % there."""
    values = np.sort(values[np.isfinite(values)])
    count = len(values)
    middle = float(np.median(values)) if count else float("nan")
    low = int(stats.binom.ppf((1.0 - LEVEL) / 2.0, count, 0.5)) if count else 0
    if count < FEWEST:
        return middle, float("nan"), float("nan")
    return middle, float(values[low - 1]), float(values[count - low])


FEWEST = 6
"""Values from which the least and the largest hold the median with 95 %: 1 − 2 · 0.5⁶ = 0.969."""


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
