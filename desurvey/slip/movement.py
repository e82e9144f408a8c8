"""A slip vector and its parts.

A fault that dips δ towards A has the right-hand strike φ = A − 90, along-strike ŝ = (sin φ, cos φ, 0) and down-dip
d̂ = (sin A cos δ, cos A cos δ, −sin δ). S is the movement of the hanging wall against the foot wall, metres (E, N, U)::

    dip slip = S·d̂ (positive: hanging wall down)     strike slip = S·ŝ (positive: left-lateral)
    throw = −S_U (positive: hanging wall down)        heave = dip slip · cos δ
    S/|S| = cos λ ŝ − sin λ d̂                          rake λ: 0 left-lateral, 90 reverse, −90 normal

References
----------
Aki & Richards (2002), Quantitative Seismology, 2nd ed., section 4.2: the rake. Groshong (2006), 3-D Structural Geology,
2nd ed.: throw, heave and separations (equations 7.3, 8.1 to 8.3). Martel (2004), laboratory notes of GG303, University
of Hawaii: slip joins piercing points, separation isn't slip.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.directions import upward
from desurvey.shown import shown

__all__ = [
    "Movement",
    "fault_axes",
    "movement_of",
    "piercing_slip",
    "stratigraphic_separation",
    "vertical_separation",
]

Floats = npt.NDArray[np.float64]


@shown
class Movement(NamedTuple):
    """Parts of slips, each of shape (...): metres, and the rake in degrees (NaN where nothing moved)."""

    net_slip: Floats
    dip_slip: Floats
    strike_slip: Floats
    rake: Floats
    throw: Floats
    heave: Floats


def fault_axes(normal: npt.ArrayLike) -> Floats:
    """Return along-strike (right-hand rule) and down-dip unit vectors of a fault, (2, 3), from its normal.

    A flat fault has no strike: its dip direction is then taken as east.

    >>> from desurvey.directions import vector_of_plane
    >>> fault_axes(vector_of_plane(60.0, 90.0)).round(3) + 0.0
    array([[ 0.   ,  1.   ,  0.   ],
           [ 0.5  ,  0.   , -0.866]])
    """
    up = upward(np.asarray(normal, dtype=float))
    flat = np.hypot(up[0], up[1])
    strike = np.array([-up[1], up[0], 0.0]) / flat if flat > FLAT else np.array([0.0, 1.0, 0.0])
    return np.stack([strike, np.cross(strike, up)])


FLAT = 1e-9
"""Horizontal part of a unit normal below which a plane counts as flat."""


def movement_of(slip: npt.ArrayLike, normal: npt.ArrayLike) -> Movement:
    """Return the parts of slips (..., 3) on a fault of a normal (3,)."""
    moved, (strike, down) = np.asarray(slip, dtype=float), fault_axes(normal)
    along, dip_slip = moved @ strike, moved @ down
    net = np.linalg.norm(moved, axis=-1)
    rake = np.where(net > 0.0, np.rad2deg(np.arctan2(-dip_slip, along)), np.nan)
    return Movement(net, dip_slip, along, rake, -moved[..., 2], dip_slip * np.hypot(down[0], down[1]))


def stratigraphic_separation(slip: npt.ArrayLike, marker_normal: npt.ArrayLike) -> Floats:
    """Return how far slips (..., 3) move a planar marker of an upward normal square to itself, metres."""
    return np.asarray(np.asarray(slip, dtype=float) @ upward(np.asarray(marker_normal, dtype=float)))


def vertical_separation(slip: npt.ArrayLike, marker_normal: npt.ArrayLike) -> Floats:
    """Return how far apart slips (..., 3) bring a planar marker along a plumb line, metres, positive down.

    The stratigraphic separation over the cosine of the marker's dip (Groshong 2006, equation 7.3); infinite for a
    vertical marker.
    """
    with np.errstate(divide="ignore"):
        up = upward(np.asarray(marker_normal, dtype=float))[2]
        return np.asarray(-stratigraphic_separation(slip, marker_normal) / up)


def piercing_slip(normal: npt.ArrayLike, marker_normals: npt.ArrayLike, separations: npt.ArrayLike) -> Floats:
    """Return the slip in a fault's plane that moves planar markers by their stratigraphic separations, (3,).

    Two markers fix it, for the line in which they meet pierces the fault in one point on each side (Martel 2004); one
    leaves the direction of its cut-off line open, and then the smallest slip is returned.

    Parameters
    ----------
    normal : (3,) array
        Of the fault.
    marker_normals : (m, 3) array
        Upward unit normals of the markers.
    separations : (m,) array
        Metres.
    """
    axes = fault_axes(normal)
    markers = np.atleast_2d(np.asarray(marker_normals, dtype=float))
    parts = np.linalg.lstsq(markers @ axes.T, np.atleast_1d(np.asarray(separations, dtype=float)), rcond=1e-9)[0]
    return np.asarray(parts @ axes)
