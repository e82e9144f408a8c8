"""What a report says, gathered from a project and its results as plain tables and sentences."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from desurvey.exchange import facts
from desurvey.problems import Finding
from desurvey.reviews import reviewed_words
from desurvey.study import FEWEST_POLES, Answers, Study
from viewer import theme
from viewer.figures.drawing import grouped
from viewer.figures.sheet import Orientation
from viewer.report import wording
from viewer.theme import Paper

__all__ = ["Figure", "Grid", "Report", "Section", "gather"]

FAULT_COLUMNS = ("fault_id", "picks", "holes", "dip", "dip_direction", "dip_sigma", "rms_m", "p_value", "shape")
PICK_COLUMNS = (
    "structure_id", "hole_id", "depth", "fault_id", "probability", "left_out_depth", "left_out_sigma", "runner_up",
)  # fmt: skip
"""Columns of the line-up's tables that are printed."""

MOST_ROWS = 200
"""Rows of a table on paper; the rest is counted."""
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


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report."""

    project: str
    date: str
    version: str
    sections: tuple[Section, ...]
    sheets: tuple[Figure, ...]
    scene_html: str = ""


def gather(study: Study, answers: Answers | None) -> tuple[Section, ...]:
    """Return the sections of a report without its drawings, in order; no answers: there is nothing to line up."""
    return (
        _summary(study, answers),
        _sources(study),
        _findings(study.findings),
        _suspects(study),
        _surveys(study),
        _orientations(study),
        _sets(study),
        _lineup(study, answers),
        _windows(study, answers),
        _aims(study, answers),
        _reproducing(study),
    )


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


def _summary(study: Study, answers: Answers | None) -> Section:
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
        wording.suspects_sentence(study.suspects()),
        _faults_sentence(study, answers),
        *reviewed_words(study.reviews, len(traces.hole_ids)),
    ]
    return Section("summary", "In short", tuple(lines))


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


def _findings(findings: tuple[Finding, ...]) -> Section:
    order = {"error": 0, "warning": 1, "note": 2}
    found = sorted(findings, key=lambda finding: order[finding.severity])
    names = ["severity", "table", "row", "hole_id", "depth", "message", "suggestion"]
    frame = pd.DataFrame([[getattr(item, name) for name in names] for item in found], columns=names)
    frame = frame.astype({"row": "Int64", "depth": float})
    grids = (("", grid(frame)),) if found else ()
    return Section("findings", "Findings of the checks", (wording.findings_sentence(findings),), grids)


def _suspects(study: Study) -> Section:
    suspects = study.suspects()
    sentences = [
        wording.suspects_sentence(suspects),
        *(str(message) for message in suspects["message"].head(MOST_ROWS)),
    ]
    return Section("suspects", "Readings and runs that are better explained by a blunder", tuple(sentences))


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
    title = "Do the fault picks line up?"
    if answers is None:
        return Section("lineup", title, (_faults_sentence(study, answers),))
    faults, picks = answers.faults, answers.picks
    chosen = picks[[name for name in PICK_COLUMNS if name in picks.columns]]
    shown = faults[[name for name in FAULT_COLUMNS if name in faults.columns]]
    grids = [("Faults", grid(shown, {"dip": 0, "dip_direction": 0, "dip_sigma": 1, "p_value": 3}))]
    grids += [("Picks", grid(chosen))] if len(chosen) else []
    return Section("lineup", title, tuple(wording.fault_sentences(faults, picks)), tuple(grids) if len(faults) else ())


def _windows(study: Study, answers: Answers | None) -> Section:
    title = "Windows to log again"
    if answers is None:
        return Section("windows", title, (_faults_sentence(study, answers),))
    windows = answers.windows
    open_ones = windows[windows["status"] == "not_logged"]
    return Section("windows", title, tuple(wording.window_sentences(open_ones)))


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
            ("Errors assumed (1 σ)", grid(facts.assumed(study.hole_spread.sigmas))),
        ),
    )
