"""Exports read back with general-purpose libraries: VTK, trimesh, ezdxf, omf, GDAL (pyogrio), openpyxl, PROJ."""

from __future__ import annotations

import json
import warnings
from dataclasses import replace
from pathlib import Path

import ezdxf
import numpy as np
import openpyxl
import pandas as pd
import pyogrio.raw
import pyproj
import pytest
import pyvista as pv
import trimesh
from typer.testing import CliRunner

import desurvey
from desurvey.exchange.exporting import ENDINGS, export
from desurvey.exchange.meshes import MESH_ENDINGS, write_mesh
from desurvey.exchange.omf import open_mining_format
from desurvey.problems import DataProblem
from desurvey.surface.mesh import Mesh
from viewer.cli import app

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
    assert (data.n_lines, data.n_cells) == (27, 27 + len(model.discs.table) + len(model.meshes["F1"].triangles))
    assert data.field_data["crs"][0] == "EPSG:32633"
    assert data.field_data["units"][0] == "m"
    sigma = np.asarray(data.point_data["sigma"])
    assert sigma[np.isfinite(sigma)] == pytest.approx(model.meshes["F1"].sigma)
    layer = np.asarray(data.cell_data["layer"])
    assert sorted(set(layer.tolist())) == ["fault F1", "holes", "structures"]
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
    assert blocks.keys() == ["holes", "structures", "fault F1"]
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
        assert list(points["kind"]) == model.discs.table["kind"].tolist()
        dip = np.array(points["dip"])
        assert dip == pytest.approx(model.discs.table["dip"].to_numpy(), nan_ok=True)
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
    assert np.concatenate(wkb_points(shapes)) == pytest.approx(model.discs.centre)
    named = dict(zip(meta["fields"], columns, strict=True))
    assert named["structure_id"].tolist() == model.discs.table["structure_id"].tolist()
    assert named["dip"] == pytest.approx(model.discs.table["dip"].to_numpy(), abs=1e-6)
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
    assert back == pytest.approx(model.discs.centre, abs=1e-3)


def test_geojson_without_a_crs_is_refused_and_geopackage_says_undefined(model, tmp_path):
    bare = type(model)(model.name, "", model.holes, model.discs, model.meshes, model.tables)
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
    with pytest.raises(DataProblem, match=r"a surface is written as \.vtp, \.obj"):
        write_mesh(sheet_mesh(), tmp_path / "m.doc", name="F1")


@pytest.mark.parametrize("ending", [e for e in ENDINGS if e not in {".vtm", ".geojson"}])
def test_a_project_without_structures_is_exported_all_the_same(model, tmp_path, ending):
    none = model.discs.table.iloc[:0]
    discs = type(model.discs)(none, np.empty((0, 3)), np.empty((0, 3)))
    export(type(model)(model.name, model.crs, model.holes, discs, {}, model.tables), tmp_path / f"m{ending}")
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
    assert set(MESH_ENDINGS) == {".vtp", ".obj", ".stl", ".ply", ".dxf", ".glb"}


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
