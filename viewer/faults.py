"""The line-up for figures, exports and the report: its tables, and its faults as meshes of their stated extent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from desurvey.lineup import LineUp, faults_table, line_up_with_windows, picks_table
from desurvey.progress import Progress
from desurvey.project import Project
from desurvey.surface import Mesh, fault_mesh
from desurvey.traces import Traces
from viewer.theme import fault_colours

__all__ = ["Answers", "answers_of", "with_meshes"]


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """What the line-up answers.

    Attributes
    ----------
    faults, picks, windows : pandas.DataFrame
        The tables of DESIGN.md section 6.
    meshes : mapping of str to Mesh
        Faults by name, as far as their extent.
    colours : mapping of str to str
        Of each fault, ``#RRGGBB``.
    """

    faults: pd.DataFrame
    picks: pd.DataFrame
    windows: pd.DataFrame
    meshes: Mapping[str, Mesh] = field(default_factory=dict)
    colours: Mapping[str, str] = field(default_factory=dict)

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """The three tables by name."""
        return {"faults": self.faults, "picks": self.picks, "windows": self.windows}


def answers_of(
    project: Project, traces: Traces, kind: str = "fault", *, progress: Progress | None = None
) -> Answers | None:
    """Return what the line-up of a kind of structure answers; None when no structure of that kind is logged.

    ``progress`` is told the share of the work that is done.
    """
    placed = traces.index(project.structures["hole_id"].to_numpy(dtype=np.str_)) >= 0
    if not (project.of_kind(kind) & placed).any():
        return None
    answer, windows = line_up_with_windows(project, traces, kind, progress=progress)
    return with_meshes(answer, faults_table(answer), picks_table(answer), windows)


def with_meshes(found: LineUp, faults: pd.DataFrame, picks: pd.DataFrame, windows: pd.DataFrame) -> Answers:
    """Return the answers of a line-up whose tables have been made."""
    meshes = {fault.fault_id: fault_mesh(fault) for fault in found.faults}
    return Answers(faults, picks, windows, meshes, fault_colours(found.faults))
