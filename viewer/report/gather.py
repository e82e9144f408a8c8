"""What a report says, gathered from a project and its results as plain tables and sentences."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from desurvey import sphere
from desurvey.exchange import facts
from desurvey.problems import Finding
from desurvey.project.causes import causes_of
from desurvey.reviews import reviewed_words
from desurvey.study import FEWEST_POLES, RULES, Answers, Study
from viewer import theme
from viewer.figures.drawing import grouped
from viewer.figures.sheet import Orientation
from viewer.report import wording
from viewer.report.thumbnails import fault_thumbnails
from viewer.theme import Paper

__all__ = ["Figure", "Grid", "Report", "Section", "gather"]

FAULT_COLUMNS = (
    "fault_id", "picks", "holes", "dip", "dip_direction", "dip_sigma", "easting", "northing", "elevation", "rms_m",
    "p_value", "shape", "probability",
)  # fmt: skip
PICK_COLUMNS = (
    "structure_id", "hole_id", "depth", "fault_id", "probability", "left_out_depth", "left_out_sigma", "runner_up",
)  # fmt: skip
"""Columns of the line-up's tables that are printed."""

MOST_ROWS = 200
"""Rows of a table on paper; the rest is counted."""
MOST_COLUMNS = 9
"""Columns of a table in letters of the usual size."""
SHORT = 18
"""Letters of a cell that stays on one line."""


@dataclass(frozen=True, slots=True)
class Grid:
    """A table as text.

    Attributes
    ----------
    headings : tuple of str
    rows : tuple of tuples of str
    numeric : tuple of bool
        Which columns stand to the right.
    short : tuple of bool
        Which columns are so narrow that their cells need not be broken.
    left_out : int
        Rows that are not shown.
    """

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]
    short: tuple[bool, ...]
    left_out: int = 0

    @property
    def wide(self) -> bool:
        """Whether it has so many columns that its letters must be small: wider than a page, it would shrink sheets."""
        return len(self.headings) > MOST_COLUMNS


@dataclass(frozen=True, slots=True)
class Figure:
    """A sheet: what it shows, its scale as its title block says it, the drawing as an SVG element, and its paper."""

    caption: str
    scale: str
    markup: str
    paper: Paper
    orientation: Orientation

    @property
    def page(self) -> str:
        """Name of the pages in the style sheet that this one is printed on."""
        return f"{self.paper}-{self.orientation}"


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the report: sentences first, then tables."""

    name: str
    title: str
    sentences: tuple[str, ...] = ()
    grids: tuple[tuple[str, Grid], ...] = ()
    pictures: tuple[tuple[str, str], ...] = ()
    """Names and SVG elements of small drawings."""


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report."""

    project: str
    date: str
    version: str
    sections: tuple[Section, ...]
    appendices: tuple[Section, ...]
    sheets: tuple[Figure, ...]
    data_date: str = ""
    scene_html: str = ""


def gather(study: Study, answers: Answers | None) -> tuple[tuple[Section, ...], tuple[Section, ...]]:
    """Return the answers and the appendices of a report, in order; no answers: there is nothing to line up."""
    return (
        (
            _summary(study),
            _faults(study, answers),
            _suspects(study),
            _windows(study, answers),
            _aims(study, answers),
            _unknown(study, answers),
            _decided(study),
            _findings(study),
        ),
        (
            _sources(study),
            _surveys(study),
            _orientations(study),
            _sets(study),
            _lineup(study, answers),
            _all_suspects(study),
            _asked(study),
            _reproducing(study),
        ),
    )


def data_date(study: Study) -> str:
    """Return the last date in the collars table, ISO 8601; empty where it has none."""
    dates = pd.to_datetime(study.project.collars["date"], errors="coerce").dropna()
    return "" if dates.empty else str(dates.max().date())


def grid(frame: pd.DataFrame, decimals: dict[str, int] | None = None, most: int = MOST_ROWS) -> Grid:
    """Return a table as text: numbers with the given decimals (2 unless said), blanks for what is missing."""
    decimals = decimals or {}
    numeric = tuple(frame[name].dtype.kind in "iuf" for name in frame.columns)
    columns = [_texts(frame[name].head(most), decimals.get(str(name), 2)) for name in frame.columns]
    headings = tuple(theme.heading(str(name)) for name in frame.columns)
    short = tuple(all(len(cell) <= SHORT for cell in column) for column in columns)
    return Grid(headings, tuple(zip(*columns, strict=True)), numeric, short, max(len(frame) - most, 0))


def _texts(column: pd.Series, decimals: int) -> list[str]:
    if column.dtype.kind == "f":
        return ["" if np.isnan(value) else f"{value:.{decimals}f}" for value in column.tolist()]
    if column.dtype.kind == "M":
        column = column.dt.strftime("%Y-%m-%d")
    return ["" if pd.isna(value) else str(value) for value in column.astype(object).tolist()]


# ------------------------------------------------------------------------------------------------------------ sections


def _summary(study: Study) -> Section:
    traces, structures = study.holes, study.structures
    planned = study.project.planned(traces.hole_ids)
    drilled = float(traces.end[~planned].sum())
    lines = [
        f"{study.basis}. {study.marks + '.' if study.marks else ''}".strip(),
        f"{wording.count(int((~planned).sum()), 'hole')} drilled, {grouped(round(drilled))} m in all"
        + f"; {wording.count(int(planned.sum()), 'hole')} planned.",
        f"{wording.count(len(structures.table), 'structure')} logged, "
        f"of which {int(structures.usable.sum())} have a true orientation.",
        wording.findings_sentence(study.findings),
    ]
    return Section("summary", "What was drilled", tuple(lines))


def _faults_sentence(study: Study, answers: Answers | None) -> str:
    return study.without_picks("fault") if answers is None else wording.faults_sentence(answers.faults)


def _sources(study: Study) -> Section:
    project = study.project
    rows = []
    for table, file in project.files.items():
        frame = getattr(project, table, None)
        frame = project.intervals.get(table) if frame is None else frame
        named = table in project.settings.tables or table in project.settings.intervals
        rows.append((table, file if named else "none given", 0 if frame is None else len(frame)))
    frame = pd.DataFrame(rows, columns=["table", "file", "rows"])
    return Section(
        "sources",
        "What was read, and under which conventions",
        tuple(wording.conventions(project, facts.convention(project))),
        (("Tables", grid(frame)),),
    )


def _faults(study: Study, answers: Answers | None) -> Section:
    title = "Faults"
    if answers is None:
        return Section("faults", title, (_faults_sentence(study, answers),))
    pictures = tuple(fault_thumbnails(study, answers).items())
    return Section("faults", title, tuple(wording.fault_sentences(answers.faults, answers.picks)), pictures=pictures)


def _findings(study: Study) -> Section:
    """Tell findings one line a cause; each of them stands in the workbook."""
    found = study.standing(study.findings)
    sentences = [wording.findings_sentence(study.findings)]
    if len(study.explained):
        sentences.append(f"{wording.count(len(study.explained), 'finding')} answered, and not listed here.")
    frame = findings_by_cause(study)
    grids = (("", grid(frame)),) if found else ()
    return Section("findings", "Findings of the checks, one line a cause", tuple(sentences), grids)


def findings_by_cause(study: Study) -> pd.DataFrame:
    """Return the findings that nobody has answered, a row a cause: severity, how many, what, where, what to do."""
    causes, left = causes_of(study.project, study.standing(study.findings))
    rows = [(_worst(one.findings), len(one.findings), one.sentence, _where(one.findings), one.advice) for one in causes]
    by_rule: dict[tuple[str, str], list[Finding]] = {}
    for one in left:
        by_rule.setdefault((one.rule, one.severity), []).append(one)
    said = {rule.id: rule.reason for rule in RULES}
    for (rule, severity), own in by_rule.items():
        what = own[0].message + (f" (first of {len(own)}; {said.get(rule, rule)})" if len(own) > 1 else "")
        rows.append((severity, len(own), what, _where(own), own[0].suggestion))
    rows.sort(key=lambda row: (SEVERITIES.index(row[0]), -row[1]))
    return pd.DataFrame(rows, columns=["severity", "findings", "what", "where", "what to do"])


SEVERITIES = ("error", "warning", "note")
NAMED = 6
"""Holes, suspects or windows that are named on the first pages; the rest is counted."""


def _worst(findings: Sequence[Finding]) -> str:
    return min((one.severity for one in findings), key=SEVERITIES.index)


def _where(findings: Sequence[Finding]) -> str:
    holes = list(dict.fromkeys(one.hole_id for one in findings if one.hole_id))
    tables = ", ".join(dict.fromkeys(one.table for one in findings))
    more = f" and {len(holes) - NAMED} holes more" if len(holes) > NAMED else ""
    return f"{tables}: {', '.join(holes[:NAMED])}{more}" if holes else tables


def _first(sentences: Iterable[str], where: str) -> tuple[str, ...]:
    """Return the first of some sentences, and how many more there are."""
    told = list(sentences)
    more = len(told) - NAMED
    return (*told[:NAMED], f"… and {more} more: {where}.") if more > 0 else tuple(told)


def _suspects(study: Study) -> Section:
    suspects = study.suspects()
    told = _first((str(message) for message in suspects["message"]), "appendix, All suspects")
    title = "Readings and runs that are better explained by a blunder"
    return Section("suspects", title, (wording.suspects_sentence(suspects), *told))


def _all_suspects(study: Study) -> Section:
    suspects = study.suspects()
    frame = pd.DataFrame({"what": suspects["message"], "key": suspects["key"]})
    grids = (("", grid(frame)),) if len(frame) else ()
    return Section("all-suspects", "All suspects", (wording.suspects_sentence(suspects),), grids)


def _unknown(study: Study, answers: Answers | None) -> Section:
    """Say what the answers leave open."""
    structures = study.structures
    why = pd.Series(structures.why_not[~structures.usable]).value_counts()
    blind = study.blind()["blind"]
    sentences = [
        *(
            f"{wording.count(int(number), 'structure')} without an orientation: {reason}."
            for reason, number in why.items()
        ),
        f"The drilled holes are blind to {float(blind.iloc[0]):.0%} of all plane orientations: planes at less than "
        f"{sphere.TERZAGHI_CAP_DEG:g}° to every hole.",
        *([f"{study.marks}."] if study.marks else []),
        *reviewed_words(study.reviews, len(study.holes.hole_ids)),
    ]
    lost = len(study.project.collars) - len(study.holes.hole_ids)
    sentences += [f"{wording.count(lost, 'hole')} can't be placed."] if lost else []
    if answers is not None and len(answers.picks):
        alone = int((answers.picks["fault_id"].fillna("").astype(str) == "").sum())
        sentences.append(
            f"{wording.count(alone, 'fault pick')} of {len(answers.picks)} belong to no fault of several holes."
        )
    return Section("unknown", "What isn't known", tuple(sentences))


def _decided(study: Study) -> Section:
    frame = decisions_table(study)
    said = f"{study.basis}."
    return Section("decided", "Decided, and by whom", (said,), (("", grid(frame)),) if len(frame) else ())


def decisions_table(study: Study) -> pd.DataFrame:
    """Return everything that people have decided about the project: what, the answer, who, when and why."""
    rows = [
        (
            f"{one.what} {one.key}",
            f"{one.answer.replace('_', ' ')} {one.fault}".strip(),
            one.who,
            one.when[:16],
            one.why,
        )
        for one in study.decisions.made
    ]
    rows += [
        (f"finding {one.key}", "explained", one.owner, one.when[:16], one.reason) for one in study.decisions.explained
    ]
    return pd.DataFrame(rows, columns=["about", "answer", "who", "when", "why"])


def _asked(study: Study) -> Section:
    """Put the project's own numbers beside what public reporting asks of drill-hole data, and judge nothing."""
    holes = drill_holes(study)
    frame = pd.DataFrame(
        wording.asked_of_drilling(study), columns=["criterion", "what this project holds", "judgement"]
    )
    decimals = {"azimuth": 1, "dip": 1, "length (m)": 1}
    said = (
        "Criteria as named in the JORC Code (2012), Table 1 (from memory; other codes ask alike). The middle column is "
        "what the tables hold; the last one is the competent person's to fill in. Nothing here states compliance."
    )
    return Section(
        "asked", "What public reporting asks of drill-hole data", (said,),
        (("", grid(frame)), ("Drill hole information", grid(holes, decimals, most=10_000))),
    )  # fmt: skip


def drill_holes(study: Study) -> pd.DataFrame:
    """Return each hole with its collar, its direction there (dip negative down, from grid north) and its length."""
    traces, collars = study.holes, study.project.collars.set_index("hole_id")
    top = study.traces_table().groupby("hole_id", sort=False).first().reindex(traces.hole_ids)
    return pd.DataFrame(
        {
            "hole_id": traces.hole_ids,
            "status": collars["status"].reindex(traces.hole_ids).to_numpy(),
            **{name: top[name].to_numpy() for name in ("easting", "northing", "elevation", "azimuth", "dip")},
            "length (m)": traces.end,
        }
    )


def _surveys(study: Study) -> Section:
    project, traces, table = study.project, study.holes, study.traces_table()
    worst = table.groupby("hole_id", sort=False)["dogleg_30m"].max()
    last = table.groupby("hole_id", sort=False).last()
    frame = pd.DataFrame(
        {
            "hole_id": last.index,
            "length (m)": traces.end,
            "surveyed to (m)": traces.surveyed,
            "stations": project.surveys.groupby("hole_id").size().reindex(last.index).fillna(0).to_numpy(dtype=int),
            "worst dogleg (°/30 m)": worst.reindex(last.index).to_numpy(),
            "σ east at the end (m)": last["sigma_e"].to_numpy(),
            "σ north (m)": last["sigma_n"].to_numpy(),
            "σ up (m)": last["sigma_u"].to_numpy(),
        }
    )
    sentence = "σ is the standard deviation of the position of the end of the hole, from the errors listed at the end."
    return Section("surveys", "Holes, surveys and their uncertainty", (sentence,), (("", grid(frame, most=10_000)),))


def _orientations(study: Study) -> Section:
    structures, sigma = study.structures, study.spread.pole_sigma_deg
    kind = structures.table["kind"].fillna("").astype(str)
    frame = pd.DataFrame({"kind": kind, "oriented": structures.usable, "median σ of the pole (°)": sigma})
    grouped = frame.groupby("kind")
    counted = pd.DataFrame(
        {
            "kind": grouped.size().index,
            "logged": grouped.size().to_numpy(),
            "oriented": grouped["oriented"].sum().to_numpy(dtype=int),
            "median σ of the pole (°)": grouped["median σ of the pole (°)"].median().to_numpy(),
        }
    )
    why = pd.Series(structures.why_not[~structures.usable]).value_counts()
    reasons = pd.DataFrame(
        {"why there is no orientation": why.index.astype(str), "structures": why.to_numpy(dtype=int)}
    )
    grids = [("By kind", grid(counted, {"median σ of the pole (°)": 1}))]
    grids += [("Not oriented", grid(reasons))] if len(reasons) else []
    return Section("orientations", "True orientations", (), tuple(grids))


def _sets(study: Study) -> Section:
    table = study.sets_table()
    frame = pd.DataFrame(
        {
            **{name: table[name] for name in ("kind", "set", "dip", "dip_direction", "n", "kappa")},
            "mean ± (°, 95 %)": table["cone_95"],
            "planes a metre": table["frequency"],
            "spacing (m)": table["spacing"],
            "from (m, 95 %)": table["spacing_low"],
            "to (m)": table["spacing_high"],
        }
    )
    decimals = dict.fromkeys(["dip", "dip_direction", "kappa"], 0)
    decimals |= dict.fromkeys(["mean ± (°, 95 %)", "spacing (m)", "from (m, 95 %)", "to (m)"], 1)
    said = (
        f"Sets are found in each kind with at least {FEWEST_POLES} poles by a mixture of axial distributions, their "
        "number by an information criterion.",
        "Means and frequencies are weighted against the bias of the holes (Terzaghi 1965). Planes a metre and "
        "spacing are along the mean pole, as if holes ran square to the set; the interval is wide where core runs "
        "along it.",
    )
    grids = (("", grid(frame, decimals | {"planes a metre": 3})),) if len(frame) else ()
    return Section("sets", "Sets", said, grids)


def _lineup(study: Study, answers: Answers | None) -> Section:
    title = "Faults and their picks"
    if answers is None:
        return Section("lineup", title, (_faults_sentence(study, answers),))
    if answers.faults.empty:
        return Section("lineup", title, (_faults_sentence(study, answers),))
    faults, picks = answers.faults, answers.picks
    places = {"dip": 1, "dip_direction": 1, "dip_sigma": 1, "p_value": 3}
    shown = faults[[name for name in FAULT_COLUMNS if name in faults.columns]]
    grids = [("Faults", grid(shown, places))]
    chosen = picks[[name for name in PICK_COLUMNS if name in picks.columns]]
    places |= {"alpha": 0, "beta": 0, "pole_sigma": 1, "left_out_depth": 1, "left_out_sigma": 1}
    if len(chosen):
        read = with_readings(study, chosen[["structure_id", "hole_id", "depth"]])
        grids += [
            ("Picks, and how sure each is", grid(chosen, places)),
            ("Picks, as logged and as they lie", grid(read, places)),
        ]
    said = "Each fault's centroid, and each pick as logged, where it lies, how it dips, and where the others put it."
    return Section("lineup", title, (said,), tuple(grids))


def with_readings(study: Study, picks: pd.DataFrame) -> pd.DataFrame:
    """Return picks with what was logged of them, their place and their true orientation."""
    names = ["alpha", "beta", "easting", "northing", "elevation", "dip", "dip_direction", "pole_sigma"]
    own = study.oriented_table().drop_duplicates("structure_id").set_index("structure_id")[names]
    return picks.join(own, on="structure_id")


def _windows(study: Study, answers: Answers | None) -> Section:
    title = "Windows to log again"
    if answers is None:
        return Section("windows", title, (_faults_sentence(study, answers),))
    windows = answers.windows
    open_ones = windows[windows["status"] == "not_logged"]
    return Section("windows", title, _first(wording.window_sentences(open_ones), "workbook, sheet windows"))


def _aims(study: Study, answers: Answers | None) -> Section:
    project = study.project
    planned = project.collars[project.collars["status"] == "planned"]["hole_id"].astype(str).tolist()
    title = "Planned holes"
    if not planned:
        return Section("aims", title, ("No hole is planned.",))
    if answers is None:
        return Section("aims", title, (f"Planned: {', '.join(planned)}.", _faults_sentence(study, answers)))
    windows = answers.windows
    own = windows[windows["hole_id"].isin(planned) & (windows["status"] == "planned")]
    return Section("aims", title, tuple(wording.aim_sentences(own, planned)))


def _reproducing(study: Study) -> Section:
    return Section(
        "reproducing",
        "To reproduce this report",
        (),
        (
            ("Input", grid(facts.inputs(study.project))),
            ("Versions", grid(facts.versions())),
            ("Commands", grid(pd.DataFrame({"what was run": [f"lowside report {study.home.name} --out report.html"]}))),
            ("Errors assumed (1 σ)", grid(facts.assumed(study.hole_spread.sigmas))),
        ),
    )
