"""Faults one after another: which rock lies on which side, and what of a project's tables tells of their slips.

A marker may be cut by several faults. Each is answered with what the others did undone, and how well that is known
added to the picks, in turns until all have been heard twice. A fault that ends at another doesn't reach the ground
beyond it: picks there say nothing of its slip. Nor do picks beyond its own extent, where it may have died out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.lineup import Fault, LineUp, Picks
from desurvey.problems import DataProblem, nearest
from desurvey.progress import silent
from desurvey.shown import shown
from desurvey.slip.answer import Slip, slip_of
from desurvey.slip.evidence import Marker, SlipLines, SlipSettings

if TYPE_CHECKING:
    from desurvey.orient import Oriented
    from desurvey.progress import Progress
    from desurvey.spread import HoleSpread, StructureSpread
    from desurvey.surface.contacts import Changes
    from desurvey.traces import Traces

__all__ = ["FaultNetwork", "MarkerPicks", "body_picks", "edge_picks", "lines_of", "slips_of"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

TURNS = 2
"""Times that each of several faults is answered."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class MarkerPicks:
    """Where holes met what faults displace.

    Attributes
    ----------
    name : str
        As ``[slip] markers`` says it.
    picks : Picks
    """

    name: str
    picks: Picks


@shown
@dataclass(frozen=True, slots=True, eq=False)
class FaultNetwork:
    """The faults of a line-up, and which end at which.

    Attributes
    ----------
    faults : tuple of Fault
        In the order of the line-up.
    ends_at : mapping of str to str
        Younger fault → older one at which it ends, as the project says, or older → younger that cuts it off.
    """

    faults: tuple[Fault, ...]
    ends_at: Mapping[str, str]

    @classmethod
    def of(cls, found: LineUp, ends_at: Mapping[str, str]) -> FaultNetwork:
        """Return the network of a line-up.

        Raises
        ------
        DataProblem
            When a name is that of no fault.
        """
        names = [fault.fault_id for fault in found.faults]
        for one in (*ends_at, *ends_at.values()):
            if one not in names:
                hint = nearest(one, names) or f"the line-up found {', '.join(names) or 'no fault'}"
                raise DataProblem("[faults] names a fault that isn't in the line-up", value=one, hint=hint)
        return cls(found.faults, dict(ends_at))

    def offset(self, fault: Fault, position: Floats) -> tuple[Floats, Floats]:
        """Return how far places (n, 3) lie above a fault's surface, metres, and its 1-σ there; NaN beyond its extent.

        Above is the hanging wall.
        """
        sheet = fault.sheet
        local = (position - sheet.centre) @ sheet.axes.T
        level, covariance = sheet.surface(local[:, :2])
        reached = fault.contains(local[:, :2])
        older = self.ends_at.get(fault.fault_id)
        if older is not None:
            end = next(one for one in self.faults if one.fault_id == older)
            own = np.sign(np.median(self._above(end, sheet.readings.place @ sheet.axes[:2] + sheet.centre)))
            reached &= np.sign(self._above(end, position)) == own
        return np.where(reached, local[:, 2] - level[:, 0], np.nan), np.sqrt(covariance[:, 0, 0])

    def _above(self, fault: Fault, position: Floats) -> Floats:
        local = (position - fault.sheet.centre) @ fault.sheet.axes.T
        return local[:, 2] - fault.sheet.level(local[:, :2])

    def split(self, fault: Fault, found: MarkerPicks, undone: MarkerPicks) -> tuple[Marker, Floats]:
        """Return a marker's picks on the two sides of a fault, and their distances from it.

        Sides are those of the places where the picks are found; they are returned where they were before other faults
        moved them. Picks whose side isn't sure (within one σ of the fault) have no say.
        """
        offset, sigma = self.offset(fault, found.picks.position)
        normal = fault.sheet.axes[2]
        own = ((found.picks.position_covariance @ normal) * normal).sum(axis=1)
        sure = np.abs(offset) > np.sqrt(sigma**2 + own)  # False where NaN
        rows = np.flatnonzero(sure)
        return Marker(found.name, undone.picks[rows], offset[rows] > 0.0), offset[rows]


def slips_of(
    network: FaultNetwork,
    markers: Sequence[MarkerPicks],
    lines: Sequence[SlipLines],
    settings: SlipSettings | None = None,
    *,
    progress: Progress | None = None,
) -> tuple[Slip, ...]:
    """Return the slip of each fault of a network.

    Parameters
    ----------
    network : FaultNetwork
    markers : sequence of MarkerPicks
    lines : sequence of SlipLines
        One a fault.
    settings : SlipSettings, optional
    progress : callable, optional
        Told the share done.
    """
    settings, tell = settings or SlipSettings(), progress or silent
    known: dict[str, Slip] = {}
    heard: dict[str, list[Floats]] = {}
    for turn in range(TURNS):
        for number, (fault, seen) in enumerate(zip(network.faults, lines, strict=True)):
            name, others = fault.fault_id, [one for one in network.faults if one is not fault]
            undone = [_undone(network, others, known, found) for found in markers]
            places = [one.picks.position for one in undone]
            if name not in heard or any(map(_differ, places, heard[name])):  # else it would answer the same
                split = [network.split(fault, *both) for both in zip(markers, undone, strict=True)]
                known[name] = slip_of(
                    name, fault.normal, [marker for marker, _ in split], seen, settings,
                    normal_sigma_deg=fault.dip_sigma, offsets=[offset for _, offset in split],
                )  # fmt: skip
                heard[name] = places
            tell((turn + (number + 1) / len(network.faults)) / TURNS)
    return tuple(known[fault.fault_id] for fault in network.faults)


def _differ(one: Floats, other: Floats) -> bool:
    return bool(np.abs(one - other).max(initial=0.0) > SAME_M)


SAME_M = 0.05
"""Metres below which a marker counts as unmoved from one turn to the next."""


def _undone(
    network: FaultNetwork, faults: Sequence[Fault], known: Mapping[str, Slip], found: MarkerPicks
) -> MarkerPicks:
    """Return a marker with what some faults did undone, as far as it is known yet."""
    place, spread = found.picks.position.copy(), found.picks.position_covariance.copy()
    for fault in faults:
        slip = known.get(fault.fault_id)
        if slip is None or not slip.optima or slip.odds < SURE_ODDS:
            continue
        hanging = network.offset(fault, found.picks.position)[0] > 0.0
        best = slip.optima[0]
        place[hanging] -= best.slip
        spread[hanging] += best.covariance
    return MarkerPicks(found.name, replace(found.picks, position=place, position_covariance=spread))


SURE_ODDS = 20.0
"""Odds from which a fault is said to have moved anything."""


# ---------------------------------------------------------------------------------------------- from a project's tables


def lines_of(
    structures: Oriented, known: StructureSpread, rows: Ints, normal: Floats, settings: SlipSettings
) -> SlipLines:
    """Return slip lines logged on some structures, in the plane of their fault.

    A line turns in the plane by its gamma's error; what turns the whole plane tilts it out of the fault's, and turns
    it within by the part of its pole's error about the fault's normal, which is small where the two planes agree.

    Raises
    ------
    DataProblem
        When ``sense`` holds a word that isn't one.
    """
    table = structures.table
    sense = np.full(len(table), "", dtype=object)
    if "sense" in table:
        sense = table["sense"].astype("string").fillna("").str.strip().str.casefold().to_numpy(dtype=object)
    for row in rows:  # a refusal names its row
        if sense[row] not in SENSES:
            number = int(table["row"].iloc[row]) if "row" in table else None
            hint = nearest(str(sense[row]), SENSES) or "say normal, reverse, dextral or sinistral, or nothing"
            raise DataProblem(
                "the sense of a slip line isn't one", row=number, column="sense", value=sense[row], hint=hint
            )
    vector = structures.line[rows]
    vector = vector - (vector @ normal)[:, None] * normal
    vector /= np.linalg.norm(vector, axis=1, keepdims=True)
    sigma = np.hypot(settings.gamma_deg, known.pole_sigma_deg[rows] / np.sqrt(2.0))
    return SlipLines(vector, sigma, sense[rows].astype(np.str_))


SENSES = ("", "normal", "reverse", "dextral", "sinistral")


def edge_picks(name: str, found: Changes, pair: tuple[str, str], traces: Traces, spread: HoleSpread) -> MarkerPicks:
    """Return where holes pass from one value of an interval table to another, or back.

    Raises
    ------
    DataProblem
        When none does.
    """
    one, other = pair
    here = ((found.above == one) & (found.below == other)) | ((found.above == other) & (found.below == one))
    here &= traces.index(found.hole_id) >= 0
    if not here.any():
        known = sorted(set(found.above) | set(found.below))
        lacking = next((value for value in pair if value not in known), "")
        hint = nearest(lacking, known) if lacking else ""
        raise DataProblem(f"no hole passes from '{one}' to '{other}' or back", column="markers", value=name, hint=hint)
    return MarkerPicks(
        name, _bare(traces.index(found.hole_id[here]), found.depth[here], found.sigma[here], traces, spread)
    )


def body_picks(
    name: str, intervals: pd.DataFrame, column: str, value: str, traces: Traces, spread: HoleSpread
) -> MarkerPicks:
    """Return the middles of the intervals of a value: a thin body, such as a dyke or a seam.

    Raises
    ------
    DataProblem
        When no interval has the value.
    """
    said = intervals[column].astype("string").str.strip().fillna("")
    hole = traces.index(intervals["hole_id"].to_numpy(dtype=np.str_))
    here = (said == value).to_numpy(dtype=bool) & (hole >= 0)
    if not here.any():
        hint = nearest(value, sorted(set(said))) or f"there are {', '.join(sorted(set(said) - {''}))}"
        raise DataProblem("no interval has the value of a marker", column="markers", value=name, hint=hint)
    top, bottom = (intervals[key].to_numpy(dtype=float)[here] for key in ("depth_from", "depth_to"))
    return MarkerPicks(name, _bare(hole[here], (top + bottom) / 2.0, (bottom - top) * UNEVEN, traces, spread))


UNEVEN = 0.1
"""1-σ of the middle of a body about that of its surface, as a share of its length along the hole (common practice, no
source)."""


def _bare(hole: Ints, depth: Floats, sigma: Floats, traces: Traces, spread: HoleSpread) -> Picks:
    """Return places along holes as picks without orientation."""
    points, count = traces.at(hole, depth), len(hole)
    along = sigma[:, None, None] ** 2 * points.tangent[:, :, None] * points.tangent[:, None, :]
    nothing = np.full(count, np.nan)
    return Picks(
        hole, depth, points.position, spread.at(hole, depth).position + along, points.tangent,
        np.full((count, 3), np.nan), np.full((count, 3, 3), np.nan), nothing, nothing,
    )  # fmt: skip
