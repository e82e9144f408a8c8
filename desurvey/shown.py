"""How an object of the engine shows itself: one line a field, never a thousand numbers.

``@shown`` stands above every class that holds arrays, tables or other objects.
"""

from __future__ import annotations

from collections.abc import Mapping, Sized
from dataclasses import fields, is_dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.problems import shortened

__all__ = ["shown", "summary"]

LINES = 9
"""Lines at most after the name: a summary is to be read at a glance."""

WIDTH = 88
"""Characters a line at most."""


Class = TypeVar("Class", bound=type)


def shown(kind: Class) -> Class:
    """Let the ``repr`` of a dataclass or a named tuple be its :func:`summary`."""
    kind.__repr__ = summary  # type: ignore[method-assign, assignment]
    return kind


def summary(self: object) -> str:
    """Return what an object holds: its class, then a field a line with shape and range or the first and last name.

    Examples
    --------
    >>> from desurvey.curvature import Arcs
    >>> Arcs(np.linspace(0.0, 0.5, 5000), np.zeros((5000, 3)), np.zeros((5000, 3)))
    Arcs
      dogleg   (5000,) 0 to 0.5
      middle   (5000, 3) 0 to 0
      across   (5000, 3) 0 to 0
    """
    names = [n for n in _names(self) if not n.startswith("_")]
    several = len(names) > LINES
    one_a_line = names[: LINES - 1] if several else names
    width = max(map(len, one_a_line), default=0) + 2
    lines = [f"  {name:{width}} {_value(getattr(self, name, None))}" for name in one_a_line]
    if several:
        lines.append(f"  and {', '.join(names[LINES - 1 :])}")
    return "\n".join([type(self).__name__, *(shortened(line, WIDTH) for line in lines)])


def _names(thing: object) -> tuple[str, ...]:
    if is_dataclass(thing):
        return tuple(f.name for f in fields(thing))
    return tuple(getattr(thing, "_fields", ()))


def _value(value: object) -> str:
    if isinstance(value, pd.DataFrame | pd.Series):
        return " × ".join(f"{n} {what}" for n, what in zip(value.shape, ("rows", "columns"), strict=False))
    if isinstance(value, np.ndarray):
        return _array(value)
    if _names(value):
        return f"{type(value).__name__} …"
    if isinstance(value, Sized) and not isinstance(value, str):
        inside = f": {', '.join(map(str, value))}" if isinstance(value, Mapping) and len(value) else ""
        return f"{len(value)} in a {type(value).__name__}{inside}"
    return str(value)


def _array(array: npt.NDArray[np.generic]) -> str:
    shape = str(array.shape).replace("'", "")
    if not array.size:
        return shape
    if array.dtype.kind == "b":
        return f"{shape} {np.count_nonzero(array)} true"
    if array.dtype.kind in "iuf":
        known = array[np.isfinite(array)]
        span = f"{known.min():.10g} to {known.max():.10g}" if known.size else "nothing known"
        missing = array.size - known.size
        return f"{shape} {span}" + (f", {missing} missing" if missing and known.size else "")
    return f"{shape} {array.flat[0]} … {array.flat[-1]}"
