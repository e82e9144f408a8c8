"""What a person has said of picks: this one is of that fault, this one of none, these are one fault, those are not.

A pin rules over its own pick and over nothing else. A pick that is pinned to none is left out of the question, as if
its row weren't there. A pick that is pinned to a fault stays in the search as long as the evidence agrees; where it
doesn't, the fault is found without it, and the pick is then put beside it as a member that has no say in its shape.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple, Self

import numpy as np
import numpy.typing as npt

from desurvey.lineup.picks import LineupSettings
from desurvey.problems import DataProblem, nearest
from desurvey.shown import shown

__all__ = ["Pinned", "Pins", "Tie", "pinned", "placed"]

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@shown
@dataclass(frozen=True, slots=True)
class Pins:
    """Picks that a person has put into a fault or into none, by their names.

    Attributes
    ----------
    where : tuple of (str, tuple of str)
        Pick, and picks of the fault that it belongs to: whichever fault most of them are in. Without any: of no fault.
    """

    where: tuple[tuple[str, tuple[str, ...]], ...] = ()

    @classmethod
    def of(cls, pins: Mapping[str, str], faults: Mapping[str, Iterable[str]] | None = None) -> Self:
        """Return pins from what stands in ``decisions.toml``.

        Parameters
        ----------
        pins : mapping of str to str
            Pick → name of a fault, or of a pick that stands for its fault, or an empty text for none.
        faults : mapping of str to names, optional
            Picks of the faults that have a name (:meth:`desurvey.lineup.naming.Remembered.members`).

        Examples
        --------
        >>> Pins.of({"S1": "F1", "S2": "", "S3": "S4"}, {"F1": ["S1", "S5", "S6"]}).where
        (('S1', ('S5', 'S6')), ('S2', ()), ('S3', ('S4',)))
        """
        known = faults or {}
        anchors = {
            pick: tuple(name for name in known.get(to, (to,)) if name != pick) if to else ()
            for pick, to in sorted(pins.items())
        }
        lone = [pick for pick, names in anchors.items() if pins[pick] and not names]
        if lone:
            raise DataProblem("a pick can be pinned only to a fault that other picks hold", value=pins[lone[0]])
        return cls(tuple(anchors.items()))


@shown
class Tie(NamedTuple):
    """Picks that a person holds to be of one fault, as rows: whichever fault most of the voters are in."""

    members: Ints
    voters: Ints
    alone: bool  # whether they are a fault of their own where no voter has one


@shown
class Pinned(NamedTuple):
    """Pins as rows of the picks that are lined up.

    Attributes
    ----------
    aside : (m,) bool array
        Picks of no fault.
    ties : tuple of Tie
    different : tuple of int arrays
        In each no two of one fault.
    lost : tuple of str
        Picks whose pins hold no longer: they, or all that stand for the fault, are gone.
    """

    aside: Bools
    ties: tuple[Tie, ...]
    different: tuple[Ints, ...]
    lost: tuple[str, ...]


def pinned(names: npt.NDArray[np.str_], pins: Pins, settings: LineupSettings) -> Pinned:
    """Return pins, and ``same`` and ``different`` of the settings, as rows of picks.

    Raises
    ------
    DataProblem
        When the settings name a structure that isn't among the picks, or pin the same ones together and apart.
    """
    row = {name: number for number, name in enumerate(names.tolist())}
    for name in (name for group in (*settings.same, *settings.different) for name in group):
        if name not in row:
            hint = nearest(name, row)
            raise DataProblem(
                "[lineup] same and different must name structures of the kind that is lined up", value=name, hint=hint
            )
    same = _joined([{row[name] for name in group} for group in settings.same])
    different = tuple(np.array(sorted({row[name] for name in group})) for group in settings.different)
    for together in same:
        for apart in different:
            if np.isin(together, apart).sum() > 1:
                value = ", ".join(names[together[np.isin(together, apart)]])
                raise DataProblem("[lineup] pins the same structures both together and apart", value=value)
    aside = np.isin(names, [pick for pick, anchors in pins.where if not anchors])
    voters = {pick: np.array([row[a] for a in anchors if a in row]) for pick, anchors in pins.where if anchors}
    held = [pick for pick, rows in voters.items() if pick in row and len(rows)]
    put = [Tie(np.array([row[pick]]), voters[pick], alone=False) for pick in held]
    ties = (*(Tie(rows, rows, alone=True) for rows in same), *put)
    return Pinned(aside, ties, different, tuple(pick for pick in voters if pick not in held))


def _joined(sets: list[set[int]]) -> list[Ints]:
    """Return sets with those that share a member made one; a single pick is no pin."""
    done: list[set[int]] = []
    for one in sets:
        touching = [other for other in done if other & one]
        done = [other for other in done if not other & one] + [one.union(*touching)]
    return [np.array(sorted(one)) for one in done if len(one) > 1]


def placed(ties: tuple[Tie, ...], group: Ints) -> Ints:
    """Return the number of the fault that each tie's members belong to, −1 where its voters have none, shape (t,).

    A voter that is itself put somewhere votes for that place, not for where the evidence has it; those put in a circle
    vote by the evidence.
    """
    group, answer = group.copy(), np.full(len(ties), -1)
    waiting = [number for number, tie in enumerate(ties) if not tie.alone]
    unknown = set(np.concatenate([ties[number].members for number in waiting]).tolist()) if waiting else set()
    order = [number for number, tie in enumerate(ties) if tie.alone]
    while order or waiting:
        ready = order or [n for n in waiting if unknown.isdisjoint(ties[n].voters.tolist())] or waiting[:1]
        for number in ready:
            answer[number] = _most(group[ties[number].voters])
            group[ties[number].members] = answer[number]
            unknown.difference_update(ties[number].members.tolist())
        order, waiting = [], [number for number in waiting if number not in ready]
    return answer


def _most(numbers: Ints) -> int:
    """Return the number that stands there most often, of those that aren't −1; −1 without any."""
    there = numbers[numbers >= 0]
    return int(np.bincount(there).argmax()) if len(there) else -1
