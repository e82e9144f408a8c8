"""Fit surfaces to picks: one system for a few thousand, patches beyond, side points respected."""

from __future__ import annotations

from dataclasses import replace

from desurvey.surface.estimate import FEW, Likely, estimated
from desurvey.surface.field import Field, Rival, prepared, solved
from desurvey.surface.model import Options
from desurvey.surface.patches import Patched, patched
from desurvey.surface.picks import Picks, Sides
from desurvey.surface.sides import clearance_of, respected

__all__ = ["fit"]


def fit(picks: Picks, options: Options | None = None, sides: Sides | None = None) -> Field | Patched:
    """Return the field of surfaces through picks.

    Up to ``options.direct_limit`` picks it is solved in one piece, beyond it in overlapping patches.

    Parameters
    ----------
    picks : Picks
        Points and orientations.
    options : Options, optional
        How.
    sides : Sides, optional
        Drilled rock that the (first) surface did not cut.

    Raises
    ------
    DataProblem
        When the picks can't fix a surface.

    Examples
    --------
    Three picks of a plane dipping 45° east:

    >>> import numpy as np
    >>> field = fit(Picks([[0, 0, 0], [100, 0, -100], [0, 100, 0]], hole=["A", "B", "C"]))
    >>> field.value(np.array([[50.0, 20.0, -50.0]])).round(6) + 0.0
    array([0.])
    """
    options = options or Options()
    ready = prepared(picks, options)
    if len(ready) > options.direct_limit:
        return patched(ready, estimated(ready, _without_range(options)).model, sides)
    likely = estimated(ready, options)
    field = replace(solved(ready, likely.model), rivals=_rivals(ready, likely))
    return field if sides is None else respected(field, sides, clearance_of(ready))


def _without_range(options: Options) -> Options:
    """Return the options for patches: where the kernel is free, r³, since picks lie close beside any range of waves."""
    return replace(options, kernel="cubic") if options.kernel == "auto" else options


def _rivals(picks: Picks, likely: Likely) -> tuple[Rival, ...]:
    """Return the fields under the other models, where so few picks leave them in doubt."""
    if len(picks) > FEW:
        return ()
    return tuple(Rival(w, solved(picks, model)) for w, model in zip(likely.weights, likely.rivals, strict=True))
