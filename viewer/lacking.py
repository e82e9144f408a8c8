"""What a project lacks, in words: what therefore isn't shown, what is drawn instead, and what to do."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from desurvey.orient import Oriented
from desurvey.problems import Finding
from desurvey.project import Project
from desurvey.project.loading import TO_ORIENT
from desurvey.study import Study
from desurvey.traces import Traces

__all__ = ["lacking"]

NAMED = 4
"""Holes named one by one before the rest is counted."""


def lacking(study: Study) -> list[str]:
    """Return a sentence or two on each thing that a study lacks for a whole picture; none where it lacks nothing."""
    project = study.logged
    said = [_unplaced(project), _unsurveyed(project, study.holes), _structures(project, study.showable().structures)]
    return [sentence for sentence in said if sentence]


def _unplaced(project: Project) -> str:
    """Say which holes can't be drawn, and why the first of them can't."""
    broken = project.broken_holes
    if not broken:
        return "" if len(project.collars) else "No hole is drawn: the collars table has no rows."
    first: Finding = next(iter(broken.values()))
    whole = len(broken) == project.collars["hole_id"].nunique()
    which = "No hole is drawn" if whole else f"{_holes(broken)} can't be drawn"
    return f"{which}: {first.message}. {_sentence(first.suggestion)}"


def _unsurveyed(project: Project, traces: Traces) -> str:
    """Say which drilled holes are drawn straight."""
    collars, surveys = project.collars, project.surveys
    known = surveys.loc[surveys[["depth", "azimuth", "dip"]].notna().all(axis=1), "hole_id"]
    drilled = collars.loc[(collars["status"] != "planned") & collars["hole_id"].isin(traces.hole_ids), "hole_id"]
    straight = drilled[~drilled.isin(known)].tolist()
    if not straight:
        return ""
    drawn = "straight from azimuth and dip of their collars: how they bend, and so where a depth lies, is not known."
    if len(straight) < len(drilled):
        return f"Without a survey, {_holes(straight)} (of {len(drilled)} drilled) are drawn {drawn}"
    todo = "The surveys table has no row of theirs." if "surveys" in project.settings.tables else _name_it("surveys")
    return f"No drilled hole has a survey. They are drawn {drawn} {todo}"


def _structures(project: Project, oriented: Oriented) -> str:
    """Say why there are no discs."""
    lost = project.unusable(*TO_ORIENT)
    if lost:
        return f"No structures are shown, for they can't be oriented. {lost[0]}"
    if "structures" not in project.settings.tables:
        return f"No structures: there are no discs, no poles, and nothing to line up. {_name_it('structures')}"
    if not len(oriented.table):
        return "The structures table has no rows: there are no discs, no poles, and nothing to line up."
    if oriented.usable.any():
        return ""
    reason, count = Counter(oriented.why_not.tolist()).most_common(1)[0]
    return f"None of the {len(oriented.table)} structures has an orientation; of {count}: {reason}."


def _holes(names: Iterable[str]) -> str:
    """Return holes by name, or the first of them and how many more."""
    listed = list(names)
    more = len(listed) - NAMED
    return ", ".join(listed[:NAMED]) + (f" and {more} more" if more > 0 else "")


def _name_it(table: str) -> str:
    return f'Name them under [tables] in project.toml: {table} = "{table}.csv".'


def _sentence(text: str) -> str:
    return text if text.endswith(".") else f"{text}."
