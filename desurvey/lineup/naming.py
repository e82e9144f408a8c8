"""Faults keep their names: ``faults.toml``, the program's own file, remembers each fault's name and picks.

A line-up numbers its faults by size, so one more pick would give F1 and F2 each other's names. Names are therefore
handed on: old and new faults are paired so that they have the most picks in common, a name that a fault has lost is
never given to another, and a new fault takes the next number. A person's own name for a fault is handed on like any
other. All functions are pure but for reading and writing the file.

References
----------
Jaccard (1912), New Phytologist 11, 37-50: picks in common over picks in either. Kuhn (1955), Naval Research Logistics
Quarterly 2, 83-97: the pairing whose sum is greatest.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.lineup.answers import LineUp
from desurvey.outputs import replacing
from desurvey.problems import DataProblem, nearest
from desurvey.shown import shown

__all__ = ["FILE", "HandedOn", "Named", "Remembered", "handed_on", "read_names", "write_names"]

FILE = "faults.toml"

HEADER = (
    "# Names of the faults that lowside has lined up, and their picks. The program writes this file: each fault keeps\n"
    "# its name while it keeps most of its picks. A name may be changed here, or with lowside lineup --name.\n"
)

HALF = 0.5
"""Share of the smaller fault's picks that two must have in common to be the same one (common practice, no source)."""


@shown
@dataclass(frozen=True, slots=True)
class Named:
    """A fault that has a name.

    Attributes
    ----------
    name : str
        What it is called: F and its number, unless a person says otherwise.
    number : int
        Of all faults of its kind that there ever were.
    kind : str
        Kind of its picks.
    colour : int
        Place of its colour in the palette.
    picks : tuple of str
        Structure ids, sorted; a structure without one is known by its hole and depth.
    p_value, probability : float
        What was last said of it; NaN: nothing.
    gone : bool
        Whether no fault is this one now.
    """

    name: str
    number: int
    kind: str
    colour: int
    picks: tuple[str, ...]
    p_value: float = math.nan
    probability: float = math.nan
    gone: bool = False


@shown
@dataclass(frozen=True, slots=True)
class Remembered:
    """All faults that have, or had, a name."""

    faults: tuple[Named, ...] = ()

    def of_kind(self, kind: str) -> tuple[Named, ...]:
        """Return the faults of one kind of picks, gone ones too."""
        return tuple(one for one in self.faults if one.kind == kind.casefold())

    def members(self, kind: str) -> dict[str, tuple[str, ...]]:
        """Return the picks of the faults of a kind by their names, for :meth:`desurvey.lineup.Pins.of`."""
        return {one.name: one.picks for one in self.of_kind(kind)}

    def as_named(self) -> tuple[Named, ...]:
        """Return the faults without what was last said of them."""
        return tuple(replace(one, p_value=0.0, probability=0.0) for one in self.faults)

    def renamed(self, kind: str, names: Mapping[str, str]) -> Remembered:
        """Return what is remembered with faults called as a person says.

        Parameters
        ----------
        kind : str
            Kind of the picks.
        names : mapping of str to str
            Name now → name from now on.

        Raises
        ------
        DataProblem
            When there is no fault of that name, or two would have the same one.
        """
        own = self.of_kind(kind)
        for old in names:
            if old not in {one.name for one in own}:
                known = [one.name for one in own if not one.gone]
                hint = nearest(old, known) or f"the faults there are: {', '.join(known) or 'none'}"
                raise DataProblem("there is no such fault to name", column="fault_id", value=old, hint=hint)
        faults = tuple(replace(one, name=names.get(one.name, one.name)) if one in own else one for one in self.faults)
        after = Remembered(faults)
        _refuse_doubles(after)
        return after


@shown
class HandedOn(NamedTuple):
    """A line-up whose faults have their names, what is to be remembered, and what has changed, in sentences."""

    lineup: LineUp
    remembered: Remembered
    said: tuple[str, ...]


def handed_on(lineup: LineUp, before: Remembered) -> HandedOn:
    """Return a line-up with the names and colours that its faults had before.

    Parameters
    ----------
    lineup : LineUp
        With its faults in any order.
    before : Remembered
        What stands in ``faults.toml``.

    Notes
    -----
    Old and new faults may be the same one when they share half the picks of the smaller; of all such pairings the one
    with the greatest sum of Jaccard indices is taken, living names before gone ones. Nothing is said of a fault whose
    picks are as they were, nor when nothing was remembered.
    """
    kind = lineup.kind.casefold()
    old = sorted(before.of_kind(kind), key=lambda one: (one.gone, one.number))
    picks = [frozenset(lineup.names[fault.rows].tolist()) for fault in lineup.faults]
    heir = _paired([frozenset(one.picks) for one in old], picks, np.array([one.gone for one in old], dtype=bool))
    next_number = max((one.number for one in old), default=0) + 1
    fresh = iter(range(next_number, next_number + len(picks)))
    kept = [old[heir[n]] if n in heir else _new(next(fresh), kind, old) for n in range(len(picks))]
    colours = _coloured(kept)
    now = [
        replace(one, picks=tuple(sorted(own)), p_value=round(fault.surface.p_value, 4), colour=colour, gone=False)
        for one, own, fault, colour in zip(kept, picks, lineup.faults, colours, strict=True)
    ]
    gone = [replace(one, gone=True) for k, one in enumerate(old) if k not in heir.values()]
    faults = tuple(
        replace(fault, fault_id=one.name, colour=one.colour) for fault, one in zip(lineup.faults, now, strict=True)
    )
    after = sorted([*now, *gone], key=lambda one: one.number)
    others = tuple(one for one in before.faults if one.kind != kind)
    said = _changes(old, now, heir) if old else ()
    return HandedOn(replace(lineup, faults=faults), Remembered((*others, *after)), said)


def _new(number: int, kind: str, old: list[Named]) -> Named:
    """Return a fault that takes the next number; a person may have called another one so."""
    name = f"F{number}"
    return Named(name if name not in {one.name for one in old} else f"{name}′", number, kind, -1, ())


def _coloured(faults: list[Named]) -> list[int]:
    """Return the colours of living faults: their own, or where that is taken, or there is none, the first free one."""
    colours = [-1] * len(faults)
    for place in sorted(range(len(faults)), key=lambda n: (faults[n].colour < 0, faults[n].gone, faults[n].number)):
        own, taken = faults[place].colour, set(colours)
        free = next(n for n in range(len(faults) + 1) if n not in taken)
        colours[place] = own if own >= 0 and own not in taken else free
    return colours


def _paired(old: list[frozenset[str]], new: list[frozenset[str]], gone: npt.NDArray[np.bool_]) -> dict[int, int]:
    """Return for new faults the old ones that they are; living ones are paired before those that are gone."""
    from scipy.optimize import linear_sum_assignment  # slow to import, and only names need it

    if not old or not new:
        return {}
    common = np.array([[len(one & other) for other in new] for one in old], dtype=float)
    sizes = np.array([len(one) for one in old])[:, None], np.array([len(one) for one in new])
    jaccard = common / np.maximum(sizes[0] + sizes[1] - common, 1)
    score = np.where(common >= HALF * np.maximum(np.minimum(*sizes), 1), jaccard, 0.0)
    pairs: dict[int, int] = {}
    for which in (~gone, gone):
        left = score * which[:, None]
        left[:, list(pairs)] = 0.0
        rows, columns = linear_sum_assignment(left, maximize=True)
        pairs |= {int(c): int(r) for r, c in zip(rows, columns, strict=True) if left[r, c] > 0.0}
    return pairs


def _changes(old: list[Named], now: list[Named], heir: Mapping[int, int]) -> tuple[str, ...]:
    """Return in sentences what became of the old faults and where the new ones come from."""
    said = []
    for place, one in enumerate(now):
        if place not in heir:
            source = next((o for o in old if not o.gone and _mostly(one.picks, o.picks)), None)
            said.append(f"{one.name} is split off {source.name}." if source else f"{one.name} is new.")
            continue
        was = old[heir[place]]
        if was.gone:
            said.append(f"{one.name} is there again.")
        elif was.picks != one.picks:
            said.append(_moved(was, one))
    for k, one in enumerate(old):
        if not one.gone and k not in heir.values():
            taker = next((n for n in now if _mostly(one.picks, n.picks)), None)
            said.append(f"{one.name} is part of {taker.name} now." if taker else f"{one.name} is gone.")
    return tuple(said)


def _mostly(part: Iterable[str], whole: Iterable[str]) -> bool:
    part = set(part)
    return len(part & set(whole)) > HALF * len(part)


def _moved(was: Named, now: Named) -> str:
    """Return how a fault has changed.

    >>> was = Named("F3", 3, "fault", 2, ("a", "b"), 0.49)
    >>> _moved(was, replace(was, picks=("a", "b", "c"), p_value=0.31))
    'F3: 2 → 3 picks, p 0.49 → 0.31.'
    """
    same = len(was.picks) == len(now.picks)
    size = f"{len(now.picks)} picks, not the same ones" if same else f"{len(was.picks)} → {len(now.picks)} picks"
    fit = f", p {was.p_value:.2f} → {now.p_value:.2f}" if math.isfinite(was.p_value + now.p_value) else ""
    return f"{now.name}: {size}{fit}."


# ------------------------------------------------------------------------------------------------------------ the file


def read_names(folder: Path | str) -> Remembered:
    """Return what a project folder remembers of its faults; nothing when there is no file.

    Raises
    ------
    DataProblem
        When the file can't be read as what this program writes.
    """
    path = Path(folder) / FILE
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8")).get("fault", [])
    except (FileNotFoundError, NotADirectoryError):
        return Remembered()
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise _damaged(str(error)) from error
    if not isinstance(raw, list):
        raise _damaged("fault")
    remembered = Remembered(tuple(_named(block) for block in raw))
    _refuse_doubles(remembered)
    return remembered


def write_names(folder: Path | str, remembered: Remembered) -> bool:
    """Write ``faults.toml``, whole or not at all; return whether that could be done.

    A folder that can't be written is no error: the names are then given by size once more. A file that gives the
    same picks the same names already is left alone, whatever was said of them.
    """
    if remembered.as_named() == read_names(folder).as_named():
        return True
    try:
        with replacing(Path(folder) / FILE, own=True) as partial:
            partial.write_text(HEADER + "".join(_block(one) for one in remembered.faults), encoding="utf-8")
    except DataProblem:
        return False
    return True


def _named(block: object) -> Named:
    """Return a fault as it stands in the file."""
    if not isinstance(block, dict):
        raise _damaged(block)
    types = {"name": str, "number": int, "kind": str, "colour": int, "gone": bool, "picks": list}
    for item in fields(Named):
        value = block.get(item.name, item.default)
        right = isinstance(value, types.get(item.name, (int, float)))
        if not right or (isinstance(value, bool) and item.name != "gone"):
            raise _damaged(f"{item.name} = {value!r}")
    if set(block) - {item.name for item in fields(Named)} or not all(isinstance(name, str) for name in block["picks"]):
        raise _damaged(block)
    return Named(**{**block, "picks": tuple(block["picks"])})


def _block(one: Named) -> str:
    numbers = {"p_value": one.p_value, "probability": one.probability}
    known = [f"{name} = {value:.4f}" for name, value in numbers.items() if math.isfinite(value)]
    lines = [
        "\n[[fault]]",
        f"name = {_quoted(one.name)}",
        f"number = {one.number}",
        f"kind = {_quoted(one.kind)}",
        f"colour = {one.colour}",
        *known,
        *(["gone = true"] if one.gone else []),
        f"picks = [{', '.join(map(_quoted, one.picks))}]",
    ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """Return a text as TOML writes it; JSON's strings are TOML's, but for one control character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _refuse_doubles(remembered: Remembered) -> None:
    seen = set()
    for one in remembered.faults:
        key = (one.kind, one.name)
        if key in seen or not one.name.strip():
            raise DataProblem("each fault must have a name of its own", file=FILE, value=one.name)
        seen.add(key)


def _damaged(value: object) -> DataProblem:
    hint = "mend it, or move it away: names are then given anew, by size"
    return DataProblem("this isn't what the program wrote there", file=FILE, value=value, hint=hint)
