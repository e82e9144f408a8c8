"""Groups of different sizes on flat arrays: all stations of all holes, all points of all fences.

Members of a group stand together. Either ``counts`` says how many each group has, or ``offsets`` at which row each
begins (and one past the last): members of group *i* are rows ``offsets[i]:offsets[i + 1]``.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["groups", "last_at_or_above", "numbered", "offsets_of"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def offsets_of(counts: npt.ArrayLike) -> Ints:
    """Return the offsets (n + 1,) of groups of so many members.

    >>> offsets_of([2, 0, 3]).tolist()
    [0, 2, 2, 5]
    """
    return np.concatenate([[0], np.cumsum(counts, dtype=np.int64)])


def groups(offsets: Ints) -> Ints:
    """Return the group of each member.

    >>> groups(np.array([0, 2, 2, 5])).tolist()
    [0, 0, 2, 2, 2]
    """
    return np.repeat(np.arange(len(offsets) - 1), np.diff(offsets))


def numbered(counts: npt.ArrayLike) -> tuple[Ints, Ints]:
    """Return the group of each member and its number in it, counted from 0, for groups of so many members.

    >>> [array.tolist() for array in numbered([2, 0, 3])]
    [[0, 0, 2, 2, 2], [0, 1, 0, 1, 2]]
    """
    offsets = offsets_of(counts)
    group = groups(offsets)
    return group, np.arange(offsets[-1]) - offsets[group]


def last_at_or_above(group: Ints, value: Floats, in_group: Ints, at: Floats) -> Ints:
    """Return the last row of the same group whose value is no more than the one asked for, −1 where there is none.

    Parameters
    ----------
    group, value : (n,) arrays
        Rows, sorted by group and by value in it; values 0 or more.
    in_group, at : (m,) arrays
        What is asked for; NaN counts as 0.

    Examples
    --------
    >>> last_at_or_above(np.array([0, 0, 1]), np.array([0.0, 3.0, 5.0]), np.array([0, 0, 1]), np.array([2.0, 9.0, 4.0]))
    array([ 0,  1, -1])
    """
    at = np.nan_to_num(at)
    step = 1.0 + max(float(value.max(initial=0.0)), float(at.max(initial=0.0)))
    row = np.searchsorted(group * step + value, in_group * step + at, side="right") - 1
    found = row >= 0
    found[found] = group[row[found]] == in_group[found]
    return np.where(found, row, -1)
