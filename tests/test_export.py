"""Exports read back with other libraries: VTK, trimesh, ezdxf, omf, GDAL, geopandas, openpyxl, lasio and PROJ."""

from __future__ import annotations

import csv
import hashlib
import importlib
import itertools
import json
import warnings
from dataclasses import replace
from importlib import metadata
from pathlib import Path

import ezdxf
import ezdxf.bbox
import geopandas
import lasio
import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.ipc
import pyarrow.parquet
import pyogrio.raw
import pyproj
import pytest
import pyvista as pv
import rasterio
import trimesh
from typer.testing import CliRunner

import desurvey
from desurvey.exchange import read_table, write_table
from desurvey.exchange.formats import FORMATS, endings, export, write_mesh
from desurvey.exchange.omf import open_mining_format
from desurvey.problems import DataProblem
from desurvey.surface.mesh import Mesh
from tests.projects import TABLES, write_project
from viewer.cli import app
from viewer.theme import class_colours

DEMO = Path(__file__).parent.parent / "demo_project"


def sheet_mesh(holes=4):
    """Return a dome of triangles near the demo's holes."""
    x, y = np.meshgrid(np.linspace(511_800, 512_200, 9), np.linspace(5_311_800, 5_312_200, 7))
    z = 450.0 - ((x - 512_000) ** 2 + (y - 5_312_000) ** 2) / 2000
    number = np.arange(63).reshape(7, 9)
    a, b, c, d = number[:-1, :-1].ravel(), number[:-1, 1:].ravel(), number[1:, 1:].ravel(), number[1:, :-1].ravel()
    triangles = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    return Mesh(np.column_stack([x.ravel(), y.ravel(), z.ravel()]), triangles, np.linspace(0.5, 2.0, 63))


@pytest.fixture(scope="module")
def model():
    return replace(desurvey.open(DEMO).model(), meshes={"F1": sheet_mesh()})


def end_points(model):
    """Return the last point of each hole."""
    return model.holes.position[model.holes.offsets[1:] - 1]


def test_a_model_follows_the_arcs_of_its_holes_and_keeps_every_usable_structure(model):
    truth = pd.read_csv(DEMO / "collars.csv")
    assert model.holes.table["hole_id"].tolist() == truth["hole_id"].tolist()
    assert model.holes.position[model.holes.offsets[:-1]] == pytest.approx(
        truth[["easting", "northing", "elevation"]].to_numpy()
    )
    step = np.linalg.norm(np.diff(model.holes.position, axis=0)[model.holes.segments[:, 0]], axis=1)
    along = np.diff(model.holes.points["depth"].to_numpy())[model.holes.segments[:, 0]]
    assert np.all(step <= along + 1e-9)
    assert np.all(step >= along - 0.01)  # chords of arcs are hardly shorter
    assert len(model.discs.table) == (model.tables["structures"]["usable"] == "yes").sum()
    assert model.tables["lithology"]["susceptibility"].dtype.kind == "f"


def test_vtp_reads_back_in_vtk_with_shapes_and_attributes(model, tmp_path):
    export(model, tmp_path / "m.vtp")
    data = pv.read(tmp_path / "m.vtp")
    assert (data.n_verts, data.n_lines) == (len(model.points.table), 27)
    assert data.n_cells == 27 + len(model.tables["structures"]) + len(model.meshes["F1"].triangles)
    assert data.field_data["crs"][0] == "EPSG:32633"
    assert data.field_data["units"][0] == "m"
    sigma = np.asarray(data.point_data["sigma"])
    assert sigma[np.isfinite(sigma)] == pytest.approx(model.meshes["F1"].sigma)
    layer = np.asarray(data.cell_data["layer"])
    assert sorted(set(layer.tolist())) == ["fault F1", "holes", "not oriented", "structures"]
    assert np.asarray(data.cell_data["structure_id"])[layer == "structures"].tolist() == (
        model.discs.table["structure_id"].tolist()
    )
    discs = data.extract_cells(layer == "structures")
    normals = np.array([np.cross(*(discs.get_cell(i).points[[1, 5]] - discs.get_cell(i).points[0])) for i in range(40)])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    assert normals == pytest.approx(model.discs.normal[:40], abs=1e-6)  # upward, and anticlockwise about it
    assert np.asarray(discs.cell_centers().points)[:40] == pytest.approx(model.discs.centre[:40], abs=1e-5)


def test_vtm_has_a_block_for_each_layer(model, tmp_path):
    export(model, tmp_path / "m.vtm")
    blocks = pv.read(tmp_path / "m.vtm")
    assert blocks.keys() == ["holes", "structures", "not oriented", "fault F1"]
    assert blocks["holes"].n_lines == 27
    depth = np.asarray(blocks["holes"].point_data["depth"])
    assert depth == pytest.approx(model.holes.points["depth"].to_numpy())
    assert np.asarray(blocks["holes"].cell_data["hole_id"]).tolist() == model.holes.table["hole_id"].tolist()
    assert np.asarray(blocks["fault F1"].point_data["sigma"]) == pytest.approx(model.meshes["F1"].sigma)


def test_glb_is_valid_and_stands_upright(model, tmp_path):
    path = tmp_path / "m.glb"
    export(model, path)
    scene = trimesh.load(path)  # a strict reader of glTF 2.0
    raw = path.read_bytes()
    document = json.loads(raw[20 : 20 + int.from_bytes(raw[12:16], "little")])
    extras = document["asset"]["extras"]
    assert (extras["crs"], extras["units"]) == ("EPSG:32633", "m")
    origin = np.array(extras["origin_e_n_u"])
    shape = scene.geometry["fault F1"]
    back = np.column_stack([shape.vertices[:, 0], -shape.vertices[:, 2], shape.vertices[:, 1]]) + origin
    assert sorted(map(tuple, back.round(2))) == sorted(map(tuple, model.meshes["F1"].vertices.round(2)))
    assert shape.area == pytest.approx(model.meshes["F1"].areas.sum(), rel=1e-6)
    faults = model.discs.table["kind"] == "fault"
    assert len(scene.geometry["fault discs"].faces) == faults.sum() * 14
    assert len(raw) % 4 == 0
    assert all(accessor["count"] > 0 for accessor in document["accessors"])


def test_dxf_passes_the_audit_and_holds_polylines_and_faces(model, tmp_path):
    export(model, tmp_path / "m.dxf")
    drawing = ezdxf.readfile(tmp_path / "m.dxf")
    audit = drawing.audit()
    assert not audit.errors
    assert not audit.fixes
    assert drawing.units == ezdxf.units.M
    assert drawing.header.custom_vars.get("CRS") == "EPSG:32633"
    space = drawing.modelspace()
    lines = list(space.query("POLYLINE"))
    assert {line.dxf.layer for line in lines} == {"holes", "planned holes"}
    tips = np.array([[*line.points()][-1] for line in lines])
    assert tips == pytest.approx(end_points(model))
    faces = list(space.query('3DFACE[layer=="structures fault"]'))
    own = model.discs.table["kind"] == "fault"
    assert len(faces) == own.sum() * 5
    corners = np.array([list(face.wcs_vertices()) for face in faces[:5]]).reshape(-1, 3)
    away = corners - model.discs.centre[own.to_numpy()][0]
    assert np.abs(away @ model.discs.normal[own.to_numpy()][0]).max() < 1e-6
    assert faces[0].get_xdata("LOWSIDE")[0].value == f"structure_id={model.discs.table['structure_id'][own].iloc[0]}"
    assert len(space.query('3DFACE[layer=="fault F1"]')) == len(model.meshes["F1"].triangles)


def test_omf_round_trip_through_its_own_library(model, tmp_path):
    export(model, tmp_path / "m.omf")
    with open_mining_format() as omf:
        project = omf.OMFReader(str(tmp_path / "m.omf")).get_project()
        project.validate()
        elements = {element.name: element for element in project.elements}
        assert (project.name, project.units) == ("Tarn Hollow", "m")
        assert "EPSG:32633" in project.description
        holes = elements["holes"].geometry
        assert np.array(holes.vertices.array) == pytest.approx(model.holes.position)
        assert np.array(holes.segments.array).tolist() == model.holes.segments.tolist()
        points = {data.name: data.array.array for data in elements["structures"].data}
        rows, _ = model.placed
        assert list(points["kind"]) == rows["kind"].tolist()
        assert np.array(points["dip"]) == pytest.approx(rows["dip"].to_numpy(), nan_ok=True)
        (sigma,) = elements["fault F1"].data
        assert np.array(sigma.array) == pytest.approx(model.meshes["F1"].sigma)
        assert len(elements["discs"].geometry.triangles.array) == 10 * len(model.discs.table)
        assert np.array(elements["fault F1"].geometry.vertices.array) == pytest.approx(model.meshes["F1"].vertices)


def wkb_points(blobs):
    """Return the points of ISO WKB geometries, as the standard lays them out."""
    out = []
    for blob in blobs:
        order, code = blob[0], int.from_bytes(blob[1:5], "little")
        assert order == 1
        # GDAL answers with its own flag for the third dimension (0x80000000) or ISO's (1000)
        assert code in {1001, 1002, 0x80000001, 0x80000002}
        point = code in {1001, 0x80000001}
        out.append(np.frombuffer(blob, dtype="<f8", offset=5 if point else 9).reshape(-1, 3))
    return out


def test_geopackage_reads_back_through_gdal(model, tmp_path):
    path = tmp_path / "m.gpkg"
    export(model, path)
    assert dict(pyogrio.list_layers(path).tolist()) == {
        "holes": "LineString Z",
        "structures": "Point Z",
    }
    meta, _, shapes, columns = pyogrio.raw.read(path, layer="structures")
    assert pyproj.CRS.from_user_input(meta["crs"]).to_epsg() == 32633
    rows, position = model.placed
    assert len(rows) == len(model.tables["structures"]) == 1577  # 102 without orientation used to vanish
    assert np.concatenate(wkb_points(shapes)) == pytest.approx(position)
    named = dict(zip(meta["fields"], columns, strict=True))
    assert named["structure_id"].tolist() == rows["structure_id"].tolist()
    assert named["dip"] == pytest.approx(rows["dip"].to_numpy(), abs=1e-6, nan_ok=True)
    meta, _, shapes, columns = pyogrio.raw.read(path, layer="holes")
    tips = np.array([points[-1] for points in wkb_points(shapes)])
    assert tips == pytest.approx(end_points(model))
    info = pyogrio.read_info(path, layer="holes", force_total_bounds=True)
    flat = model.holes.position[:, :2]
    assert info["total_bounds"] == pytest.approx([*flat.min(axis=0), *flat.max(axis=0)])


def test_geojson_follows_rfc_7946_and_reads_back_through_gdal(model, tmp_path):
    path = tmp_path / "m.geojson"
    export(model, path)
    content = json.loads(path.read_text(encoding="utf-8"))
    # RFC 7946: section 3.3 (FeatureCollection), 3.2 (Feature: geometry and properties), 4 (WGS 84, no crs member)
    assert content["type"] == "FeatureCollection"
    assert "crs" not in content
    assert all({"type", "geometry", "properties"} <= set(feature) for feature in content["features"])
    meta, _, shapes, columns = pyogrio.raw.read(path)
    assert pyproj.CRS.from_user_input(meta["crs"]).to_epsg() == 4326 or "4979" in meta["crs"]
    layer = dict(zip(meta["fields"], columns, strict=True))["layer"]
    points = np.concatenate(wkb_points(shapes[layer == "structures"]))
    # back to eastings and northings by PROJ's own utm, not through the code of the project
    utm = pyproj.Proj("+proj=utm +zone=33 +datum=WGS84")
    back = np.column_stack([*utm(points[:, 0], points[:, 1]), points[:, 2]])
    assert back == pytest.approx(model.placed[1], abs=1e-3)


def test_geojson_without_a_crs_is_refused_and_geopackage_says_undefined(model, tmp_path):
    bare = replace(model, crs="")
    with pytest.raises(DataProblem, match=r"the project states no CRS.*gpkg"):
        export(bare, tmp_path / "m.geojson")
    assert not list(tmp_path.iterdir())
    export(bare, tmp_path / "m.gpkg")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        meta, *_ = pyogrio.raw.read(tmp_path / "m.gpkg", layer="structures")
    assert "undefined" in str(meta["crs"]).lower() or meta["crs"] is None


def test_workbook_has_a_sheet_for_each_table(model, tmp_path):
    export(model, tmp_path / "m.xlsx")
    book = openpyxl.load_workbook(tmp_path / "m.xlsx", read_only=True)
    assert book.sheetnames == ["about", *model.tables]
    frame = pd.read_excel(tmp_path / "m.xlsx", sheet_name="structures", engine="openpyxl")
    assert frame["dip"].to_numpy() == pytest.approx(model.tables["structures"]["dip"].to_numpy(), nan_ok=True)
    about = pd.read_excel(tmp_path / "m.xlsx", sheet_name="about", engine="openpyxl").set_index("what")["value"]
    assert about["crs"] == "EPSG:32633"


def test_a_note_that_begins_with_an_equals_sign_is_no_formula_in_a_workbook(model, tmp_path):
    notes = pd.DataFrame({"hole_id": ["TH-01", "TH-02"], "note": ["=1+1", "sound"]})
    export(replace(model, tables={"notes": notes}), tmp_path / "m.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "m.xlsx")["notes"]
    assert (sheet["B2"].value, sheet["B2"].data_type) == ("=1+1", "s")
    assert sheet.auto_filter.ref == "A1:B3"


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_one_table_is_exported_by_name(model, tmp_path, ending):
    path = tmp_path / f"traces{ending}"
    export(model, path, table="traces")
    frame = pd.read_csv(path) if ending == ".csv" else pd.read_parquet(path)
    assert frame["easting"].to_numpy() == pytest.approx(model.tables["traces"]["easting"].to_numpy(), abs=1e-6)
    with pytest.raises(DataProblem, match="Did you mean 'traces'"):
        export(model, path, table="trace")


def test_unknown_endings_are_refused(model, tmp_path):
    with pytest.raises(DataProblem, match=r"exports are written as \.omf, \.dxf"):
        export(model, tmp_path / "m.doc")
    with pytest.raises(DataProblem, match=r"a surface is written as \.dxf, \.glb"):
        write_mesh(sheet_mesh(), tmp_path / "m.doc", name="F1")


@pytest.mark.parametrize("ending", [e for e in endings("model") if e not in {".vtm", ".geojson", ".las"}])
def test_a_project_without_structures_is_exported_all_the_same(model, tmp_path, ending):
    none = model.discs.table.iloc[:0]
    discs = type(model.discs)(none, np.empty((0, 3)), np.empty((0, 3)))
    points = type(model.points)(none, np.empty((0, 3)))
    export(replace(model, discs=discs, points=points, meshes={}), tmp_path / f"m{ending}")
    assert (tmp_path / f"m{ending}").stat().st_size > 0


@pytest.mark.parametrize("ending", [".obj", ".stl", ".ply", ".glb"])
def test_surfaces_read_back_with_their_area(tmp_path, ending):
    mesh = sheet_mesh()
    write_mesh(mesh, tmp_path / f"F1{ending}", name="F1", crs="EPSG:32633")
    shape = trimesh.load(tmp_path / f"F1{ending}", force="mesh")
    assert len(shape.faces) == len(mesh.triangles)
    assert shape.area == pytest.approx(mesh.areas.sum(), rel=1e-5)
    if ending in {".obj", ".ply"}:
        assert np.sort(shape.vertices, axis=0) == pytest.approx(np.sort(mesh.vertices, axis=0), abs=1e-5)
    up = np.asarray(shape.face_normals)[:, 1 if ending == ".glb" else 2]
    assert np.all(up > 0) == np.all(np.cross(*np.moveaxis(np.diff(mesh.corners, axis=1), 1, 0))[:, 2] > 0)


def test_surfaces_as_vtp_and_dxf(tmp_path):
    mesh = sheet_mesh()
    write_mesh(mesh, tmp_path / "F1.vtp", name="F1", crs="EPSG:32633")
    write_mesh(mesh, tmp_path / "F1.dxf", name="F1")
    shape = pv.read(tmp_path / "F1.vtp")
    assert np.asarray(shape.points) == pytest.approx(mesh.vertices)
    assert shape.area == pytest.approx(mesh.areas.sum())
    drawing = ezdxf.readfile(tmp_path / "F1.dxf")
    assert not drawing.audit().errors
    assert len(drawing.modelspace().query("3DFACE")) == len(mesh.triangles)
    assert set(endings("surface")) == {".vtp", ".obj", ".stl", ".ply", ".dxf", ".glb", ".tif"}


@pytest.mark.parametrize("name", ["m.gpkg", "m.vtp", "traces.csv"])
def test_the_command_writes_and_says_so(tmp_path, name):
    arguments = ["export", str(DEMO), "--out", str(tmp_path / name), "--table", "traces"]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code in {0, 1}, result.output  # 1: the demo has planted errors
    assert (tmp_path / name).stat().st_size > 1000


def test_the_command_lines_up_the_faults(tmp_path):
    result = CliRunner().invoke(app, ["export", str(DEMO), "--out", str(tmp_path / "m.vtm")])
    assert result.exit_code in {0, 1}, result.output
    names = pv.read(tmp_path / "m.vtm").keys()
    assert names[:2] == ["holes", "structures"]
    assert "fault F1" in names


# ---- one table of formats: nothing dropped unsaid ----------------------------------------------------------------


def test_every_row_of_the_table_of_formats_names_a_writer_and_has_an_ending_of_its_own():
    assert len({one.ending for one in FORMATS}) == len(FORMATS)
    for one in FORMATS:
        for writer in filter(None, (one.model, one.surface, one.lines, one.table)):
            module, function = writer.split(":")
            assert callable(getattr(importlib.import_module(f"desurvey.exchange.{module}"), function)), one.ending
        assert bool(one.keeps) == bool(one.model or one.table), one.ending
        assert one.frame, one.ending


@pytest.mark.parametrize(
    ("ending", "said"),
    [
        (".gpkg", "1 surface"),
        (".dxf", "σ of the surfaces"),
        (".xlsx", "the shape of 1 surface"),
        (".csv", "the other tables"),
        (".omf", None),
        (".vtp", None),
    ],
)
def test_what_a_format_leaves_out_is_said(model, tmp_path, ending, said):
    told = " ".join(export(model, tmp_path / f"m{ending}"))
    assert ("Left out" in told) == (said is not None)
    assert (said or "Kept as points: 102 structures without orientation") in told


def test_structures_on_no_hole_are_counted(tmp_path):
    folder = write_project(tmp_path / "p", collars=TABLES["collars"].replace("A,1000", "A,"))
    model = desurvey.open(folder).model()
    lost = len(model.tables["structures"]) - len(model.placed[0])
    assert lost > 0
    assert f"for no hole that can be placed has them: {lost} structure" in " ".join(export(model, tmp_path / "m.gpkg"))


@pytest.mark.parametrize("ending", [".stl", ".glb"])
def test_a_mesh_that_is_moved_says_so_and_the_file_beside_moves_it_back(tmp_path, ending):
    mesh = sheet_mesh()
    (said, *_) = write_mesh(mesh, tmp_path / f"F1{ending}", name="F1", crs="EPSG:32633")
    assert f"written to F1{ending}.origin.json beside it" in said
    beside = json.loads((tmp_path / f"F1{ending}.origin.json").read_text(encoding="utf-8"))
    assert (beside["crs"], beside["units"]) == ("EPSG:32633", "m")
    origin = [beside["origin"][name] for name in ("easting", "northing", "elevation")]
    x, y, z = np.asarray(trimesh.load(tmp_path / f"F1{ending}", force="mesh").vertices).T
    back = np.column_stack([x, y, z] if ending == ".stl" else [x, -z, y]) + origin
    assert np.sort(back, axis=0) == pytest.approx(np.sort(mesh.vertices, axis=0), abs=1e-3)


def test_surfaces_that_are_not_moved_have_no_file_beside(tmp_path):
    assert write_mesh(sheet_mesh(), tmp_path / "F1.ply", name="F1") == ()
    assert [file.name for file in tmp_path.iterdir()] == ["F1.ply"]


# ---- DXF ---------------------------------------------------------------------------------------------------------


def test_dxf_has_names_at_both_ends_extents_and_layers_by_kind_and_fault(model, tmp_path):
    own = model.discs.table["structure_id"][model.discs.table["kind"] == "fault"].iloc[:3]
    picks = pd.DataFrame({"structure_id": own, "fault_id": ["F1", "F1", ""]})
    export(replace(model, tables={**model.tables, "picks": picks}), tmp_path / "m.dxf")
    drawing = ezdxf.readfile(tmp_path / "m.dxf")
    assert not drawing.audit().errors
    space = drawing.modelspace()
    texts = space.query("TEXT")
    assert sorted(text.dxf.text for text in texts) == sorted(2 * model.holes.table["hole_id"].tolist())
    at = {text.dxf.text: np.array(text.dxf.insert) for text in texts if text.dxf.layer == "names at ends"}
    assert [at[name] for name in model.holes.table["hole_id"]] == pytest.approx(end_points(model))
    box = ezdxf.bbox.extents(space.query("POLYLINE 3DFACE POINT"))
    assert np.array(drawing.header["$EXTMIN"]) == pytest.approx(np.array(box.extmin))
    assert np.array(drawing.header["$EXTMAX"]) == pytest.approx(np.array(box.extmax))
    assert len(space.query('3DFACE[layer=="structures fault F1"]')) == 2 * 5
    assert len(space.query("POINT")) == 102
    reasons = [point.get_xdata("LOWSIDE") for point in space.query("POINT")]
    assert all(any(tag.value.startswith("why_not=") for tag in row) for row in reasons)


# ---- workbooks and tables ----------------------------------------------------------------------------------------


def test_a_workbook_is_ready_to_read(model, tmp_path):
    export(model, tmp_path / "m.xlsx")
    book = openpyxl.load_workbook(tmp_path / "m.xlsx")
    for sheet in book:
        assert sheet.freeze_panes == "A2"
        assert sheet.auto_filter.ref == sheet.dimensions
        assert sheet["A1"].font.bold
    sheet = book["structures"]
    column = {cell.value: cell for cell in sheet[1]}
    formats = {name: sheet.cell(2, column[name].column).number_format for name in ("depth", "dip", "easting")}
    assert formats == {"depth": "0.00", "dip": "0.0", "easting": "0.00"}
    assert sheet.column_dimensions[column["easting"].column_letter].width >= len("511 800.00")
    about = list(book["about"].iter_rows(min_row=2, max_col=2, values_only=True))
    known = dict(about)
    assert known["written by"] == f"lowside {metadata.version('lowside')}"
    assert "marks the low side" in known["orientation line"]
    assert "licensed or competent persons" in known["caution"]
    given = hashlib.sha256((DEMO / "structures.csv").read_bytes()).hexdigest()
    assert known["SHA-256 of structures.csv"] == given


LIVE = ["=1+1", "@SUM(A1)", "+cmd|' /C calc'!A0", "-2+3", "-5", "+3.2", "sound - mostly"]


def test_texts_that_a_spreadsheet_would_work_out_are_led_by_an_apostrophe_in_csv_and_come_back(tmp_path):
    write_table(pd.DataFrame({"note": LIVE}), tmp_path / "n.csv")
    # as any reader without our rules takes the file: Python's own csv
    with (tmp_path / "n.csv").open(encoding="utf-8", newline="") as file:
        raw = [row[0] for row in csv.reader(file)][1:]
    assert not any(text.startswith(("=", "@")) for text in raw)
    assert raw[2].startswith("'+cmd")
    assert raw[4:] == LIVE[4:]
    assert read_table(tmp_path / "n.csv")["note"].astype(str).tolist()[:3] == LIVE[:3]


def test_parquet_and_arrow_say_crs_and_units(model, tmp_path):
    for ending in (".parquet", ".arrow"):
        export(model, tmp_path / f"t{ending}", table="traces")
    schemas = [pa.parquet.read_schema(tmp_path / "t.parquet"), pa.ipc.open_file(tmp_path / "t.arrow").schema]
    for schema in schemas:
        assert schema.metadata[b"crs"] == b"EPSG:32633"
        assert schema.metadata[b"project"] == b"Tarn Hollow"
        assert schema.field("easting").metadata[b"unit"] == b"m"
        assert schema.field("azimuth").metadata[b"unit"] == b"deg"
    frame = pd.read_feather(tmp_path / "t.arrow")
    assert frame["easting"].to_numpy() == pytest.approx(model.tables["traces"]["easting"].to_numpy(), abs=1e-6)


def test_geoparquet_reads_back_through_geopandas_with_crs_and_places(model, tmp_path):
    export(model, tmp_path / "s.parquet", table="structures")
    export(model, tmp_path / "c.parquet", table="collars")
    points, lines = (geopandas.read_parquet(tmp_path / name) for name in ("s.parquet", "c.parquet"))
    assert points.crs.to_epsg() == lines.crs.to_epsg() == 32633
    rows, position = model.placed
    own = points.set_index("structure_id").loc[rows["structure_id"]].geometry
    assert np.column_stack([own.x, own.y, own.z]) == pytest.approx(position)
    tips = np.array([line.coords[-1] for line in lines.geometry])
    assert tips == pytest.approx(end_points(model))
    assert len(points) == 1577


# ---- LAS ---------------------------------------------------------------------------------------------------------


def test_las_has_a_file_for_each_hole_that_lasio_reads(model, tmp_path):
    said = export(model, tmp_path / "logs.las")
    rows, _ = model.placed
    files = sorted(tmp_path.iterdir())
    assert len(files) == rows["hole_id"].nunique()
    assert f"{len(files)} files, one a hole" in " ".join(said)
    total = 0
    for file in files:
        log = lasio.read(file)
        own = rows[rows["hole_id"] == log.well["WELL"].value].sort_values("depth", kind="stable")
        assert log.version["VERS"].value == 2.0
        assert log["DEPT"] == pytest.approx(own["depth"].to_numpy(), abs=5e-4)
        for curve, column in (("DIP", "dip"), ("DDIR", "dip_direction"), ("ALPHA", "alpha"), ("SIGMA", "pole_sigma")):
            assert log[curve] == pytest.approx(own[column].to_numpy(dtype=float), abs=5e-4, nan_ok=True)
        kinds = {item.value: item.descr.removeprefix("Kind ") for item in log.params if item.mnemonic.startswith("K")}
        assert [kinds[int(number)] for number in log["KIND"]] == own["kind"].tolist()
        total += len(own)
    assert total == 1577


# ---- glTF, Wavefront ---------------------------------------------------------------------------------------------


def glb_parts(path):
    """Return the document and the binary chunk of a glb file, as the specification lays them out."""
    raw = path.read_bytes()
    length = int.from_bytes(raw[12:16], "little")
    return json.loads(raw[20 : 20 + length]), raw[28 + length :]


def test_each_disc_of_a_glb_names_its_structure(model, tmp_path):
    export(model, tmp_path / "m.glb")
    document, binary = glb_parts(tmp_path / "m.glb")
    (table,) = document["extensions"]["EXT_structural_metadata"]["propertyTables"]
    schema = document["extensions"]["EXT_structural_metadata"]["schema"]["classes"][table["class"]]["properties"]
    assert set(document["extensionsUsed"]) == {"EXT_mesh_features", "EXT_structural_metadata"}
    assert table["count"] == 1577
    assert set(table["properties"]) == set(schema)

    def view(number):
        one = document["bufferViews"][number]
        assert one["byteOffset"] % 8 == 0  # EXT_structural_metadata: views of property tables start at multiples of 8
        return binary[one["byteOffset"] : one["byteOffset"] + one["byteLength"]]

    ids = table["properties"]["structure_id"]
    ends = np.frombuffer(view(ids["stringOffsets"]), "<u4")
    names = [view(ids["values"])[a:b].decode() for a, b in itertools.pairwise(ends)]
    depths = np.frombuffer(view(table["properties"]["depth"]["values"]), "<f8")
    rows = model.tables["structures"].set_index("structure_id")
    assert depths == pytest.approx(rows.loc[names, "depth"].to_numpy())
    scene = trimesh.load(tmp_path / "m.glb", process=False)
    disc = scene.geometry["fault discs"]
    feature = np.asarray(disc.vertex_attributes["_FEATURE_ID_0"]).astype(int).ravel()
    origin = np.array(document["asset"]["extras"]["origin_e_n_u"])
    back = np.column_stack([disc.vertices[:, 0], -disc.vertices[:, 2], disc.vertices[:, 1]]) + origin
    away = np.linalg.norm(back - rows.loc[np.array(names)[feature], ["easting", "northing", "elevation"]], axis=1)
    assert away == pytest.approx(model.discs.radius, abs=2e-3)  # every corner lies one radius off its own structure


def test_wavefront_has_the_colours_that_pictures_have(model, tmp_path):
    kinds = sorted(set(model.discs.table["kind"]))
    export(replace(model, colours=class_colours(kinds)), tmp_path / "m.obj")
    mesh = trimesh.load(tmp_path / "m.obj", force="mesh", process=False)
    colours = {tuple(colour) for colour in np.asarray(mesh.visual.vertex_colors)[:, :3].tolist()}
    wanted = {tuple(int(colour[i : i + 2], 16) for i in (1, 3, 5)) for colour in class_colours(kinds).values()}
    assert wanted <= colours
    text = (tmp_path / "m.obj").read_text(encoding="utf-8")
    assert sum(line.startswith("l ") for line in text.splitlines()) == len(model.holes.segments)
    assert sum(line.startswith("p ") for line in text.splitlines()) == 102


# ---- GeoTIFF -----------------------------------------------------------------------------------------------------


def test_a_geotiff_holds_elevation_and_sigma_where_rasterio_looks_for_them(tmp_path):
    x, y = np.meshgrid(np.linspace(511_803.0, 511_897.0, 12), np.linspace(5_311_805.0, 5_311_875.0, 9))
    number = np.arange(108).reshape(9, 12)
    a, b, c, d = number[:-1, :-1].ravel(), number[:-1, 1:].ravel(), number[1:, 1:].ravel(), number[1:, :-1].ravel()
    triangles = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    plane = 300.0 + 0.5 * (x - 511_800.0) - 0.25 * (y - 5_311_800.0)  # analytic: linear inside and across triangles
    sigma = 1.0 + 0.01 * (x - 511_800.0)
    mesh = Mesh(np.column_stack([x.ravel(), y.ravel(), plane.ravel()]), triangles, sigma.ravel())
    (said,) = write_mesh(mesh, tmp_path / "F1.tif", name="F1", crs="EPSG:32633")
    with rasterio.open(tmp_path / "F1.tif") as grid:
        assert grid.crs.to_epsg() == 32633
        assert grid.units == ("m", "m")
        assert f"{grid.width} × {grid.height} cells of {grid.res[0]:g} m" == said
        places = [(511_850.0, 5_311_840.0), (511_820.5, 5_311_860.5), (511_700.0, 5_311_840.0)]
        found = list(grid.sample(places, masked=True))
        for place, values in zip(places[:2], found[:2], strict=True):
            east, north = grid.xy(*grid.index(*place))  # the centre of the cell that holds the place
            assert values[0] == pytest.approx(300.0 + 0.5 * (east - 511_800.0) - 0.25 * (north - 5_311_800.0))
            assert values[1] == pytest.approx(1.0 + 0.01 * (east - 511_800.0))
        covered = (grid.read(1, masked=True).mask == False).sum() * grid.res[0] ** 2  # noqa: E712
        assert covered == pytest.approx(94.0 * 70.0, rel=0.1)


def test_a_folded_surface_says_that_its_grid_keeps_the_highest_sheet(tmp_path):
    low, high = sheet_mesh(), sheet_mesh()
    vertices = np.concatenate([low.vertices, high.vertices + np.array([0.0, 0.0, 50.0])])
    triangles = np.concatenate([low.triangles, high.triangles + len(low.vertices)])
    said = write_mesh(Mesh(vertices, triangles, np.ones(len(vertices))), tmp_path / "F1.tif", name="F1")
    assert "the highest elevation is kept" in said[1]
    with rasterio.open(tmp_path / "F1.tif") as grid:
        assert next(grid.sample([(512_000.0, 5_312_000.0)]))[0] > 490.0  # the lower one's top is at 450
    upright = Mesh(np.array([[0.0, 0, 0], [0, 9, 0], [0, 9, 9]]), np.array([[0, 1, 2]]), np.ones(3))
    with pytest.raises(DataProblem, match="stands upright"):
        write_mesh(upright, tmp_path / "F2.tif", name="F2")
    assert not (tmp_path / "F2.tif").exists()


def test_the_command_lists_the_formats(tmp_path):
    result = CliRunner().invoke(app, ["export", "--formats"])
    assert result.exit_code == 0
    assert all(one.ending in result.output for one in FORMATS)
