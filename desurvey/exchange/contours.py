"""Structure contours as a file: DXF (3D polylines) or GeoJSON (RFC 7946), by the ending of its name."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from desurvey.exchange.dxf import write_lines_dxf
from desurvey.exchange.maps import globe_lines
from desurvey.outputs import replacing
from desurvey.problems import DataProblem
from desurvey.surface import Contour

__all__ = ["check_ending", "write_contours"]

ENDINGS = (".dxf", ".geojson")


def check_ending(path: Path) -> None:
    """Raise a DataProblem when contours can't be written under that name."""
    if path.suffix.lower() not in ENDINGS:
        value = path.suffix or "no ending"
        raise DataProblem(f"contours are written as {' or '.join(ENDINGS)}", file=str(path), value=value)


def write_contours(lines: Sequence[Contour], path: Path | str, *, name: str, crs: str = "") -> None:
    """Write structure contours, each line with its elevation.

    Parameters
    ----------
    lines : sequence of Contour
        From :func:`desurvey.surface.contours`.
    path : path
        ``.dxf`` (eastings and northings; the elevation is the height of the polyline) or ``.geojson`` (longitude and
        latitude; the elevation is a property too).
    name : str
        Of the surface.
    crs : str
        Coordinate reference system; GeoJSON needs it.

    Raises
    ------
    DataProblem
        For another ending, a missing library or CRS, or when the file can't be written.
    """
    path = Path(path)
    check_ending(path)
    if path.suffix.lower() == ".dxf":
        write_lines_dxf([line.points for line in lines], path, f"contours {name}", crs)
    else:
        _write_geojson(lines, path, name, crs)


def _write_geojson(lines: Sequence[Contour], path: Path, name: str, crs: str) -> None:
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "LineString", "coordinates": place},
            "properties": {"surface": name, "elevation": line.elevation},
        }
        for line, place in zip(lines, globe_lines([line.points for line in lines], crs), strict=True)
    ]
    collection = {"type": "FeatureCollection", "name": f"contours of {name}", "features": features}
    with replacing(path) as partial:
        partial.write_text(json.dumps(collection, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")
