"""What the drilled holes are blind to, on the net, and what one more hole opens."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from desurvey import sphere
from desurvey.aim import directions_of
from viewer.app.desk import Desk
from viewer.page.packing import encoded_bytes

__all__ = ["Blind", "blind_of", "with_hole"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

CELLS = 201
"""Cells along the net; the share of the net is counted in them, to about 0.1 %."""

LIMIT = float(np.sin(np.deg2rad(sphere.TERZAGHI_CAP_DEG)))
"""Sine of the angle at less than which a plane is likely missed by a hole."""


@dataclass(frozen=True, slots=True, eq=False)
class Blind:
    """How squarely the drilled holes meet planes: sin α of the hole that meets each best.

    Attributes
    ----------
    holes : int
        Number of drilled holes.
    inside : (c, c) bool array
        Cells of the net, north upwards and west to the left, that lie in the circle.
    directions : (k, 3) array
        Poles of those cells.
    cells : (k,) array
        sin α of planes with those poles.
    normal : (n, 3) array
        Of the structures.
    structures : (n,) array
        sin α of the structures; NaN without an orientation.
    """

    holes: int
    inside: Bools
    directions: Floats
    cells: Floats
    normal: Floats
    structures: Floats


def blind_of(desk: Desk) -> Blind:
    """Return how squarely the drilled holes of a project meet planes."""
    drilled = ~desk.project.planned(desk.traces.hole_ids)
    holes, grid = directions_of(desk.traces, drilled), sphere.net_grid(CELLS)
    inside = (grid.x**2 + grid.y**2 <= 1.0)[::-1]
    directions = grid.directions[::-1][inside]
    normal = desk.oriented.normal
    known = np.isfinite(normal).all(axis=1)
    structures = np.full(len(normal), np.nan)
    structures[known] = sphere.squarest(holes, normal[known])
    return Blind(int(drilled.sum()), inside, directions, sphere.squarest(holes, directions), normal, structures)


def with_hole(blind: Blind, tangent: Floats, rows: npt.NDArray[np.int64]) -> dict[str, Any]:
    """Return what the page draws and says of the blind zone before and after a straight hole.

    Parameters
    ----------
    blind : Blind
        Of the drilled holes.
    tangent : (3,) array
        Unit tangent of the new hole.
    rows : (m,) int array
        Structures that are counted: those shown.

    Returns
    -------
    dict
        ``size`` of the grid; ``still`` and ``opened``, a bit for each of its cells, row by row from the north: blind
        with the new hole too, and blind without it only; ``said``.
    """
    one = tangent[None]
    before = blind.cells < LIMIT
    after = before & (sphere.squarest(one, blind.directions) < LIMIT)
    missed = blind.structures[rows] < LIMIT
    still = missed & (sphere.squarest(one, blind.normal[rows]) < LIMIT)
    holes = f"{blind.holes} drilled hole{'' if blind.holes == 1 else 's'}"
    said = (
        f"{holes}: {100 * before.mean():.1f} % of the net, {int(missed.sum())} of {len(rows)} poles; "
        f"with the new hole {100 * after.mean():.1f} %, {int(still.sum())}"
    )
    return {
        "size": CELLS,
        "still": _bits(blind.inside, after),
        "opened": _bits(blind.inside, before & ~after),
        "said": said,
    }


def _bits(inside: Bools, chosen: Bools) -> str:
    cells = np.zeros(inside.shape, dtype=bool)
    cells[inside] = chosen
    return encoded_bytes(np.packbits(cells))
