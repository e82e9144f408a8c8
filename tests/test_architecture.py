"""The shape of the code, held by the code: which module may import which, and what lies at the top level."""

from __future__ import annotations

import ast
import subprocess
import sys
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

FLOW = (
    "problems",
    "shown",
    "ragged",
    "progress",
    "outputs",
    "tables",
    "north",
    "project",
    "curvature",
    "directions",
    "traces",
    "orient",
    "sphere",
    "frequency",
    "spread",
    "runs",
    "blunders",
    "spikes",
    "checks",
    "suspects",
    "lineup",
    "surface",
    "slip",
    "aim",
    "gains",
    "exchange",
    "audit",
    "decisions",
    "reviews",
    "cache",
    "study",
    "campaign",
    "archive",
)
"""A module of the engine imports only what stands before it (DESIGN.md section 7)."""

GRAPHICS = {"pyvista", "vtk", "vtkmodules", "matplotlib", "trame", "rich", "typer", "viewer"}

TOP_LEVEL = {
    "README.md",
    "CITATION.cff",
    "DEVELOPERS.md",
    "LICENSE",
    "CHANGELOG.md",
    "pyproject.toml",
    "desurvey",
    "viewer",
    "tests",
    "demo_project",
}


def imports(path):
    """Return the dotted names that a file imports, at its top and inside its functions."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def engine_files():
    return sorted((ROOT / "desurvey").rglob("*.py"))


def module_of(path):
    return path.relative_to(ROOT / "desurvey").parts[0].removesuffix(".py")


@pytest.mark.parametrize("path", engine_files(), ids=lambda path: str(path.relative_to(ROOT)))
def test_the_engine_flows_one_way(path):
    module = module_of(path)
    if module == "__init__":
        return
    assert module in FLOW, f"{module} has no place in the flow"
    allowed = {"__version__", *FLOW[: FLOW.index(module)], module}
    for name in imports(path):
        parts = name.split(".")
        assert parts[0] not in GRAPHICS, f"the engine must not import {parts[0]}"
        if parts[0] == "desurvey" and len(parts) > 1:
            assert parts[1] in allowed, f"{module} must not import {parts[1]}"


SHARED = {"Field", "Fit", "Look", "Picks", "Place", "Readings", "Settings", "View"}
"""Names that two packages still share; no other may be, and none of these comes back once it is gone."""


def test_no_two_public_classes_share_a_name():
    homes: dict[str, set[str]] = {}
    for package in ("desurvey", "viewer"):
        for path in (ROOT / package).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                    homes.setdefault(node.name, set()).add(str(path.relative_to(ROOT)))
    assert {name: places for name, places in homes.items() if len(places) > 1}.keys() == SHARED


STEPS = {
    "load_project", "project_of_tables", "build", "oriented", "project_spread", "structure_spread", "check",
    "suspects", "accept", "line_up", "line_up_with_windows", "runs_chain", "read_decisions", "read_names", "model_of",
}  # fmt: skip
"""Functions of the engine that only the study puts together."""

STEP_MODULES = {
    "desurvey.project", "desurvey.project.loading", "desurvey.traces", "desurvey.orient", "desurvey.spread",
    "desurvey.checks", "desurvey.suspects", "desurvey.lineup", "desurvey.runs", "desurvey.decisions",
    "desurvey.exchange.model", "desurvey.suspects.table", "desurvey.suspects.accepting", "desurvey.lineup.naming",
}  # fmt: skip


def steps_taken(path):
    """Return the steps of the engine that a file imports, or calls as attributes of a module that it imports."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    modules, taken = {}, set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("desurvey"):
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                if whole in STEP_MODULES:
                    modules[alias.asname or alias.name] = whole
                if node.module in STEP_MODULES and alias.name in STEPS and whole not in STEP_MODULES:
                    taken.add(whole)
        elif isinstance(node, ast.Import):
            modules |= {alias.asname: alias.name for alias in node.names if alias.asname}
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and node.attr in STEPS:
            of = ast.unparse(node.value)
            of = modules.get(of, of)
            if of in STEP_MODULES:
                taken.add(f"{of}.{node.attr}")
    return taken


def test_steps_are_seen_however_they_are_written(tmp_path):
    ways = {
        "from desurvey.project import load_project": "desurvey.project.load_project",
        "from desurvey import traces\ntraces.build(project)": "desurvey.traces.build",
        "from desurvey import traces as holes\nholes.build(project)": "desurvey.traces.build",
        "import desurvey.orient\ndesurvey.orient.oriented(project, holes)": "desurvey.orient.oriented",
        "import desurvey.checks as c\nc.check(project)": "desurvey.checks.check",
        "def f():\n    from desurvey.suspects import suspects": "desurvey.suspects.suspects",
    }
    for text, step in ways.items():
        (tmp_path / "x.py").write_text(text)
        assert steps_taken(tmp_path / "x.py") == {step}
    (tmp_path / "x.py").write_text("from desurvey import orient\norient.dip_of_plane(n)\nstudy.suspects()\nre.build()")
    assert steps_taken(tmp_path / "x.py") == set()


@pytest.mark.parametrize("path", sorted((ROOT / "viewer").rglob("*.py")), ids=lambda path: str(path.relative_to(ROOT)))
def test_only_the_study_puts_the_steps_together(path):
    assert steps_taken(path) == set()


def viewer_modules():
    """Return the viewer's modules by their dotted names, with those of the viewer that each imports, types too."""
    files = sorted((ROOT / "viewer").rglob("*.py"))
    names = {".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path for path in files}
    found = {}
    for name, path in names.items():
        wanted = imports(path)
        known = {one if one in names else one.rpartition(".")[0] for one in wanted}
        found[name] = {one for one in known if one in names and one != name}
    return found


def test_no_module_of_the_viewer_imports_itself_by_way_of_others():
    """A package's own face (``__init__``) gathers what its modules hold, and is left out."""
    packages = {".".join(path.parent.relative_to(ROOT).parts) for path in (ROOT / "viewer").rglob("__init__.py")}
    modules = {name: used - packages for name, used in viewer_modules().items() if name not in packages}
    order = TopologicalSorter(modules)
    order.prepare()  # raises CycleError, which names the circle


def test_parts_of_the_app_take_what_they_need_and_not_the_app():
    for name, used in viewer_modules().items():
        if name.startswith("viewer.app.") and name != "viewer.app.serving":
            assert "viewer.app.app" not in used, name


def test_the_top_level_holds_what_it_should_and_nothing_else():
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    top = {line.split("/")[0].strip('"') for line in listed.splitlines()}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


@pytest.mark.parametrize("arguments", [["--help"], ["check", "demo_project"], ["trace", "--help"]])
def test_the_command_starts_without_graphics(arguments):
    program = (
        "import sys\n"
        "from viewer.cli import main\n"
        "sys.argv = ['lowside', *sys.argv[1:]]\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "heavy = sorted({'vtk', 'vtkmodules', 'pyvista', 'matplotlib', 'trame'} & set(sys.modules))\n"
        "print('loaded', heavy)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "loaded []", done.stdout + done.stderr
