"""How well positions, directions and poles are known: covariances of everything the desurvey and the core angles give.

The defaults are one table, :class:`Sigmas`. From a project, :func:`project_spread` and :func:`structure_spread` give
all there is; underneath, on arrays, :func:`hole_spread` gives positions and directions along holes,
:func:`pole_covariance` the poles of oriented planes, :func:`ellipsoids` and :func:`cones` the shapes to draw.
Covariances are of (E, N, U): m² for positions, rad² for directions and poles.
"""

from desurvey.spread.pole import line_sigma_deg, plane_covariance, pole_covariance, pole_sigma_deg
from desurvey.spread.position import HoleSpread, PointSpread, hole_spread
from desurvey.spread.shapes import Cones, Ellipsoids, cones, ellipsoids
from desurvey.spread.sigmas import INSTRUMENTS, Gyro, Instrument, Magnetic, Sigmas, Unstated, sigmas_from
from desurvey.spread.tables import StructureSpread, orientation_table, project_spread, structure_spread, trace_table
from desurvey.spread.wander import Wander, WanderSettings, learnt_wander, set_out

__all__ = [
    "INSTRUMENTS",
    "Cones",
    "Ellipsoids",
    "Gyro",
    "HoleSpread",
    "Instrument",
    "Magnetic",
    "PointSpread",
    "Sigmas",
    "StructureSpread",
    "Unstated",
    "Wander",
    "WanderSettings",
    "cones",
    "ellipsoids",
    "hole_spread",
    "learnt_wander",
    "line_sigma_deg",
    "orientation_table",
    "plane_covariance",
    "pole_covariance",
    "pole_sigma_deg",
    "project_spread",
    "set_out",
    "sigmas_from",
    "structure_spread",
    "trace_table",
]
