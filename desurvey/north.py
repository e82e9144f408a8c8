"""Magnetic, true and grid north: what lies between them, and where each figure came from.

``grid = magnetic + declination − convergence`` and ``grid = true − convergence``, degrees clockwise. *Declination* is
magnetic north's angle east of true north, from the World Magnetic Model at a place and date unless the project gives
one. *Convergence* is grid north's angle east of true north, from the project's coordinate reference system unless the
project gives one.

References
----------
NOAA NCEI & BGS: The US/UK World Magnetic Model for 2025-2030, technical report. The coefficients come with pygeomag,
the convergence (meridian convergence of the projection) with PROJ through pyproj.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from desurvey.problems import DataProblem
from desurvey.shown import shown

__all__ = ["MagneticField", "North", "Place", "convergence", "decimal_year", "magnetic_field", "places", "to_grid"]

Floats = npt.NDArray[np.float64]
North = Literal["grid", "true", "magnetic"]

MODELS: tuple[tuple[float, str], ...] = (
    (2025.0, "WMM_2025.COF"),
    (2020.0, "WMM_2020.COF"),
    (2015.0, "WMM_2015v2.COF"),
    (2010.0, "WMM_2010.COF"),
)
"""First year and coefficient file of each World Magnetic Model; each holds for five years (technical report)."""

MODEL_YEARS = (2010.0, 2030.0)
"""Dates outside which no model is at hand."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """Positions on the globe, one row each.

    Attributes
    ----------
    latitude, longitude : (n,) arrays
        Degrees north and east on WGS 84.
    height_m : (n,) array
        Metres above the ellipsoid; elevation above sea level is near enough for the field (30 m changes it by 1 nT).
    """

    latitude: Floats
    longitude: Floats
    height_m: Floats


@shown
@dataclass(frozen=True, slots=True, eq=False)
class MagneticField:
    """The earth's magnetic field by the model, one row a place and date.

    Attributes
    ----------
    declination, dip : (n,) arrays
        Degrees: east of true north, and down from horizontal.
    total_nt : (n,) array
        Total field in nanotesla.
    """

    declination: Floats
    dip: Floats
    total_nt: Floats


def to_grid(azimuth_deg: npt.ArrayLike, north: npt.ArrayLike, declination: Floats, convergence: Floats) -> Floats:
    """Return azimuths from grid north in [0, 360).

    Parameters
    ----------
    azimuth_deg : (n,) array
        Degrees clockwise from the north of each row.
    north : (n,) array of {"grid", "true", "magnetic"}
        What each is measured from.
    declination, convergence : (n,) arrays
        Degrees, positive east. Only used where a row needs them.

    Examples
    --------
    >>> to_grid([100.0, 100.0, 100.0], ["grid", "true", "magnetic"], np.full(3, 5.0), np.full(3, 1.5))
    array([100. ,  98.5, 103.5])
    """
    north = np.asarray(north, dtype=np.str_)
    turn = np.where(north == "grid", 0.0, -convergence) + np.where(north == "magnetic", declination, 0.0)
    azimuth = (np.asarray(azimuth_deg, dtype=float) + turn) % 360.0
    return np.where(azimuth >= 360.0, 0.0, azimuth)


def decimal_year(dates: npt.NDArray[np.datetime64]) -> Floats:
    """Return dates as years with a fraction; NaN where there is none.

    >>> decimal_year(np.array(["2026-01-01", "2026-07-02T12"], dtype="datetime64[s]"))
    array([2026. , 2026.5])
    """
    year = dates.astype("datetime64[Y]")
    start, end = year.astype("datetime64[s]"), (year + 1).astype("datetime64[s]")
    with np.errstate(invalid="ignore"):
        fraction = (dates.astype("datetime64[s]") - start) / (end - start)
    return np.where(np.isnat(dates), np.nan, year.astype(np.int64) + 1970 + np.nan_to_num(fraction))


def magnetic_field(place: Place, year: Floats) -> MagneticField:
    """Return the field of the World Magnetic Model.

    Parameters
    ----------
    place : Place
        n positions.
    year : (n,) array
        Decimal years, 2010 to 2030.

    Raises
    ------
    DataProblem
        When a date lies outside every model.

    Notes
    -----
    pygeomag computes one place at a time (about 0.2 ms); equal rows are computed once.
    """
    if np.any(~((year >= MODEL_YEARS[0]) & (year <= MODEL_YEARS[1]))):
        bad = year[~((year >= MODEL_YEARS[0]) & (year <= MODEL_YEARS[1]))][0]
        raise DataProblem(
            "the magnetic models at hand hold from 2010 to 2030",
            value=f"{bad:.2f}",
            hint="give declination = … under [frame] in project.toml",
        )
    rows = np.column_stack([place.latitude, place.longitude, place.height_m, year])
    unique, back = np.unique(rows, axis=0, return_inverse=True)
    values = np.array([_field_at(*row) for row in unique]).reshape(-1, 3)[back.ravel()]
    return MagneticField(values[:, 0], values[:, 1], values[:, 2])


def _field_at(latitude: float, longitude: float, height_m: float, year: float) -> tuple[float, float, float]:
    file = next(name for start, name in MODELS if year >= start)
    field = _model(file).calculate(
        glat=latitude, glon=longitude, alt=height_m / 1000.0, time=year, allow_date_outside_lifespan=True
    )
    return field.d, field.i, field.f


def convergence(crs: str, easting: Floats, northing: Floats) -> Floats:
    """Return grid north's angle east of true north in degrees at projected positions.

    Parameters
    ----------
    crs : str
        A projected coordinate reference system in metres, e.g. ``EPSG:32633``.
    easting, northing : (n,) arrays
        Metres.
    """
    projection, _ = _projection(crs)
    longitude, latitude = projection(easting, northing, inverse=True)
    return np.asarray(projection.get_factors(longitude, latitude).meridian_convergence, dtype=float)


def places(crs: str, easting: Floats, northing: Floats, elevation: Floats) -> Place:
    """Return latitude and longitude (WGS 84) of projected positions."""
    _, to_globe = _projection(crs)
    longitude, latitude = to_globe.transform(easting, northing)
    return Place(np.asarray(latitude, dtype=float), np.asarray(longitude, dtype=float), elevation)


@functools.cache
def _model(file: str) -> Any:
    from pygeomag import GeoMag

    return GeoMag(coefficients_file=f"wmm/{file}")


@functools.cache
def _projection(crs: str) -> tuple[Any, Any]:
    """Return the projection of a CRS and its transformer to WGS 84 longitude and latitude."""
    import pyproj

    try:
        system = pyproj.CRS.from_user_input(crs)
    except pyproj.exceptions.CRSError as error:
        raise _crs_problem(crs, "no such coordinate reference system is known") from error
    metres = {axis.unit_name for axis in system.axis_info[:2]} <= {"metre"}
    if not system.is_projected or not metres:
        raise _crs_problem(crs, "the coordinate reference system must be a projected one in metres")
    return pyproj.Proj(system), pyproj.Transformer.from_crs(system, "EPSG:4326", always_xy=True)


def _crs_problem(crs: str, rule: str) -> DataProblem:
    return DataProblem(rule, file="project.toml", column="frame.crs", value=crs, hint="write it as EPSG:32633")
