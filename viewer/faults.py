"""The line-up for figures, exports and the report: its tables, and its faults as meshes of their stated extent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.lineup import faults_table, line_up, picks_table, windows_table
from desurvey.project import Project
from desurvey.surface.mesh import Mesh
from desurvey.traces import Traces

if TYPE_CHECKING:
    from desurvey.lineup import Fault

__all__ = ["Answers", "answers_of", "fault_mesh"]

Floats = npt.NDArray[np.float64]

RINGS = 6
"""Rings of points from the middle of a fault to its outline: enough for a gentle curve."""


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """What the line-up answers.

    Attributes
    ----------
    faults, picks, windows : pandas.DataFrame
        The tables of DESIGN.md section 6.
    meshes : mapping of str to Mesh
        Faults by name, as far as their extent.
    """

    faults: pd.DataFrame
    picks: pd.DataFrame
    windows: pd.DataFrame
    meshes: Mapping[str, Mesh] = field(default_factory=dict)

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """The three tables by name."""
        return {"faults": self.faults, "picks": self.picks, "windows": self.windows}


def answers_of(project: Project, traces: Traces, kind: str = "fault") -> Answers | None:
    """Return what the line-up of a kind of structure answers; None when no structure of that kind is logged."""
    kinds = project.structures["kind"].astype(str).str.casefold()
    placed = traces.index(project.structures["hole_id"].to_numpy(dtype=np.str_)) >= 0
    if not ((kinds == kind.casefold()).to_numpy() & placed).any():
        return None
    answer = line_up(project, traces, kind)
    meshes = {fault.fault_id: fault_mesh(fault) for fault in answer.faults}
    return Answers(faults_table(answer), picks_table(answer), windows_table(answer), meshes)


def fault_mesh(fault: Fault) -> Mesh:
    """Return a fault's surface as triangles: rings of points that shrink from its outline to its middle."""
    sheet = fault.sheet
    outline = ((fault.outline - sheet.centre) @ sheet.axes.T)[:, :2]
    corners, middle = len(outline), outline.mean(axis=0)
    shares = np.arange(RINGS, 0, -1) / RINGS
    place = np.vstack([(middle + shares[:, None, None] * (outline - middle)).reshape(-1, 2), middle])
    height, covariance = sheet.surface(place)
    local = np.column_stack([place, height[:, 0]])
    sigma = np.sqrt(np.maximum(covariance[:, 0, 0], 0.0))
    return Mesh(sheet.centre + local @ sheet.axes, _rings(corners), sigma)


def _rings(corners: int) -> npt.NDArray[np.int64]:
    """Return the triangles between rings of ``corners`` points each, and of the innermost with the middle."""
    here = np.arange(corners)
    after = (here + 1) % corners
    triangles = []
    for ring in range(RINGS - 1):
        outer, inner = ring * corners, (ring + 1) * corners
        triangles.append(np.stack([outer + here, outer + after, inner + here], axis=1))
        triangles.append(np.stack([inner + here, outer + after, inner + after], axis=1))
    last = (RINGS - 1) * corners
    triangles.append(np.stack([last + here, last + after, np.full(corners, RINGS * corners)], axis=1))
    return np.concatenate(triangles)
