"""The one table of blunders: what can go wrong with oriented core and its surveys, and how each is undone.

Adding a blunder is adding a row to :data:`BLUNDERS` (with a test and a line in DESIGN.md): search, sentences, prior
odds and putting right all read it from here. A row undoes itself in one of three ways:

* ``core``: logged alpha and beta → those that should have been logged;
* ``survey``: surveyed azimuth and dip → those that should stand there. It must be one rigid motion of all directions
  of a hole (a turn about the vertical, a mirror in the level), for the search moves whole traces with it;
* neither: the survey station is left out.

What is found in a search and what a person has accepted are put right by the same two functions, :func:`corrected` and
:func:`redirected`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.shown import shown

__all__ = ["BLUNDERS", "Blunder", "Scope", "Seen", "corrected", "named", "rates", "redirected"]

Floats = npt.NDArray[np.float64]
Pair = tuple[Floats, Floats]
Undo = Callable[[Floats, Floats, Floats], Pair]
Scope = Literal["hole", "group", "run", "reading", "station"]


class Seen(NamedTuple):
    """A blunder in one scope: of a whole hole, of all runs of a tool or a crew, of one run, one reading, one station.

    Attributes
    ----------
    rate : float
        Prior probability: the share of holes, groups, runs, readings or stations with it before the data are seen
        (common practice, no source).
    sentence : str
        What is said of it, after "agree with their neighbours if". In braces may stand ``turn``, its size
        ``off``, its ``way`` (clockwise or anticlockwise) and ``sigma``, and the ``side`` where the line is.
    """

    rate: float
    sentence: str


@shown
@dataclass(frozen=True, slots=True)
class Blunder:
    """One row of the table.

    Attributes
    ----------
    name : str
        As in DESIGN.md section 5.
    short : str
        In a few words, for a list.
    seen : mapping of scope to Seen
        Scopes in which it is looked for.
    core, survey : callable or None
        ``(alpha, beta, turn) → (alpha, beta)`` and ``(azimuth, dip, turn) → (azimuth, dip)``, degrees, all (n,).
    free : bool
        Whether its turn is free: found by the search, and written as ``roll_deg``.
    turn : float
        The turn of the line that is written as ``roll_deg`` where it isn't free; NaN where the line isn't turned.
    """

    name: str
    short: str
    seen: Mapping[Scope, Seen]
    core: Undo | None = None
    survey: Undo | None = None
    free: bool = False
    turn: float = float("nan")


OFF = "the line sits {off:.0f}° ± {sigma:.0f}° {way} of where it should, looking down the hole"

TABLE = (
    Blunder(
        "line_side",
        "the line on the wrong side",
        {
            "hole": Seen(0.005, "the line marks the other side of the core throughout"),
            "group": Seen(0.005, "the line marks the other side of the core"),
            "run": Seen(0.01, "the line was drawn {side}"),
        },
        core=lambda alpha, beta, turn: (alpha, beta + 180.0),
        turn=180.0,
    ),
    Blunder(
        "run_rolled",
        "the line off by some other angle",
        {"group": Seen(0.01, OFF), "run": Seen(0.01, OFF)},
        core=lambda alpha, beta, turn: (alpha, beta + turn),
        free=True,
    ),
    Blunder(
        "beta_reversed",
        "beta read anticlockwise",
        {
            "hole": Seen(0.005, "beta was read anticlockwise throughout"),
            "group": Seen(0.005, "beta was read anticlockwise"),
            "run": Seen(0.01, "beta was read anticlockwise"),
            "reading": Seen(0.0025, "beta was read anticlockwise"),
        },
        core=lambda alpha, beta, turn: (alpha, -beta),
    ),
    Blunder(
        "alpha_complement",
        "90° − alpha logged for alpha",
        {
            "hole": Seen(0.005, "90° − alpha was logged for alpha throughout"),
            "group": Seen(0.005, "90° − alpha was logged for alpha"),
            "run": Seen(0.01, "90° − alpha was logged for alpha"),
            "reading": Seen(0.0025, "90° − alpha was logged for alpha"),
        },
        core=lambda alpha, beta, turn: (90.0 - alpha, beta),
    ),
    Blunder(
        "azimuth_reversed",
        "azimuths turned by 180°",
        {"hole": Seen(0.005, "its azimuths are turned by 180°")},
        survey=lambda azimuth, dip, turn: (azimuth + 180.0, dip),
    ),
    Blunder(
        "dip_sign",
        "the sign of the dips changed",
        {"hole": Seen(0.005, "the sign of its dips is changed")},
        survey=lambda azimuth, dip, turn: (azimuth, -dip),
    ),
    Blunder(
        "north_reference",
        "azimuths from another north",
        # By far the commonest blunder of a whole hole: as common as all others together.
        {
            "hole": Seen(
                0.025, "{turn:+.0f}° is added to its azimuths (measured from another north, or converted twice)"
            )
        },
        survey=lambda azimuth, dip, turn: (azimuth + turn, dip),
        free=True,
    ),
    Blunder(
        "survey_spike",
        "a survey station off",
        {"station": Seen(0.003, "the station is left out")},
    ),
)

BLUNDERS: Mapping[str, Blunder] = MappingProxyType({row.name: row for row in TABLE})
"""The rows by name."""


def named(scope: Scope) -> tuple[str, ...]:
    """Return the names of the blunders of a scope, in the order of the table.

    >>> named("reading")
    ('beta_reversed', 'alpha_complement')
    """
    return tuple(row.name for row in TABLE if scope in row.seen)


def rates(scope: Scope) -> Floats:
    """Return the prior probability of each blunder of a scope, in the order of :func:`named`."""
    return np.array([row.seen[scope].rate for row in TABLE if scope in row.seen])


def corrected(
    alpha_deg: npt.ArrayLike, beta_deg: npt.ArrayLike, blunder: npt.ArrayLike, turn_deg: npt.ArrayLike
) -> Pair:
    """Return the core angles that logged ones should have been, were the blunder true.

    Parameters
    ----------
    alpha_deg, beta_deg : (n,) arrays
        As logged.
    blunder : str or (n,) array of str
        Names; those of the survey, and an empty name, leave core angles as they are.
    turn_deg : float or (n,) array
        Degrees clockwise, looking down the hole, that the line sits from where it should; only free turns need it.

    Examples
    --------
    >>> corrected(np.array([30.0]), np.array([350.0]), "run_rolled", 20.0)
    (array([30.]), array([10.]))
    """
    alpha, beta, touched = _undone("core", alpha_deg, beta_deg, blunder, turn_deg)
    return alpha, np.where(touched, beta % 360.0, beta)


def redirected(
    azimuth_deg: npt.ArrayLike, dip_deg: npt.ArrayLike, blunder: npt.ArrayLike, turn_deg: npt.ArrayLike
) -> Pair:
    """Return the directions that surveyed ones should have been, were the blunder true.

    Parameters
    ----------
    azimuth_deg, dip_deg : (n,) arrays
        Of stations, or of any vector of the trace.
    blunder : str or (n,) array of str
        Names; those of the core, and an empty name, leave directions as they are.
    turn_deg : float or (n,) array
        Degrees to add to azimuths; only free turns need it.

    Examples
    --------
    >>> redirected(np.array([350.0, 350.0]), np.array([-60.0, -60.0]), ["north_reference", "dip_sign"], 14.0)
    (array([  4., 350.]), array([-60.,  60.]))
    """
    azimuth, dip, touched = _undone("survey", azimuth_deg, dip_deg, blunder, turn_deg)
    return np.where(touched, azimuth % 360.0, azimuth), dip


def _undone(
    way: Literal["core", "survey"],
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    blunder: npt.ArrayLike,
    turn: npt.ArrayLike,
) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    first, second = np.array(first, dtype=float), np.array(second, dtype=float)
    names = np.broadcast_to(np.asarray(blunder, dtype=np.str_), first.shape)
    turns = np.broadcast_to(np.nan_to_num(np.asarray(turn, dtype=float)), first.shape)
    touched = np.zeros(first.shape, dtype=bool)
    for name in np.unique(names).tolist():
        undo: Undo | None = getattr(BLUNDERS[name], way) if name else None
        if undo is not None:
            here = names == name
            first[here], second[here] = undo(first[here], second[here], turns[here])
            touched |= here
    return first, second, touched
