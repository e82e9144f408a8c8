"""Quality over time: control charts of what crews, tools and loggers do, and changes that are more than chance.

Limits are those of Shewhart: an honest process leaves them once in 370 points (0.00135 on either side). They are

* of means, centre ± 3 s / √n, where s is the pooled scatter within days (or, with one value a day, the mean moving
  range / 1.128: limits at ± 2.66 of it) [1] 6.3.2.1, 6.3.2.2;
* of shares (p chart) and of counts a run (u chart) [1] 6.3.3.1, 6.3.3.2, but at the binomial's and Poisson's own
  0.00135 and not ± 3 √(p (1 − p) / n): shares near 1 of a dozen runs would leave those far too often.

A change is named where it is more than chance after counting all looks that were taken: Holm's procedure at 5 % over
every measure, column, group, and date. Values of one hole are alike (its rock is), so a hole has an effect of its own::

    y = a + c · (in the group) + hole + rest          hole ~ N(0, ω²)

c follows by generalised least squares after the transform of Fuller and Battese. How a tool's line sits against
another's is in the offsets between successive runs: offset = b(this run) − b(the run above). Both runs' errors are in
it, each with the opposite sign in the next offset, so the σ of b is the one that holds under correlation of neighbours.

References
----------
[1] NIST/SEMATECH e-Handbook of Statistical Methods, chapter 6.3: univariate control charts. The same in Montgomery,
    Introduction to statistical quality control, chapters 6 and 7 (from memory).
Holm (1979), Scandinavian Journal of Statistics 6, 65-70. Fuller, Battese (1974), Journal of Econometrics 2, 67-78.
Newey, West (1987), Econometrica 55, 703-708. Grubbs (1948), J. Amer. Statistical Association 43, 243-264.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, stats

from desurvey import curvature
from desurvey.shown import shown

if TYPE_CHECKING:
    from desurvey.progress import Progress
    from desurvey.study import Study

__all__ = ["GROUPS", "Change", "Measure", "Quality", "chart", "changes_of", "holm", "quality", "relogged"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

GROUPS = ("tool", "crew", "shift", "barrel", "logger", "driller")
"""Columns of runs, surveys and structures by which they are looked at."""

PEOPLE = frozenset({"logger", "driller"})
"""Those that name persons: numbered unless names are asked for."""

TAIL = float(stats.norm.sf(3.0))
"""Chance of a point beyond a limit of three sigma, on either side: 0.00135."""

ALPHA = 0.05
"""Chance that anything at all is named where nothing has changed."""

FEWEST = 8
"""Values that a group, and each side of a date, must have to be compared."""

MOST_DATES = 60
"""Dates at which a change is looked for, spread over all."""

MOST_DAYS = 10
"""Points outside their limits that are told, the latest ones; the others stand in ``quality.csv``."""

FARTHEST_DEG = 30.0
"""Line offsets beyond this are blunders of their own and say nothing of a tool's small turn (common practice)."""

REPEAT_M = 0.5
"""Metres within which two survey stations are a repeat, and two rows one re-logged structure (a tenth of it)."""

Kind = Literal["value", "share", "rate", "offset"]


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Measure:
    """One thing that is looked at.

    Attributes
    ----------
    name, unit : str
        What it is, in words.
    kind : {"value", "share", "rate", "offset"}
        A number; whether (0 or 1); how many; a difference to the run above (whose groups stand in ``above_…``).
    rows : pandas.DataFrame
        hole_id, time (days; NaN where it isn't known), value, and the groups' columns.
    """

    name: str
    unit: str
    kind: Kind
    rows: pd.DataFrame

    @property
    def columns(self) -> list[str]:
        """Columns by which there are at least two groups."""
        return [name for name in GROUPS if name in self.rows and len({*self.rows[name]} - {""}) > 1]


class Change(NamedTuple):
    """A difference that is more than chance.

    Attributes
    ----------
    measure, by, group, than : str
        What differs, in which column and group, and from what.
    since : str
        Day from which it holds; empty for all the time.
    effect, sigma : float
        How much, with its σ, in the measure's unit.
    p : float
        Chance of so much without any change, all looks counted.
    said : str
        In a sentence.
    """

    measure: str
    by: str
    group: str
    than: str
    since: str
    effect: float
    sigma: float
    p: float
    said: str


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Quality:
    """How the work has gone.

    Attributes
    ----------
    measures : tuple of Measure
        What there was to look at.
    charts : pandas.DataFrame
        ``quality.csv``: measure, by (a column, or ``time``), group, time, n, value, low, centre, high, outside.
    changes : tuple of Change
        Those that are more than chance.
    looks : int
        Comparisons that were made; of those in time, each date counts.
    loggers : pandas.DataFrame
        What re-logged core says: logger, pairs, alpha_deg, alpha_low, alpha_high, beta_deg, beta_low, beta_high.
    left_out : int
        Line offsets that were left out as blunders.
    """

    measures: tuple[Measure, ...]
    charts: pd.DataFrame
    changes: tuple[Change, ...]
    looks: int
    loggers: pd.DataFrame
    left_out: int

    def in_words(self) -> str:
        """Return what is to be said, changes first."""
        if not self.measures:
            return "Nothing to look at: runs, surveys or structures have none of what quality is judged by."
        lines = [change.said for change in self.changes]
        if not lines:
            lines = ["No change or difference is more than chance."]
        lines.append(f"Looked {self.looks:,} times; {ALPHA:.0%} chance that anything is named where nothing is (Holm).")
        points = self.charts.dropna(subset=["value"])
        out = points[points["outside"]]
        lines.append(
            f"{len(out)} of {len(points)} points outside limits of three sigma; {2 * TAIL * len(points):.1f} are "
            "expected by chance."
        )
        days = out[out["by"] == "time"]
        for row in days.tail(MOST_DAYS).to_dict("records"):
            where = "above" if row["value"] > row["high"] else "below"
            lines.append(f"  {row['time']}: {row['measure']} {row['value']:.3g}, {where} its limits.")
        if len(days) > MOST_DAYS:
            lines.append(f"  … and {len(days) - MOST_DAYS} more before them.")
        if self.left_out:
            lines.append(f"{self.left_out} line offsets beyond {FARTHEST_DEG:.0f}° are blunders, and were left out.")
        return "\n".join(lines + self._offered())

    def _offered(self) -> list[str]:
        lines = []
        for row in self.loggers.to_dict("records"):
            lines.append(
                f"{row['logger'] or 'all loggers'}, {row['pairs']:.0f} re-logged pairs: "
                f"σ alpha {row['alpha_deg']:.1f}° ({row['alpha_low']:.1f} to {row['alpha_high']:.1f}), "
                f"σ beta {row['beta_deg']:.1f}° ({row['beta_low']:.1f} to {row['beta_high']:.1f})."
            )
        if len(self.loggers):
            whole = self.loggers.iloc[0]
            lines.append(
                f"For project.toml: [spread] alpha_deg = {whole['alpha_deg']:.1f}, beta_deg = {whole['beta_deg']:.1f}"
            )
        return lines


def quality(study: Study, *, named: bool = False, progress: Progress | None = None) -> Quality:
    """Look at how runs, surveys and logging have gone, by each group that the tables know, and in time.

    Parameters
    ----------
    study : Study
        Suspects are weighed where they can be: they are the blunders that are counted.
    named : bool
        Whether loggers and drillers are called by their names; otherwise they are numbered.
    """
    found = list(_measures(study, progress))
    measures = tuple(found if named else [_unnamed(one) for one in found])
    charts = [chart(one, by) for one in measures for by in ("time", *one.columns)]
    changes, looks = changes_of(measures)
    loggers = relogged(study.logged.structures)
    if not named and len(loggers):
        loggers["logger"] = _numbered(loggers["logger"], "logger")
    offsets = study.logged.runs["line_offset"].to_numpy(dtype=float)
    return Quality(
        measures=measures,
        charts=pd.concat([pd.DataFrame(columns=CHART), *charts], ignore_index=True),
        changes=tuple(changes),
        looks=looks,
        loggers=loggers,
        left_out=int((np.abs(_turn(offsets[np.isfinite(offsets)])) > FARTHEST_DEG).sum()),
    )


# ------------------------------------------------------------------------------------------------------------ measures


def _measures(study: Study, progress: Progress | None) -> Iterator[Measure]:
    """Return all that can be looked at, each with rows enough."""
    for one in (*_of_runs(study, progress), *_of_readings(study), *_of_surveys(study)):
        rows = one.rows[np.isfinite(one.rows["value"].to_numpy(dtype=float))]
        if len(rows) >= FEWEST:
            yield Measure(one.name, one.unit, one.kind, rows.reset_index(drop=True))


def _of_runs(study: Study, progress: Progress | None) -> Iterator[Measure]:
    runs = study.logged.runs
    if runs.empty:
        return
    base = _base(study, runs)
    length = (runs["depth_to"] - runs["depth_from"]).to_numpy(dtype=float)
    recovered = runs["recovered"].to_numpy(dtype=float) / np.where(length > 0.0, length, np.nan)
    yield Measure("recovery", "share of the run", "value", base.assign(value=recovered))
    lined = runs["line"].fillna("").to_numpy() != ""
    if lined.any() and not lined.all():
        yield Measure("runs with a line", "share", "share", base.assign(value=lined.astype(float)))
    chain = study.chain
    pair = np.flatnonzero(chain.fitted)
    if len(pair):
        rows = base.iloc[chain.row[pair]].reset_index(drop=True)
        above = base.iloc[chain.row[pair - 1]].reset_index(drop=True)
        good = chain.agrees[pair].astype(float)
        yield Measure("lines that agree with the run above", "share", "share", rows.assign(value=good))
        offset = np.where(np.abs(chain.offset[pair]) > FARTHEST_DEG, np.nan, chain.offset[pair])
        groups = {f"above_{name}": above[name] for name in GROUPS if name in above}
        rows = rows.assign(value=offset, follows=np.append(False, np.diff(pair) == 1), **groups)
        yield Measure("line offset", "°", "offset", rows)
    grade = pd.to_numeric(runs["grade"], errors="coerce").to_numpy(dtype=float)
    yield Measure("grade of the run", "as logged", "value", base.assign(value=grade))
    if study.can_be_judged:
        found = study.all_suspects(progress=progress)
        wrong = set(found.loc[found["scope"] == "run", ["hole_id", "depth_from"]].itertuples(index=False, name=None))
        each = [float(place in wrong) for place in zip(runs["hole_id"], runs["depth_from"], strict=True)]
        yield Measure("blunders", "a run", "rate", base.assign(value=each))


def _of_readings(study: Study) -> Iterator[Measure]:
    """Return how far betas of one kind in one run lie apart, of what [spread] expects: 1 without the rock's scatter."""
    table, run = study.logged.structures, study.logged.structure_run
    sigma = study.hole_spread.sigmas.beta_deg if not study.logged.unusable("collars", "surveys") else np.nan
    rows = _base(study, table).assign(run=run, kind=table["kind"], beta=table["beta"], alpha=table["alpha"])
    own = study.logged.runs
    own = own.iloc[np.maximum(run, 0)].reset_index(drop=True) if len(own) else own
    for name in GROUPS:
        if name in own and len(own) and name not in rows:
            rows[name] = np.where(run >= 0, own[name].fillna("").astype(str), "")
    rows = rows[(run >= 0) & table["beta"].notna().to_numpy()].sort_values(["run", "kind", "depth"])
    before = rows.groupby(["run", "kind"])[["beta", "alpha"]].shift()
    flat = np.cos(np.deg2rad(0.5 * (rows["alpha"] + before["alpha"])))
    apart = np.abs(_turn((rows["beta"] - before["beta"]).to_numpy(dtype=float))) * flat
    scaled = apart / (np.sqrt(2.0) * sigma * np.sqrt(2.0 / np.pi))
    yield Measure("beta scatter", "of what is expected", "value", rows.assign(value=scaled))


def _of_surveys(study: Study) -> Iterator[Measure]:
    surveys = study.logged.surveys
    if surveys.empty:
        return
    base = _base(study, surveys)
    for column, name, unit in (("field_nt", "magnetic field", "nT"), ("field_dip", "dip of the field", "°")):
        yield Measure(name, unit, "value", base.assign(value=surveys[column].to_numpy(dtype=float)))
    order = np.lexsort([surveys["depth"].to_numpy(dtype=float), surveys["hole_id"].to_numpy(dtype=np.str_)])
    one, other = order[:-1], order[1:]
    depth, hole = surveys["depth"].to_numpy(dtype=float), surveys["hole_id"].to_numpy(dtype=np.str_)
    same = (hole[one] == hole[other]) & (np.abs(depth[one] - depth[other]) <= REPEAT_M)
    one, other = one[same], other[same]
    along = curvature.tangent(*(np.deg2rad(surveys[name].to_numpy(dtype=float)) for name in ("azimuth", "dip")))
    apart = np.rad2deg(np.arccos(np.clip((along[one] * along[other]).sum(axis=1), -1.0, 1.0)))
    yield Measure("difference of repeated surveys", "°", "value", base.iloc[other].assign(value=apart))


def _base(study: Study, rows: pd.DataFrame) -> pd.DataFrame:
    """Return what every row has: hole, depth, time (its own, else its hole's) and groups."""
    collars = study.logged.collars.drop_duplicates("hole_id").set_index("hole_id")["date"]
    day = pd.to_datetime(rows["hole_id"].map(collars), errors="coerce").astype("datetime64[s]")
    for name in ("date", "time"):
        if name in rows:
            own = pd.to_datetime(rows[name].astype("string"), errors="coerce", format="ISO8601").astype("datetime64[s]")
            day = own.fillna(day)
            break
    seconds = day.to_numpy().astype("datetime64[s]").astype(np.int64)
    depth = rows["depth"] if "depth" in rows else rows["depth_from"]
    out = pd.DataFrame(
        {
            "hole_id": rows["hole_id"].to_numpy(),
            "depth": depth.to_numpy(dtype=float),
            "time": np.where(day.isna(), np.nan, seconds / 86_400.0),
        }
    )
    for name in GROUPS:
        if name in rows:
            out[name] = rows[name].fillna("").astype(str).to_numpy()
    return out


def _turn(degrees: Floats) -> Floats:
    return np.asarray((degrees + 180.0) % 360.0 - 180.0)


def _unnamed(measure: Measure) -> Measure:
    rows = measure.rows.copy()
    for name in PEOPLE:
        both = [column for column in (name, f"above_{name}") if column in rows]
        if both:
            words = sorted({*rows[both].to_numpy().ravel()} - {""})
            known = {word: f"{name} {number}" for number, word in enumerate(words, start=1)} | {"": ""}
            for column in both:
                rows[column] = rows[column].map(known)
    return Measure(measure.name, measure.unit, measure.kind, rows)


def _numbered(column: pd.Series, name: str) -> pd.Series:
    words = sorted({*column} - {""})
    return column.map({word: f"{name} {number}" for number, word in enumerate(words, start=1)} | {"": ""})


# -------------------------------------------------------------------------------------------------------------- charts

CHART = ["measure", "by", "group", "time", "n", "value", "low", "centre", "high", "outside"]


def chart(measure: Measure, by: str) -> pd.DataFrame:
    """Return the control chart of a measure by a column, or in time by the day: one row a point.

    Values whose day (or group) isn't known are left out. A number is charted beside the mean of its hole: rock differs
    from hole to hole, and isn't what is looked at.
    """
    rows = measure.rows.assign(day=np.floor(measure.rows["time"]))
    if measure.kind == "value":
        own = rows.groupby("hole_id")["value"].transform("mean")
        rows = rows.assign(value=rows["value"] - own + rows["value"].mean())
    column = "day" if by == "time" else by
    rows = rows[rows["day"].notna()] if by == "time" else rows[rows[by] != ""]
    groups = rows.groupby(column, sort=True)["value"]
    n, value = np.asarray(groups.size(), dtype=np.float64), groups.mean().to_numpy(dtype=float)
    if not len(n):
        return pd.DataFrame(columns=CHART)
    _, code = np.unique(rows[column].to_numpy(), return_inverse=True)
    centre, low, high = _limits(measure.kind, rows["value"].to_numpy(dtype=float), code, n)
    names = list(groups.groups)
    days = [_day(float(str(name))) for name in names] if by == "time" else [""] * len(names)
    return pd.DataFrame(
        {
            "measure": measure.name,
            "by": by,
            "group": [""] * len(names) if by == "time" else names,
            "time": days,
            "n": n.astype(int),
            "value": value,
            "low": low,
            "centre": centre,
            "high": high,
            "outside": (value < low - 1e-12) | (value > high + 1e-12),
        }
    )[CHART]


def _limits(kind: Kind, values: Floats, code: npt.NDArray[np.intp], n: Floats) -> tuple[float, Floats, Floats]:
    centre = float(values.mean())
    if kind == "share":
        return centre, (stats.binom.ppf(TAIL, n, centre)) / n, stats.binom.isf(TAIL, n, centre) / n
    if kind == "rate":
        return centre, stats.poisson.ppf(TAIL, n * centre) / n, stats.poisson.isf(TAIL, n * centre) / n
    mean = np.bincount(code, values) / np.bincount(code)
    within = len(values) - len(mean)
    if within > 0:
        scatter = float(np.sqrt(((values - mean[code]) ** 2).sum() / within))
    else:  # one value each: the moving range, whose mean is 1.128 sigma of two normal numbers
        scatter = float(np.abs(np.diff(mean)).mean() / 1.128) if len(mean) > 1 else np.nan
    return centre, centre - 3.0 * scatter / np.sqrt(n), centre + 3.0 * scatter / np.sqrt(n)


def _day(number: float) -> str:
    return str(np.datetime64(int(number), "D"))


# ------------------------------------------------------------------------------------------------------------- changes


class _Look(NamedTuple):
    """One comparison, with how many dates were tried for it."""

    measure: Measure
    by: str
    group: str
    than: str
    since: float
    effect: float
    sigma: float
    p: float
    dates: int


def changes_of(measures: tuple[Measure, ...]) -> tuple[list[Change], int]:
    """Return the differences and changes that are more than chance, the surest first, and how many looks there were."""
    looks = [look for one in measures for look in _looks(one)]
    p = holm(np.array([look.p for look in looks]))
    found = [
        Change(
            look.measure.name, look.by, look.group, look.than, "" if look.since != look.since else _day(look.since),
            look.effect, look.sigma, float(corrected), _words(look),
        )
        for look, corrected in zip(looks, p, strict=True)
        if corrected < ALPHA
    ]  # fmt: skip
    dated = {(one.measure, one.by, one.group) for one in found if one.since and one.measure == "line offset"}
    told = [one for one in found if one.since or (one.measure, one.by, one.group) not in dated]  # not its average too
    return sorted(told, key=lambda one: one.p), sum(look.dates for look in looks)


def holm(p: Floats) -> Floats:
    """Return p-values that count all of them being looked at, by Holm's procedure.

    >>> holm(np.array([0.01, 0.04, 0.03])).round(3).tolist()
    [0.03, 0.06, 0.06]
    """
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate((len(p) - np.arange(len(p))) * p[order]) if len(p) else p
    out = np.empty_like(p)
    out[order] = np.minimum(stepped, 1.0)
    return out


def _looks(measure: Measure) -> Iterator[_Look]:
    rows = measure.rows
    if measure.kind == "offset":
        for by in measure.columns:
            yield from _turned(measure, by)
        return
    yield from _in_time(measure, "", "", rows)
    for by in measure.columns:
        known = rows[rows[by] != ""]
        groups = sorted(known[by].unique())
        for group in groups[1:] if len(groups) == 2 else groups:
            own = (known[by] == group).to_numpy()
            if min(own.sum(), (~own).sum()) >= FEWEST:
                than = groups[0] if len(groups) == 2 else "the others"
                effect, sigma, p = _compared(known, own.astype(float)[:, None])
                sure = _exact(measure.kind, known, own, float(p[0]))
                yield _Look(measure, by, group, than, np.nan, float(effect[0]), float(sigma[0]), sure, 1)
        for group in groups:
            yield from _in_time(measure, by, group, known[known[by] == group])


def _dates(time: Floats) -> Floats:
    """Return the days from which a change may hold: enough values on both sides."""
    known = np.sort(np.floor(time[np.isfinite(time)]))
    if len(known) < 2 * FEWEST:
        return np.empty(0)
    days = np.unique(known)[1:]
    before = np.searchsorted(known, days)
    days = days[(before >= FEWEST) & (len(known) - before >= FEWEST)]
    return days if len(days) <= MOST_DATES else days[np.linspace(0, len(days) - 1, MOST_DATES).round().astype(int)]


def _in_time(measure: Measure, by: str, group: str, rows: pd.DataFrame) -> Iterator[_Look]:
    """Return the surest change of a group in time, as sure as it is after all dates that were tried."""
    known = rows[rows["time"].notna()]
    time = known["time"].to_numpy(dtype=float)
    dates = _dates(time)
    if len(dates):
        effect, sigma, p = _compared(known, (time[:, None] >= dates).astype(float))
        best = int(np.argmin(p))
        sure = _exact(measure.kind, known, time >= dates[best], float(p[best]))
        sure = min(sure * len(dates), 1.0)
        yield _Look(
            measure, by, group, "before", float(dates[best]), float(effect[best]), float(sigma[best]), sure, len(dates)
        )


def _compared(rows: pd.DataFrame, x: Floats) -> tuple[Floats, Floats, Floats]:
    """Return by how much the rows marked by each column of x differ, its σ, and the chance of so much by chance."""
    y = rows["value"].to_numpy(dtype=float)
    _, hole = np.unique(rows["hole_id"].to_numpy(dtype=np.str_), return_inverse=True)
    effect, sigma, dof = _with_holes(y, x, hole)
    with np.errstate(divide="ignore", invalid="ignore"):
        p = np.where(sigma > 0.0, 2.0 * stats.t.sf(np.abs(effect) / sigma, dof), 1.0)
    return effect, sigma, p


def _exact(kind: Kind, rows: pd.DataFrame, own: Bools, p: float) -> float:
    """Return the larger of p and what the exact test of few events says, holes left aside."""
    y = rows["value"].to_numpy(dtype=float)
    if kind == "share":
        table = np.array([[y[part].sum(), (1.0 - y[part]).sum()] for part in (own, ~own)]).round().astype(int)
        return max(p, float(stats.fisher_exact(table).pvalue))
    if kind == "rate" and y.sum():
        return max(p, float(stats.binomtest(int(y[own].sum()), int(y.sum()), float(own.mean())).pvalue))
    return p


def _with_holes(y: Floats, x: Floats, hole: npt.NDArray[np.intp]) -> tuple[Floats, Floats, Floats]:
    """Return the slope of y on each column of x with its σ and degrees of freedom, holes having effects of their own.

    How much holes differ is taken from y alone; a true difference makes that larger, and the answer more careful.
    """
    count = np.bincount(hole).astype(float)
    held = np.zeros((len(count), len(y)))
    held[hole, np.arange(len(y))] = 1.0 / count[hole]
    y_mean, x_mean = held @ y, held @ x
    free = len(y) - len(count)
    rest = float(((y - y_mean[hole]) ** 2).sum()) / free if free > 0 else float(y.var(ddof=1))
    between = float(count @ (y_mean - y.mean()) ** 2)
    spread = (between - (len(count) - 1) * rest) / max(len(y) - (count**2).sum() / len(y), 1e-9)
    omega = max(spread, 0.0) if len(count) > 1 and free > 0 else 0.0
    if not rest > 0.0:
        return np.zeros(x.shape[1]), np.zeros(x.shape[1]), np.ones(x.shape[1])
    theta = 1.0 - np.sqrt(rest / (rest + count * omega))
    one = 1.0 - theta[hole]
    y1, x1 = y - theta[hole] * y_mean[hole], x - (theta[:, None] * x_mean)[hole]
    y1, x1 = y1 - one * (one @ y1) / (one @ one), x1 - one[:, None] * (one @ x1) / (one @ one)
    weight = (x1**2).sum(axis=0)
    told = weight > 1e-9 * len(y)
    weight = np.where(told, weight, 1.0)
    slope = np.where(told, (y1 @ x1) / weight, 0.0)
    left = ((y1[:, None] - x1 * slope) ** 2).sum(axis=0) / max(len(y) - 2, 1)
    inside = ((x - x_mean[hole]) ** 2).sum(axis=0)
    share = np.minimum(inside / weight, 1.0)  # of what tells the slope, inside of holes
    dof = share * (free - 1) + (1.0 - share) * (len(count) - 2) if omega > 0.0 else np.full(len(slope), len(y) - 2.0)
    return slope, np.where(told, np.sqrt(left / weight), 0.0), np.maximum(dof, 1.0)


def _turned(measure: Measure, by: str) -> Iterator[_Look]:
    """Return how each group's line sits against that of the largest group, all the time and from some day on."""
    rows = measure.rows[(measure.rows[by] != "") & (measure.rows[f"above_{by}"] != "")]
    groups = rows[by].value_counts()
    first = str(groups.index[0]) if len(groups) else ""
    for group in sorted(set(groups.index) - {first}):
        both = rows[rows[by].isin([first, group]) & rows[f"above_{by}"].isin([first, group])]
        change = (both[by] == group).to_numpy(dtype=float) - (both[f"above_{by}"] == group).to_numpy(dtype=float)
        if (change != 0.0).sum() < FEWEST:
            continue
        y, time = both["value"].to_numpy(dtype=float), both["time"].to_numpy(dtype=float)
        follows = both["follows"].to_numpy(dtype=bool) & np.append(False, np.diff(both.index.to_numpy()) == 1)
        turn, error = (float(value[0]) for value in _of_neighbours(y, change[:, None], follows))
        free = float((change != 0.0).sum() - 1)
        p_whole = float(2 * stats.t.sf(abs(turn) / error, free))
        yield _Look(measure, by, str(group), first, np.nan, turn, error, p_whole, 1)
        dates = _dates(time[change != 0.0])
        if len(dates):
            late = (time[:, None] >= dates) & np.isfinite(time)[:, None]
            after, s_after = _of_neighbours(y, change[:, None] * late, follows)
            before, s_before = _of_neighbours(y, change[:, None] * ~late, follows)
            p = 2 * stats.t.sf(np.abs(after - before) / np.hypot(s_after, s_before), free - 1.0)
            best = int(np.argmin(p))
            sure = min(float(p[best]) * len(dates), 1.0)
            effect, sigma = float(after[best]), float(s_after[best])
            yield _Look(measure, by, str(group), first, float(dates[best]), effect, sigma, sure, len(dates))


def _of_neighbours(y: Floats, x: Floats, follows: Bools) -> tuple[Floats, Floats]:
    """Return the slope of y on each column of x through 0, and its σ where neighbours share an error."""
    weight = (x**2).sum(axis=0)
    slope = (y @ x) / weight
    moment = x * (y[:, None] - x * slope)
    told = np.maximum((x != 0.0).sum(axis=0), 2)
    plain = (moment**2).sum(axis=0)
    shared = plain + 2.0 * (moment[1:] * moment[:-1])[follows[1:]].sum(axis=0)
    return slope, np.sqrt(np.maximum(shared, plain) * told / (told - 1)) / weight


def _words(look: _Look) -> str:
    name, unit = look.measure.name, look.measure.unit
    who = f"{look.by} {look.group}" if look.by and not look.group.startswith(look.by) else look.group
    than = f"{look.by} {look.than}" if look.than not in {"the others", "before"} and look.by else look.than
    if look.than.startswith(look.by):
        than = look.than
    since = "" if look.since != look.since else f"Since {_day(look.since)} "
    size = f"{abs(look.effect):.3g} ± {look.sigma:.2g}"
    if look.measure.kind == "offset":
        side = "clockwise" if look.effect > 0.0 else "anticlockwise"
        return f"{since}{who} sits {abs(look.effect):.1f}° ± {look.sigma:.1f}° {side} of {than}."
    if look.measure.kind == "rate":
        name, unit, size = "blunders per 100 runs", "", f"{100 * abs(look.effect):.1f} ± {100 * look.sigma:.1f}"
    more = "more" if look.effect > 0.0 else "less"
    tail = f" {unit}" if unit and not unit.startswith(("share", "of ", "as ")) else ""
    if since:
        return f"{since}{name}{f' of {who}' if who else ''}: {size}{tail} {more} than before."
    return f"{name}: {who} has {size}{tail} {more} than {than}."


# ----------------------------------------------------------------------------------------------------- re-logged core

LOGGERS = ["logger", "pairs", "alpha_deg", "alpha_low", "alpha_high", "beta_deg", "beta_low", "beta_high"]

SAME_M = 0.05
"""Metres within which a row of the same kind is the same structure logged again, where names don't say so."""

SIDES_DEG = 60.0
"""Difference of beta beyond which the two loggers disagree about the side and not about the reading."""

STEEP_DEG = 80.0
"""Alpha above which an ellipse is nearly a circle, and beta says nothing."""


def relogged(structures: pd.DataFrame) -> pd.DataFrame:
    """Return what core that was logged twice says of the σ of alpha and beta: of all loggers, then of each.

    Two rows are one structure where hole and ``structure_id`` are the same, or hole and kind within 5 cm; ``logger``
    must be another. The difference of two readings has the variance σ₁² + σ₂²: one σ for all is its root mean square
    over √2, with the interval of χ². Of three loggers and more, each has its own σ (Grubbs), by least squares with none
    below 0, and intervals from 400 bootstrap samples; of two their difference can't tell which is the worse.
    """
    if "logger" not in structures or structures.empty:
        return pd.DataFrame(columns=LOGGERS)
    pairs = _pairs(structures)
    if len(pairs) < FEWEST:
        return pd.DataFrame(columns=LOGGERS)
    loggers = sorted({*pairs["one"], *pairs["other"]})
    whole: list[object] = ["", len(pairs), *_pooled(pairs["alpha"]), *_pooled(pairs["beta"])]
    rows: list[list[object]] = [whole]
    if len(loggers) > 2:
        alpha, beta = (_grubbs(pairs, name, loggers) for name in ("alpha", "beta"))
        for place, name in enumerate(loggers):
            count = int(((pairs["one"] == name) | (pairs["other"] == name)).sum())
            rows.append([name, count, *alpha[place], *beta[place]])
    return pd.DataFrame(rows, columns=LOGGERS)


def _pairs(structures: pd.DataFrame) -> pd.DataFrame:
    """Return the differences of readings of one structure by two loggers: one, other, alpha, beta (NaN: none)."""
    table = structures[(structures["logger"].fillna("") != "") & structures["alpha"].notna()]
    table = table.sort_values(["hole_id", "depth"], kind="stable").reset_index(drop=True)
    found = []
    for step in (1, 2, 3):  # neighbours by depth: a structure may be logged three or four times
        after = table.shift(-step)
        near = (after["depth"] - table["depth"]) <= SAME_M
        alike = near & (after["kind"] == table["kind"]) | (after["structure_id"] == table["structure_id"])
        same = (after["hole_id"] == table["hole_id"]) & alike & (after["logger"] != table["logger"])
        one, other = table[same], after[same]
        steep = np.maximum(*(part["alpha"].to_numpy(dtype=float) for part in (one, other))) > STEEP_DEG
        beta = _turn((other["beta"] - one["beta"]).to_numpy(dtype=float))
        beta = np.where(steep | (np.abs(beta) > SIDES_DEG), np.nan, beta)
        alpha = (other["alpha"] - one["alpha"]).to_numpy(dtype=float)
        found.append(
            pd.DataFrame({"one": one["logger"], "other": other["logger"].to_numpy(), "alpha": alpha, "beta": beta})
        )
    return pd.concat(found, ignore_index=True)


def _pooled(differences: pd.Series) -> tuple[float, float, float]:
    values = differences.dropna().to_numpy(dtype=float)
    if not len(values):
        return np.nan, np.nan, np.nan
    total = float((values**2).sum()) / 2.0
    low, high = (float(stats.chi2.ppf(q, len(values))) for q in (0.975, 0.025))
    return float(np.sqrt(total / len(values))), float(np.sqrt(total / low)), float(np.sqrt(total / high))


def _grubbs(pairs: pd.DataFrame, name: str, loggers: list[str]) -> list[tuple[float, float, float]]:
    """Return the σ of each logger with its interval."""
    known = pairs.dropna(subset=[name])
    places = {logger: place for place, logger in enumerate(loggers)}
    one, other = (known[column].map(places).to_numpy(dtype=int) for column in ("one", "other"))
    square = known[name].to_numpy(dtype=float) ** 2

    def solved(rows: npt.NDArray[np.intp]) -> Floats:
        design = np.zeros((len(rows), len(loggers)))
        design[np.arange(len(rows)), one[rows]] += 1.0
        design[np.arange(len(rows)), other[rows]] += 1.0
        return np.asarray(np.sqrt(optimize.nnls(design, square[rows])[0]))

    rng = np.random.default_rng(0)
    tried = np.array([solved(rng.integers(0, len(square), len(square))) for _ in range(400)])
    low, high = np.percentile(tried, [2.5, 97.5], axis=0)
    return list(zip(solved(np.arange(len(square))).tolist(), low.tolist(), high.tolist(), strict=True))
