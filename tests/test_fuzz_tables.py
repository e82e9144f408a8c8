"""A thousand and more damaged copies of a project: findings or one clear message, never a traceback, never a hang.

The copies are made from a seed, so that one that fails can be made again: ``damaged(number)``. The project is the demo
with three holes only, in order that a thousand copies take a minute.
"""

from __future__ import annotations

import hashlib
import io
import random
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import desurvey
from desurvey.problems import DataProblem
from desurvey.project import adopt
from desurvey.tables import read_cells
from tests.command import lowside

DEMO = Path(__file__).parents[1] / "demo_project"
NAMES = ("collars", "surveys", "runs", "structures", "lithology")
COPIES = 312
BATCHES = 24
LONGEST_S = 10.0
"""Processor seconds that one copy may take before it counts as hung; the usual is some hundredths."""


def small_demo() -> dict[str, bytes]:
    """Return the demo's files with three holes and the first rows only."""
    files = {"project.toml": (DEMO / "project.toml").read_bytes()}
    for name in NAMES:
        heading, *rows = (DEMO / f"{name}.csv").read_text(encoding="utf-8").splitlines()
        kept = [row for row in rows if any(f"TH-{hole}" in row for hole in ("01", "13", "25"))]
        files[f"{name}.csv"] = "\n".join([heading, *kept[:60]]).encode() + b"\n"
    return files


FILES = small_demo()

# ------------------------------------------------------------------------------------------------- ways of damaging

ODD_CELLS = [
    *(
        "",
        " ",
        "NaN",
        "nan",
        "inf",
        "-inf",
        "1e308",
        "-1e308",
        "1e-320",
        "9" * 400,
        "-999",
        "1,5",
        "1.234.567,8",
        "1 000",
    ),
    *(
        "=A1+B2",
        "#REF!",
        "#N/A",
        "TRUE",
        "null",
        "None",
        "\x00",
        "\ufeff",
        "\u202e",
        "😀",
        "é",
        '"',
        '""',
        "'",
        "\\",
        "%s",
    ),
    *("{0}", "<b>", "2026-02-30", "31/31/2026", "0", "-0", "360", "359.9999999", "90", "-90", "low", "LOW ", "Total"),
    *(
        "th-01",
        " TH-01",
        "TH-01\t",
        "TH-01\u00a0",
        "12 m",
        "45°",
        "−45",
        "١٢",
        "x" * 5000,
        "\n",
        "\r",
        "\r\n",
        "#",
        "# x",
    ),
]

Damage = Callable[[random.Random, bytes], bytes]


def cells_of(data: bytes) -> list[list[str]]:
    return [line.split(",") for line in data.decode("utf-8", "replace").split("\n")]


def text_of(cells: list[list[str]]) -> bytes:
    return "\n".join(",".join(row) for row in cells).encode("utf-8", "surrogatepass")


def odd_cells(rng: random.Random, data: bytes) -> bytes:
    cells = cells_of(data)
    for _ in range(rng.choice([1, 1, 3, 20])):
        row = rng.choice(cells)
        row[rng.randrange(len(row))] = rng.choice(ODD_CELLS)
    return text_of(cells)


def odd_column(rng: random.Random, data: bytes) -> bytes:
    cells = cells_of(data)
    place = rng.randrange(len(cells[0]))
    values = rng.sample(ODD_CELLS, 3)
    for row in cells[1:]:
        if place < len(row):
            row[place] = rng.choice(values)
    return text_of(cells)


def odd_headings(rng: random.Random, data: bytes) -> bytes:
    cells = cells_of(data)
    for _ in range(rng.randint(1, 3)):
        cells[0][rng.randrange(len(cells[0]))] = rng.choice(
            [*cells[0], *ODD_CELLS, "azi", "Depth (ft)", "dip (m)", "X", "row"]
        )
    return text_of(cells)


def odd_rows(rng: random.Random, data: bytes) -> bytes:
    lines = data.split(b"\n")
    for _ in range(rng.randint(1, 6)):
        place = rng.randrange(len(lines))
        kind = rng.randrange(6)
        if kind == 0:
            del lines[place]
        elif kind == 1:
            lines.insert(rng.randrange(len(lines) + 1), lines[place])
        elif kind == 2:
            lines.insert(place, rng.choice([b"", b",,,", b"# x", b"Total,,1", b'"', b"\x00", lines[0]]))
        elif kind == 3:
            lines[place] += rng.choice([b",1", b",", b'"', b";", b"\t"])
        elif kind == 4:
            lines[place] = lines[place][: rng.randrange(len(lines[place]) + 1)]
        else:
            rng.shuffle(lines)
        lines = lines or [b""]
    return b"\n".join(lines)


def bytes_changed(rng: random.Random, data: bytes) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice([1, 5, 50])):
        out[rng.randrange(len(out))] = rng.randrange(256)
    return bytes(out)


def cut_off(rng: random.Random, data: bytes) -> bytes:
    return data[: rng.randrange(len(data))]


def other_encoding(rng: random.Random, data: bytes) -> bytes:
    text = data.decode("utf-8", "replace")
    return text.encode(
        rng.choice(["utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252", "utf-8-sig", "utf-7"]), "replace"
    )


def other_separator(rng: random.Random, data: bytes) -> bytes:
    return data.replace(b",", rng.choice([b";", b"\t", b"|", b" ", b"::"]))


def long_cell(rng: random.Random, data: bytes) -> bytes:
    cells = cells_of(data)
    row = rng.choice(cells)
    row[rng.randrange(len(row))] = rng.choice(["x", "9", '"', "1,"]) * 1_000_000
    return text_of(cells)


def nothing_left(rng: random.Random, data: bytes) -> bytes:
    return rng.choice(
        [b"", b"\n", b"\xef\xbb\xbf", b"\xff\xfe", data.split(b"\n")[0], b"\x00" * 1000, rng.randbytes(3000)]
    )


DAMAGES: list[Damage] = [
    *(odd_cells, odd_column, odd_headings, odd_rows, bytes_changed, cut_off),
    *(other_encoding, other_separator, nothing_left),
]


def damaged(number: int, folder: Path) -> Path:
    """Write the copy of a number into an empty folder and return it."""
    rng = random.Random(number)
    files = dict(FILES)
    for _ in range(rng.choice([1, 1, 2, 4])):
        name = rng.choice([*(f"{table}.csv" for table in NAMES), "project.toml"])
        damage = long_cell if number % 100 == 7 else rng.choice(DAMAGES)
        if files.get(name):
            files[name] = damage(rng, files[name])
    for name, data in files.items():
        (folder / name).write_bytes(data)
    if number % 10 == 3:
        _replace(rng, folder / f"{rng.choice(NAMES)}.csv")
    return folder


def _replace(rng: random.Random, path: Path) -> None:
    """Put something else in a file's place."""
    path.unlink()
    kind = rng.randrange(5)
    if kind == 0:
        path.mkdir()
    elif kind == 1:
        path.symlink_to(path)
    elif kind == 2:
        path.symlink_to(path.parent / "nowhere")
    elif kind == 3:
        path.symlink_to(path.parent)


def checksums(folder: Path) -> dict[str, str]:
    return {
        path.name: str(path.readlink()) if path.is_symlink() else hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.iterdir()
        if path.is_symlink() or path.is_file()
    }


def judged(folder: Path) -> str:
    """Return how a copy ends: ``findings`` or ``refused``; anything else comes up as an exception."""
    try:
        findings = desurvey.open(folder).findings
    except DataProblem as problem:
        return "refused" if 0 < len(str(problem)) < 2000 else "refused without a message"
    assert all(finding.message and len(finding.message) < 3000 for finding in findings)
    return "findings"


# ------------------------------------------------------------------------------------------------------------- tests


@pytest.mark.parametrize("batch", range(BATCHES))
def test_a_damaged_copy_gives_findings_or_one_message(batch, tmp_path):
    each = COPIES // BATCHES
    ends = []
    for number in range(batch * each, (batch + 1) * each):
        folder = tmp_path / str(number)
        folder.mkdir()
        before = checksums(damaged(number, folder))
        start = time.process_time()
        try:
            ends.append(judged(folder))
        except Exception as error:
            raise AssertionError(f"copy {number}: {type(error).__name__}") from error
        assert time.process_time() - start < LONGEST_S, f"copy {number} takes too long"
        assert checksums(folder) == before, f"copy {number} was changed"
    assert set(ends) <= {"findings", "refused"}
    assert ends.count("findings") > each / 2, "most copies still are projects"


def test_the_copy_without_damage_is_clean():
    assert COPIES >= 300
    assert COPIES % BATCHES == 0


@pytest.mark.parametrize("number", range(0, 60, 3))
def test_the_command_itself_ends_well(number, tmp_path):
    """A few of the copies through the command, with a page to write and a folder to adopt."""
    project, bare = tmp_path / "project", tmp_path / "bare"
    project.mkdir()
    damaged(number, project)
    done = lowside("check", project, "--out", tmp_path / "findings.html")
    assert done.returncode in (0, 1, 2)
    assert "Traceback" not in done.stdout + done.stderr
    if done.returncode == 2:
        assert done.stderr.startswith("lowside: ")
        assert not (tmp_path / "findings.html").exists()
    bare.mkdir()
    damaged(number, bare)
    (bare / "project.toml").unlink()
    done = lowside("adopt", bare)
    assert done.returncode in (0, 2)
    if done.returncode == 0:
        assert lowside("check", bare).returncode in (0, 1)


@settings(deadline=None, max_examples=150)
@given(st.binary(max_size=300), st.sampled_from([".csv", ".xlsx", ".parquet", ".zip", ".las", ".tsv", ".ods", ".xls"]))
def test_any_bytes_with_any_ending_are_read_or_refused(tmp_path_factory, data, ending):
    path = tmp_path_factory.mktemp("any") / f"file{ending}"
    path.write_bytes(data)
    try:
        read_cells(path, path.name)
    except DataProblem as problem:
        message = str(problem)
    else:
        message = path.name
    assert message.startswith(path.name)


@pytest.mark.parametrize("ending", ["xlsx", "parquet", "zip"])
def test_damaged_packed_files_are_read_or_refused(ending, tmp_path):
    """Bytes changed and cut off inside formats with a structure of their own."""
    frame = pd.read_csv(io.BytesIO(FILES["surveys.csv"]))
    whole = io.BytesIO()
    if ending == "xlsx":
        frame.to_excel(whole, index=False)
    elif ending == "parquet":
        frame.to_parquet(whole)
    else:
        with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("surveys.csv", FILES["surveys.csv"])
    path = tmp_path / f"surveys.{ending}"
    refused = 0
    for number in range(60):
        rng = random.Random(number)
        path.write_bytes(rng.choice([bytes_changed, cut_off])(rng, whole.getvalue()))
        try:
            read_cells(path, path.name)
        except DataProblem:
            refused += 1
    assert refused > 5


def test_adopting_a_damaged_folder_gives_a_project_or_one_message(tmp_path):
    for number in range(0, 120, 3):
        folder = tmp_path / str(number)
        folder.mkdir()
        damaged(number, folder)
        (folder / "project.toml").unlink()
        try:
            adopt(folder)
        except DataProblem:
            continue
        assert judged(folder) in {"findings", "refused"}
