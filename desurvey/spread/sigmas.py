"""The one table of default errors: every 1-σ value of the program, with its source.

``[spread]`` in ``project.toml`` sets any of them by the names used here, ``[spread.gyro]`` and so on those of an
instrument. Nothing here is a specification of any tool: a project that knows better values should state them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

from desurvey.problems import DataProblem, nearest

__all__ = ["INSTRUMENTS", "Instrument", "Sigmas", "sigmas_from"]

COMMON = "common practice, no source"


def _sigma(value: float, source: str = COMMON) -> Any:
    return field(default=value, metadata={"source": source})


def _check_positive(values: Instrument | Sigmas) -> None:
    for item in fields(values):
        value = getattr(values, item.name)
        if isinstance(value, float) and not 0.0 <= value < float("inf"):
            raise ValueError(f"{item.name} must be a number ≥ 0, not {value}")


@dataclass(frozen=True, slots=True)
class Instrument:
    """1-σ errors of the directions that a kind of survey instrument reads, degrees.

    Attributes
    ----------
    azimuth_deg, dip_deg : float
        Random: drawn anew at each station.
    azimuth_bias_deg, dip_bias_deg : float
        Systematic: the same all the way down a hole, drawn anew for each hole (declination, reference azimuth, sag,
        misalignment). Taken as random these would understate the position error several times over.
    source : str
        Where the four values come from.
    """

    azimuth_deg: float
    dip_deg: float
    azimuth_bias_deg: float
    dip_bias_deg: float
    source: str = COMMON

    def __post_init__(self) -> None:
        """Refuse values that are no standard deviations."""
        _check_positive(self)


@dataclass(frozen=True, slots=True)
class Sigmas:
    """Every 1-σ error the program assumes, as one table.

    Attributes
    ----------
    magnetic, gyro, unstated : Instrument
        Errors of survey readings by the ``instrument`` column; *unstated* where a survey row does not say.
    depth_m : float
        Random error of a depth along the hole (a survey station's, a logged structure's), metres.
    depth_scale : float
        Systematic error of depths, per metre of depth.
    easting_m, northing_m, elevation_m : float
        Collar, metres.
    alpha_deg, beta_deg : float
        Reading errors of the core angles.
    line_deg : float
        Error of the orientation line: the mark of the tool, and carrying it along the core.
    tilt_deg : float
        Error with which the orientation tool senses the direction of gravity. It turns the line by
        tilt / cos(dip): little on a flat hole, without limit towards the vertical.
    """

    magnetic: Instrument = field(
        default=Instrument(0.5, 0.2, 0.5, 0.1, "common practice, no source: within 0.35–1.0° and 0.1–0.3° in all"),
        metadata={"source": COMMON},
    )
    gyro: Instrument = field(
        default=Instrument(0.4, 0.05, 0.5, 0.05, "common practice, no source: within 0.5–1.0° and 0.05–0.1° in all"),
        metadata={"source": COMMON},
    )
    unstated: Instrument = field(
        default=Instrument(0.7, 0.2, 0.7, 0.2, "common practice, no source: the looser end of the two others"),
        metadata={"source": COMMON},
    )
    depth_m: float = _sigma(0.1)
    depth_scale: float = _sigma(5.6e-4, "Williamson (2000), SPE 67616, drill-pipe depth; recalled from memory")
    easting_m: float = _sigma(0.1)
    northing_m: float = _sigma(0.1)
    elevation_m: float = _sigma(0.1)
    alpha_deg: float = _sigma(2.0)
    beta_deg: float = _sigma(5.0)
    line_deg: float = _sigma(5.0)
    tilt_deg: float = _sigma(0.1)

    def __post_init__(self) -> None:
        """Refuse values that are no standard deviations."""
        _check_positive(self)


INSTRUMENTS = ("magnetic", "gyro", "unstated")
"""Order of the instrument codes 0, 1, 2."""


def sigmas_from(section: Mapping[str, Any]) -> Sigmas:
    """Return the errors that a ``[spread]`` section of ``project.toml`` asks for, the defaults where it is silent.

    Parameters
    ----------
    section : mapping
        Names of :class:`Sigmas` to numbers, and ``magnetic``, ``gyro``, ``unstated`` to mappings of the names of
        :class:`Instrument`.

    Raises
    ------
    DataProblem
        For a name that isn't known, or a value that isn't a number ≥ 0.

    Examples
    --------
    >>> sigmas_from({"alpha_deg": 3.0, "gyro": {"azimuth_deg": 0.2}}).gyro.azimuth_deg
    0.2
    """
    known = [item.name for item in fields(Sigmas)]
    changes: dict[str, Any] = {}
    for name, value in section.items():
        _check_name(name, known, "[spread]")
        changes[name] = _instrument(name, value) if name in INSTRUMENTS else _number(name, value, "[spread]")
    return replace(Sigmas(), **changes)


def _instrument(name: str, values: object) -> Instrument:
    place = f"[spread.{name}]"
    if not isinstance(values, Mapping):
        raise DataProblem(f"{name} must be a table", file="project.toml", column=place, value=values)
    known = [item.name for item in fields(Instrument) if item.name != "source"]
    for key in values:
        _check_name(key, known, place)
    numbers = {key: _number(key, value, place) for key, value in values.items()}
    base: Instrument = getattr(Sigmas(), name)
    return replace(base, source="project.toml", **numbers)


def _check_name(name: str, known: list[str], place: str) -> None:
    if name not in known:
        hint = nearest(name, known) or f"known names: {', '.join(known)}"
        raise DataProblem("this name is not known", file="project.toml", column=place, value=name, hint=hint)


def _number(name: str, value: object, place: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0.0 <= value < float("inf"):
        raise DataProblem(f"{name} must be a number ≥ 0", file="project.toml", column=place, value=value)
    return float(value)
