"""Uncertainty at the edge: a project's survey table and settings in, columns of the output tables out."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.orient import Oriented, oriented_frame
from desurvey.project import Project
from desurvey.shown import shown
from desurvey.spread.part import CARRIED, PLANNED, station_errors
from desurvey.spread.pole import plane_covariance, pole_covariance, pole_sigma_deg
from desurvey.spread.position import HoleSpread, hole_spread
from desurvey.spread.sigmas import INSTRUMENTS, sigmas_from
from desurvey.spread.wander import learnt_wander, stated_wander
from desurvey.traces import Traces, trace_frame

__all__ = ["StructureSpread", "orientation_table", "project_spread", "structure_spread", "trace_table"]

Floats = npt.NDArray[np.float64]


@shown
class StructureSpread(NamedTuple):
    """How well the structures are known, one row each.

    Attributes
    ----------
    position : (n, 3, 3) array
        Covariance of the position, m²; NaN without a trace.
    pole : (n, 3, 3) array
        Covariance of the unit normal in its tangent plane, rad²; NaN where the structure has no orientation.
    pole_sigma_deg : (n,) array
        Root-mean-square angle between true and computed pole, degrees.
    """

    position: Floats
    pole: Floats
    pole_sigma_deg: Floats


def project_spread(project: Project, traces: Traces, *, learnt: bool = False) -> HoleSpread:
    """Return the uncertainty of a project's holes, with its own ``[spread]`` settings and instruments.

    Parameters
    ----------
    project, traces
        The holes.
    learnt : bool
        Whether the drilled holes tell how the rods wander. Otherwise lengths that aren't surveyed have the stated
        wander, and no number of a hole depends on other holes.
    """
    sigmas, planned = sigmas_from(project.section("spread")), project.planned(traces.hole_ids)
    code = np.where(planned[traces.station_hole], PLANNED, _instruments(project, traces))
    wander = stated_wander(sigmas.wander)
    if learnt and sigmas.wander.learn:
        errors = np.where(code == CARRIED, np.inf, station_errors(sigmas, code))
        bare = ~np.isin(traces.hole_ids, project.surveys["hole_id"].to_numpy(dtype=np.str_))
        wander = learnt_wander(traces, _plans(project, traces), ~planned & ~bare, errors, sigmas.wander)
    return hole_spread(traces, sigmas, code, wander, planned)


def _plans(project: Project, traces: Traces) -> Floats:
    """Return the azimuth and dip that the collars table gives each hole, radians, (H, 2); NaN where it gives none."""
    collars = project.collars.drop_duplicates("hole_id").set_index("hole_id")[["azimuth", "dip"]]
    return np.asarray(np.deg2rad(collars.reindex(traces.hole_ids.astype(object)).to_numpy(dtype=float)))


def structure_spread(structures: Oriented, spread: HoleSpread) -> StructureSpread:
    """Return how well positions and poles of structures are known."""
    known = spread.at(structures.hole, structures.table["depth"].to_numpy(dtype=float))
    line = structures.table["line"].to_numpy(dtype=np.str_)
    pole = pole_covariance(structures.tangent, structures.normal, known.direction, spread.sigmas, line)
    given = plane_covariance(structures.normal, spread.sigmas)
    pole = np.where(structures.surveyed[:, None, None], given, pole)
    return StructureSpread(known.position, pole, pole_sigma_deg(pole))


def trace_table(traces: Traces, spread: HoleSpread, step: float | None = None) -> pd.DataFrame:
    """Return the ``trace`` command's table: :func:`desurvey.traces.trace_frame` and the σ of the positions.

    The columns are hole_id, depth, easting, northing, elevation, azimuth, dip, dogleg_30m, sigma_e, sigma_n, sigma_u
    (metres), extrapolated.
    """
    frame = trace_frame(traces, step)
    hole = traces.index(frame["hole_id"].to_numpy(dtype=np.str_))
    covariance = spread.at(hole, frame["depth"].to_numpy()).position
    for place, name in enumerate(["sigma_e", "sigma_n", "sigma_u"]):
        frame.insert(len(frame.columns) - 1, name, np.sqrt(covariance[:, place, place]))
    return frame


def orientation_table(structures: Oriented, known: StructureSpread) -> pd.DataFrame:
    """Return the ``orient`` command's table: :func:`desurvey.orient.oriented_frame` and pole_sigma (degrees)."""
    frame = oriented_frame(structures)
    if "pole_sigma" in frame:
        frame = frame.rename(columns={"pole_sigma": "pole_sigma_in_file"})
    frame.insert(len(frame.columns) - 2, "pole_sigma", known.pole_sigma_deg)
    return frame


def _instruments(project: Project, traces: Traces) -> npt.NDArray[np.int64]:
    """Return the code of the instrument that read each station, −1 at a collar that no station was read at."""
    surveys = project.surveys[["hole_id", "depth", "instrument"]].drop_duplicates(["hole_id", "depth"])
    stations = pd.DataFrame({"hole_id": traces.hole_ids[traces.station_hole].astype(object), "depth": traces.depth})
    read = stations.merge(surveys, on=["hole_id", "depth"], how="left")["instrument"]
    stated = {name: code for code, name in enumerate(INSTRUMENTS)}
    code = read.map(stated).fillna(INSTRUMENTS.index("unstated")).to_numpy(dtype=np.int64)
    bare = ~np.isin(traces.hole_ids, project.surveys["hole_id"].to_numpy(dtype=np.str_))
    return np.where(read.isna().to_numpy() & ~bare[traces.station_hole], -1, code)
