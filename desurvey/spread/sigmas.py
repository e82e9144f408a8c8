"""The one table of default errors: every 1-σ value of the program, with its source.

``[spread]`` in ``project.toml`` sets any of them by the names used here, ``[spread.gyro]`` and so on those of an
instrument. Nothing here is a specification of any tool: a project that knows better values should state them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from desurvey.project import options
from desurvey.spread.wander import WanderSettings

__all__ = ["INSTRUMENTS", "Gyro", "Instrument", "Magnetic", "Sigmas", "Unstated", "sigmas_from"]

PRACTICE = "common practice, no source"


def _degrees(value: float, source: str = PRACTICE) -> Any:
    return field(default=value, metadata={"low": 0.0, "high": 180.0, "source": source})


def _metres(value: float, source: str = PRACTICE) -> Any:
    return field(default=value, metadata={"low": 0.0, "high": 1e4, "source": source})


def _check(values: Instrument | Sigmas) -> None:
    for item in fields(values):
        high = item.metadata.get("high")
        if high is not None and not 0.0 <= getattr(values, item.name) <= high:
            raise ValueError(f"{item.name} must lie in 0 to {high:g}, not {getattr(values, item.name)}")


@dataclass(frozen=True, slots=True)
class Instrument:
    """1-σ errors of the directions that a kind of survey instrument reads.

    Attributes
    ----------
    azimuth_deg, dip_deg : float
        Random: drawn anew at each station.
    azimuth_bias_deg, dip_bias_deg : float
        Systematic: the same all the way down a hole, drawn anew for each hole (declination, reference azimuth, sag,
        misalignment). Taken as random these would understate the position error several times over.
    """

    azimuth_deg: float
    dip_deg: float
    azimuth_bias_deg: float
    dip_bias_deg: float

    def __post_init__(self) -> None:
        """Refuse values that are no standard deviations."""
        _check(self)


@dataclass(frozen=True, slots=True)
class Magnetic(Instrument):
    """Magnetic multishot: in all 0.35–1.0° in azimuth, 0.1–0.3° in dip."""

    azimuth_deg: float = _degrees(0.5)
    dip_deg: float = _degrees(0.2)
    azimuth_bias_deg: float = _degrees(0.5)
    dip_bias_deg: float = _degrees(0.1)


@dataclass(frozen=True, slots=True)
class Gyro(Instrument):
    """Gyro: in all 0.5–1.0° in azimuth, most of it that of the reference, 0.05–0.1° in dip."""

    azimuth_deg: float = _degrees(0.4)
    dip_deg: float = _degrees(0.05)
    azimuth_bias_deg: float = _degrees(0.5)
    dip_bias_deg: float = _degrees(0.05)


@dataclass(frozen=True, slots=True)
class Unstated(Instrument):
    """A survey row that doesn't say its instrument: the loose end of both kinds."""

    azimuth_deg: float = _degrees(0.7)
    dip_deg: float = _degrees(0.2)
    azimuth_bias_deg: float = _degrees(0.7)
    dip_bias_deg: float = _degrees(0.2)


@dataclass(frozen=True, slots=True)
class Sigmas:
    """Every 1-σ error the program assumes, as one table; the source of each default is in its field's metadata.

    Attributes
    ----------
    magnetic, gyro, unstated : Instrument
        Errors of survey readings, by the ``instrument`` column of the surveys.
    depth_m : float
        Random error of a depth along the hole (a survey station's, a logged structure's), metres.
    depth_scale : float
        Systematic error of depths, per metre of depth.
    easting_m, northing_m, elevation_m : float
        Collar, metres.
    alpha_deg, beta_deg : float
        Reading errors of the core angles.
    line_deg : float
        Error of the orientation line: the mark of the tool, and carrying it along the core. This is what the program
        believes before it sees the data; suspects learn what it is in a project from the runs themselves.
    tilt_deg : float
        Error with which the orientation tool senses the direction of gravity. It turns the line by
        tilt / cos(dip): little on a flat hole, without limit towards the vertical.
    hole_deg : float
        Honest error that all readings of a hole share beyond that of their lines: of its survey, and a habit of the
        crew. Suspects allow each hole so much before they look for a blunder.
    offset_deg : float
        Error of a line offset between two fitted runs, the honest errors of the two lines in it included.
    plane_deg : float
        Error in any one direction of the pole of a plane that was logged as dip and dip direction.
    wander : WanderSettings
        What is believed of the rods' wander before the drilled holes are looked at.
    """

    magnetic: Magnetic = Magnetic()
    gyro: Gyro = Gyro()
    unstated: Unstated = Unstated()
    depth_m: float = _metres(0.1)
    depth_scale: float = field(
        default=5.6e-4,
        metadata={"low": 0.0, "high": 1.0, "source": "Williamson (2000), SPE 67616, drill pipe; from memory"},
    )
    easting_m: float = _metres(0.1)
    northing_m: float = _metres(0.1)
    elevation_m: float = _metres(0.1)
    alpha_deg: float = _degrees(2.0)
    beta_deg: float = _degrees(5.0)
    line_deg: float = _degrees(5.0)
    tilt_deg: float = _degrees(0.1)
    hole_deg: float = _degrees(1.5)
    offset_deg: float = _degrees(6.0)
    plane_deg: float = _degrees(2.0)
    wander: WanderSettings = field(default_factory=WanderSettings)

    def __post_init__(self) -> None:
        """Refuse values that are no standard deviations."""
        _check(self)


INSTRUMENTS = ("magnetic", "gyro", "unstated")
"""Order of the instrument codes 0, 1, 2."""


def sigmas_from(section: Mapping[str, Any]) -> Sigmas:
    """Return the errors that a ``[spread]`` section of ``project.toml`` asks for, the defaults where it is silent.

    Raises
    ------
    DataProblem
        For a name that means nothing or a value that is no standard deviation.

    Examples
    --------
    >>> sigmas_from({"alpha_deg": 3.0, "gyro": {"azimuth_deg": 0.2}}).gyro.azimuth_deg
    0.2
    """
    return options("spread", section, Sigmas)
