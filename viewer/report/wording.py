"""The report's answers in sentences that a geologist would write."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator
from typing import Any

import numpy as np
import pandas as pd

from desurvey.problems import Finding
from desurvey.project import Project
from desurvey.study import Study

__all__ = [
    "aim_sentences",
    "asked_of_drilling",
    "conventions",
    "count",
    "fault_sentences",
    "faults_sentence",
    "findings_sentence",
    "suspects_sentence",
    "window_sentences",
]


FITS = 0.05
"""p below which picks are said to fit poorly."""


def count(number: int, thing: str) -> str:
    """Return a number with its noun.

    >>> count(1, "hole"), count(3, "hole")
    ('1 hole', '3 holes')
    """
    return f"{number} {thing}" + ("" if number == 1 else "s")


def conventions(project: Project, convention: str) -> Iterator[str]:
    """Say under which conventions the tables were read, and what was done to azimuths."""
    frame = project.settings.frame
    sign = "negative" if frame.dip_sign == "negative_down" else "positive"
    yield f"Coordinates: {frame.crs or 'no coordinate reference system is stated'}; metres."
    yield f"Dips in the tables of collars and surveys are {sign} downwards."
    yield convention + "."
    norths = project.norths
    for reference in ("magnetic", "true"):
        rows = norths[norths["north"] == reference]
        if len(rows):
            yield _conversion(rows, reference)
    if (norths["north"] == "grid").all():
        yield "All surveys were given from grid north; no azimuth was changed."


def _conversion(rows: pd.DataFrame, reference: str) -> str:
    """Say what was added to the azimuths of one reference."""
    said = f"{count(len(rows), 'survey row')} from {reference} north"
    if reference == "magnetic":
        models = dict.fromkeys(str(name).partition(",")[0] for name in rows["declination_from"] if name)
        said += f": declination {_range(rows['declination'])} added ({', '.join(models) or 'unknown'})"
    return said + f", convergence {_range(rows['convergence'])} taken off."


def _range(column: pd.Series) -> str:
    values = column.dropna()
    if values.empty:
        return "unknown"
    low, high = float(values.min()), float(values.max())
    return f"{low:+.2f}°" if high - low < 0.005 else f"{low:+.2f}° to {high:+.2f}°"


def asked_of_drilling(study: Study) -> Iterator[tuple[str, str, str]]:
    """Say what a project holds for what public reporting asks of drill-hole data; the judgement stays blank."""
    project, traces, structures = study.project, study.holes, study.structures
    runs, collars = project.runs, project.collars
    drilled = ~project.planned(traces.hole_ids)
    sizes = collars["core_size"].dropna().astype(str)
    size = ", ".join(f"{name} ({number})" for name, number in sizes[sizes != ""].value_counts().items())
    length = float((runs["depth_to"] - runs["depth_from"]).sum())
    got = float(runs.loc[runs["recovered"].notna(), "recovered"].sum())
    of = float((runs["depth_to"] - runs["depth_from"])[runs["recovered"].notna()].sum())
    tools = project.surveys["instrument"].fillna("not said").replace("", "not said").value_counts()
    sides = "" if project.settings.core.line is None else f"; line on the {project.settings.core.line} side unless said"
    yield (
        "Drilling techniques",
        f"{count(int(drilled.sum()), 'hole')} drilled; core size {size or 'not said'}; "
        f"{count(len(runs), 'core run')}{sides}.",
        "",
    )
    yield (
        "Drill sample recovery",
        f"{100 * got / of:.1f} % of {of:.0f} m measured, {length:.0f} m in runs." if of else "No recovery is logged.",
        "",
    )
    yield (
        "Logging",
        f"{count(len(structures.table), 'structure')} logged, {int(structures.usable.sum())} oriented; intervals: "
        f"{', '.join(project.intervals) or 'none'}.",
        "",
    )
    yield (
        "Location of data points",
        f"{count(len(project.surveys), 'survey row')} by instrument: "
        f"{', '.join(f'{name} ({number})' for name, number in tools.items())}; "
        f"{project.settings.frame.crs or 'no coordinate reference system stated'}.",
        "",
    )
    sine = np.abs(np.sum(structures.normal[structures.usable] * structures.tangent[structures.usable], axis=1))
    angle = np.rad2deg(np.arcsin(np.clip(np.median(sine), 0.0, 1.0))) if len(sine) else np.nan
    yield (
        "Orientation of data in relation to geological structure",
        (f"Median angle of holes to oriented structures {angle:.0f}°; " if np.isfinite(angle) else "")
        + "sets are weighted against the bias of the holes (appendix, Sets).",
        "",
    )
    yield "Drill hole information", "Table below: collar, direction and length of each hole.", ""


def findings_sentence(findings: Iterable[Finding]) -> str:
    """Say how many findings there are of each severity."""
    found = [finding.severity for finding in findings]
    parts = [count(found.count(name), name) for name in ("error", "warning", "note") if found.count(name)]
    return f"The checks found {', '.join(parts)}." if parts else "The checks found nothing."


def suspects_sentence(suspects: pd.DataFrame) -> str:
    """Say how many suspects stand undecided."""
    if suspects.empty:
        return "No suspect stands undecided: no reading, run or hole is better explained by a blunder."
    parts = [count(int(number), str(scope)) for scope, number in suspects["scope"].value_counts(sort=False).items()]
    return f"Better explained by a blunder than as logged, and not yet decided: {', '.join(parts)}."


def faults_sentence(faults: pd.DataFrame) -> str:
    """Say how many faults the picks make."""
    if faults.empty:
        return "No fault picks of different holes line up."
    return f"The fault picks line up in {count(len(faults), 'fault')}."


def fault_sentences(faults: pd.DataFrame, picks: pd.DataFrame) -> Iterator[str]:
    """Say of each fault how it lies, how many holes meet it, and whether it fits."""
    yield faults_sentence(faults)
    for fault in faults.to_dict("records"):
        own = picks[picks["fault_id"].astype(str) == str(fault["fault_id"])]
        yield _fault_sentence(fault, own)


def _fault_sentence(fault: dict[Hashable, Any], own: pd.DataFrame) -> str:
    direction, sigma, rms, fit = (_number(fault, name) for name in ("dip_direction", "dip_sigma", "rms_m", "p_value"))
    towards = f"{direction:03.0f}°" if np.isfinite(direction) else "no one direction"
    said = f"Fault {fault['fault_id']} dips {_number(fault, 'dip'):.0f}° towards {towards}"
    said += f" (± {sigma:.1f}°)" if np.isfinite(sigma) else ""
    said += f": {count(len(own), 'pick')} in {count(own['hole_id'].nunique(), 'hole')}"
    said += f", {rms:.1f} m off it (root mean square)" if np.isfinite(rms) else ""
    if np.isfinite(fit):
        said += f"; {'they fit' if fit > FITS else 'they fit poorly'} (p = {fit:.2f})"
    return said + "."


def _number(row: dict[Hashable, Any], name: str) -> float:
    """Return a number of a row, NaN where the table has no such column or the cell is blank."""
    value = row.get(name)
    return float("nan") if value is None or pd.isna(value) else float(value)


def window_sentences(windows: pd.DataFrame) -> Iterator[str]:
    """Say where each fault should be in drilled holes and nothing is logged."""
    if windows.empty:
        yield "There is no window in which a fault is expected and none is logged."
    for row in windows.sort_values(["hole_id", "depth_from"]).to_dict("records"):
        yield f"{row['hole_id']}: fault {row['fault_id']} is expected at {_window(row)}, and nothing is logged there."


def aim_sentences(windows: pd.DataFrame, planned: list[str]) -> Iterator[str]:
    """Say where each planned hole meets each fault."""
    for hole in planned:
        own = windows[windows["hole_id"].astype(str) == hole].sort_values("depth_from")
        if own.empty:
            yield f"{hole} is not expected to meet any of the faults."
        for row in own.to_dict("records"):
            angle = _number(row, "pierce_angle")
            at = f", at {angle:.0f}° to the fault" if np.isfinite(angle) else ""
            yield f"{hole} meets fault {row['fault_id']} at {_window(row)}{at}."


def _window(row: dict[Hashable, Any]) -> str:
    """Return an expected depth with its window."""
    expected, first, last = (_number(row, name) for name in ("expected_depth", "depth_from", "depth_to"))
    window = f"{first:.1f} to {last:.1f} m"
    return f"{expected:.1f} m (95 %: {window})" if np.isfinite(expected) else window
