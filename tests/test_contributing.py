"""What the handbook's page *Contribute* says is enough: a rule, a blunder, a format and a page, added to a copy."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.projects import write_project

ROOT = Path(__file__).parents[1]

RULE = """

EVEN = Rule("even_elevation", "note", "a whole hundred is rarely surveyed", "Survey it")
RULES = (*RULES, EVEN)
check_others = check_collars


def check_collars(context):
    rows = context.project.collars.query("elevation % 100 == 0")
    found = [EVEN.found("a whole hundred", table="collars", row=row, hole_id=hole) for row, hole in
             zip(rows["row"], rows["hole_id"])]
    return check_others(context) + found
"""

BLUNDER = """
    Blunder(
        "beta_doubled",
        "twice beta logged",
        {"reading": Seen(0.001, "twice beta was logged")},
        core=lambda alpha, beta, turn: (alpha, beta / 2),
    ),
)

BLUNDERS: Mapping"""

FORMAT = """FORMATS: tuple[Format, ...] = (
    Format(".tabs", "tables with tabs", table="tabs:write_tabs", keeps="table"),
"""

WRITER = '''"""Tables with tabs between their columns."""


def write_tabs(frame, path, facts=None):
    """Write a table."""
    frame.to_csv(path, sep="\\t", index=False)
'''


def changed(path, before, after):
    text = path.read_text(encoding="utf-8")
    assert text.count(before) == 1, f"{path.name}: the page Contribute leads to a place that has changed"
    path.write_text(text.replace(before, after), encoding="utf-8")


@pytest.fixture(scope="module")
def copy(tmp_path_factory):
    """Return a copy of the program with the four changes of the page made."""
    place = tmp_path_factory.mktemp("copy")
    for package in ("desurvey", "viewer"):
        shutil.copytree(ROOT / package, place / package, ignore=shutil.ignore_patterns("__pycache__"))
    collars = place / "desurvey/checks/collars.py"
    collars.write_text(collars.read_text(encoding="utf-8") + RULE, encoding="utf-8")
    changed(place / "desurvey/blunders.py", "\n)\n\nBLUNDERS: Mapping", BLUNDER)
    changed(place / "desurvey/exchange/formats.py", "FORMATS: tuple[Format, ...] = (\n", FORMAT)
    (place / "desurvey/exchange/tabs.py").write_text(WRITER, encoding="utf-8")
    changed(
        place / "viewer/handbook/book.py",
        '("glossary", "gallery", "contribute")',
        '("glossary", "ours", "gallery", "contribute")',
    )
    (place / "viewer/handbook/pages/ours.md").write_text("# Ours\n\nHow we do it.\n", encoding="utf-8")
    write_project(place / "two")
    return place


def run(copy, program):
    environment = {**os.environ, "PYTHONPATH": str(copy)}
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=copy, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_four_changes_are_enough(copy):
    said = run(
        copy,
        "import numpy as np, pandas as pd, pathlib\n"
        "from desurvey import blunders\n"
        "from desurvey.study import RULES\n"
        "from desurvey.exchange import write_table\n"
        "from viewer.handbook import rendering\n"
        "from viewer.handbook.book import why\n"
        "assert str(pathlib.Path(blunders.__file__)).startswith(str(pathlib.Path.cwd()))\n"
        "assert 'even_elevation' in {rule.id for rule in RULES}\n"
        "import desurvey\n"
        "print([one.hole_id for one in desurvey.open('two').check(quick=True) if one.rule == 'even_elevation'])\n"
        "print(why('even_elevation')[0].text)\n"
        "print(why('beta_doubled')[0].text)\n"
        "print(blunders.corrected([30.0], [80.0], 'beta_doubled', 0.0)[1][0], blunders.named('reading'))\n"
        "write_table(pd.DataFrame({'a': [1], 'b': [2]}), pathlib.Path('t.tabs'))\n"
        "print(pathlib.Path('t.tabs').read_text())\n"
        "print(rendering.content('ours.html')[1].decode(), '.tabs' in rendering.content('formats.html')[1].decode())\n",
    )
    for words in (
        "['A']",
        "a whole hundred is rarely surveyed",
        "beta 40° become alpha 30°, beta 20°",
        "40.0 ('beta_reversed', 'alpha_complement', 'beta_doubled')",
        "a\tb\n1\t2",
        "How we do it.",
        "True",
    ):
        assert words in said
