"""Everything that can be checked about a project, and one list of all rules.

Loading finds what is wrong with single cells, rows and tables (``project.findings``). :func:`check` adds what needs the
holes in space, the magnetic field or the chain of runs. :data:`RULES` lists all rules of both, and is the documentation
of them: ``lowside check --rules``.
"""

from __future__ import annotations

import numpy as np

from desurvey import traces
from desurvey.checks import collars, core, instruments, nearness, paths, structures
from desurvey.checks.context import Context
from desurvey.checks.limits import Limits, limits_of
from desurvey.problems import Finding, Rule, apart
from desurvey.project import Project
from desurvey.project.adopting import RULES as FOLDER_RULES
from desurvey.project.loading import RULES as PROJECT_RULES
from desurvey.tables.cleaning import RULES as CELL_RULES
from desurvey.tables.conventions import RULES as CONVENTION_RULES
from desurvey.tables.names import RULES as NAME_RULES
from desurvey.tables.reading import RULES as FILE_RULES
from desurvey.tables.rules import RULES as TABLE_RULES

__all__ = ["RULES", "RULES_BY_PART", "Limits", "check", "limits_of"]

RULES_BY_PART: dict[str, tuple[Rule, ...]] = {
    "files": (*FILE_RULES, *FOLDER_RULES),
    "cells and headings": CELL_RULES,
    "names of holes": NAME_RULES,
    "rows and tables": TABLE_RULES,
    "conventions": (*PROJECT_RULES, *CONVENTION_RULES),
    "collars": collars.RULES,
    "surveys": paths.RULES,
    "instruments": instruments.RULES,
    "holes together": nearness.RULES,
    "core and lines": core.RULES,
    "structures": structures.RULES,
}
"""All rules, by what they look at."""

RULES: tuple[Rule, ...] = tuple(rule for rules in RULES_BY_PART.values() for rule in rules)

CHECKS = (
    collars.check_collars,
    paths.check_paths,
    instruments.check_instruments,
    nearness.check_nearness,
    core.check_core,
    structures.check_structures,
)


def check(project: Project, holes: traces.Traces | None = None) -> tuple[Finding, ...]:
    """Return what only geometry, the magnetic field and the chain of runs can tell.

    Parameters
    ----------
    project : Project
    holes : Traces, optional
        Its holes in space, if they are at hand.

    Raises
    ------
    DataProblem
        When ``[checks]`` of project.toml can't be used.
    """
    context = Context(project, _traced(project) if holes is None else holes, limits_of(project))
    return apart(finding for part in CHECKS for finding in part(context))


def _traced(project: Project) -> traces.Traces:
    """Return the holes in space, none when collars or surveys can't be used as a whole."""
    unusable = {finding.table for finding in project.findings if finding.stops == "table"}
    if unusable.isdisjoint({"collars", "surveys"}):
        return traces.build(project)
    nothing = np.empty(0)
    return traces.Traces(
        np.empty(0, dtype=np.str_),
        np.zeros(1, dtype=np.int64),
        nothing,
        np.empty((0, 3)),
        np.empty((0, 3)),
        nothing,
        nothing,
    )
