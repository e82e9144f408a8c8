"""The one table of limits that the checks go by: every value with its source, and every one a key of ``[checks]``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from desurvey.project import Project, options
from desurvey.shown import shown

__all__ = ["Limits", "limits_of"]

PRACTICE = "common practice, no source"
ROD_MAKER = (
    "common practice, no source: a rod maker's article (Coring Magazine 5, 2017) says that no rating by size exists, "
    "and that wide rods stand deviation least"
)


def _limit(default: float, low: float, high: float, source: str = PRACTICE) -> Any:
    return field(default=default, metadata={"low": low, "high": high, "source": source})


@shown
@dataclass(frozen=True, slots=True)
class Limits:
    """``[checks]`` of project.toml; the source of each default is in its field's metadata.

    Attributes
    ----------
    collar_turn_deg : float
        Angle between the collar's direction and that of a station near it.
    collar_station_m : float
        Depth down to which a station is near the collar.
    collar_apart_m : float
        Distance within which two collars are one, if their holes have one direction.
    collar_spacing : float
        Distance of a collar from its nearest neighbour, in units of the usual one.
    topography : str
        A table of easting, northing, elevation of the ground; blank: collars are compared with their neighbours.
    topography_m : float
        Height of a collar above or below the ground.
    first_station_m, station_gap_m, unsurveyed_m : float
        Length without a survey station at the top, between stations, at the end.
    dogleg_b, dogleg_n, dogleg_h, dogleg_p : float
        Dogleg severity by core size, degrees per 30 m; twice as much is taken for a wrong reading. A hole without a
        known core size goes by ``dogleg_b``.
    dogleg_least_deg : float
        Angle between two stations that reading errors alone can make, however near they are.
    field_nt, field_dip_deg : float
        Difference of a magnetic reading's field from the model's; at twice as much the azimuth is worth nothing.
    instrument_offset_deg : float
        Angle between two surveys of a hole, in the middle of all stations of one.
    near_sigmas : float
        Distance of two holes in units of its standard deviation.
    recovery_most : float
        Recovered core as a share of the run.
    line_offset_deg : float
        Offset between the lines of two fitted runs up to which they agree: 5° is good, 5 to 10° usable, more is not.
    line_drift_deg : float
        Sum of the offsets along a stretch of runs that agree one by one; it must be beyond chance as well.
    oriented_share : float
        Share of a hole's core whose line agrees with a neighbour's.
    steep_line_deg : float
        Dip of a hole, steeper than which gravity hardly shows a side.
    settle_s : float
        Seconds that an orientation tool is left still.
    interval_gap_m : float
        Metres between intervals that nobody has described.
    severity : mapping of str to str
        Rule → ``note`` for findings that are worth knowing here and no more, ``off`` for none. What a finding stops
        stays stopped; an error can be a note, not off.
    """

    collar_turn_deg: float = _limit(3.0, 0.0, 180.0)
    collar_station_m: float = _limit(1.0, 0.0, 1000.0)
    collar_apart_m: float = _limit(1.0, 0.0, 1e6)
    collar_spacing: float = _limit(20.0, 1.0, 1e6)
    topography: str = ""
    topography_m: float = _limit(5.0, 0.0, 1e5)
    first_station_m: float = _limit(30.0, 0.0, 15_000.0)
    station_gap_m: float = _limit(60.0, 0.0, 15_000.0)
    unsurveyed_m: float = _limit(60.0, 0.0, 15_000.0)
    dogleg_b: float = _limit(9.0, 0.0, 1e4, ROD_MAKER)
    dogleg_n: float = _limit(6.0, 0.0, 1e4, ROD_MAKER)
    dogleg_h: float = _limit(4.0, 0.0, 1e4, ROD_MAKER)
    dogleg_p: float = _limit(2.0, 0.0, 1e4, ROD_MAKER)
    dogleg_least_deg: float = _limit(1.5, 0.0, 180.0)
    field_nt: float = _limit(1000.0, 0.0, 1e6)
    field_dip_deg: float = _limit(1.0, 0.0, 180.0)
    instrument_offset_deg: float = _limit(3.0, 0.0, 180.0)
    near_sigmas: float = _limit(2.0, 0.0, 100.0)
    recovery_most: float = _limit(1.05, 0.0, 100.0)
    line_offset_deg: float = _limit(10.0, 0.0, 180.0)
    line_drift_deg: float = _limit(30.0, 0.0, 1e6)
    oriented_share: float = _limit(
        0.3, 0.0, 1.0, "a structural consultancy's page (2025): 70 % of runs may be rejected in a bad campaign; weak"
    )
    steep_line_deg: float = _limit(
        85.0, 0.0, 90.0, "common practice for accelerometers, no source; 70° for mechanical marks: Holcombe (2010)"
    )
    settle_s: float = _limit(15.0, 0.0, 1e6)
    interval_gap_m: float = _limit(0.1, 0.0, 15_000.0)
    severity: Mapping[str, Literal["note", "off"]] = field(
        default_factory=dict, metadata={"source": 'a rule\'s own; severity.RULE = "note" or "off" here'}
    )


def limits_of(project: Project) -> Limits:
    """Return a project's limits.

    Raises
    ------
    DataProblem
        When ``[checks]`` has an unknown key or a wrong value.
    """
    return options("checks", project.section("checks"), Limits)
