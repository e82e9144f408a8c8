"""Folders as they come from the field: a generator that knows the truth writes each with several habits at once.

A habit changes how the truth is written (or, rarely, spoils a row), never the truth itself. All were met or told of in
the trade (common practice, no source). ``python -m tests.corpus.field`` adopts every folder and prints the counts.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from desurvey import orient, traces
from desurvey.problems import DataProblem
from desurvey.project import Look, Project, load_project, look
from desurvey.project.adopting import with_choices
from tests.corpus.folders import workbook

__all__ = ["FOLDERS", "FieldFolder", "judged", "write"]

COUNT = 64
"""Folders in the corpus."""

FEET = 0.3048
TABLES = ("collars", "surveys", "runs", "structures")


@dataclass
class FieldFolder:
    """A folder with the tables as a person would write them.

    Attributes
    ----------
    seed : int
    habits : list of str
    tables : dict of str to DataFrame
        As written; texts and numbers.
    says : dict
        What the person answers when asked for conventions: the truth about them.
    above : dict of str to list of rows
        Rows above the heading, by table.
    below : dict of str to list of rows
        Rows right below the heading.
    names : dict of str to str
        Table → file.
    separator, decimal : str
    copies : dict of str to str
        File → table of which it is a copy.
    book : bool
        Whether all tables are sheets of one workbook.
    lost : set of str
        Structures whose orientation nobody can tell from what is written.
    """

    seed: int
    tables: dict[str, pd.DataFrame]
    says: dict
    habits: list[str] = field(default_factory=list)
    above: dict[str, list[str]] = field(default_factory=dict)
    below: dict[str, list[str]] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=lambda: {name: f"{name}.csv" for name in TABLES})
    separator: str = ","
    decimal: str = "."
    copies: dict[str, str] = field(default_factory=dict)
    book: bool = False
    lost: set[str] = field(default_factory=set)

    def __str__(self) -> str:
        """Return its habits."""
        return f"{self.seed}-{'+'.join(self.habits)}"


def world(seed: int) -> dict[str, pd.DataFrame]:
    """Return the tables of a few holes without a mistake."""
    rng = np.random.default_rng(seed)
    prefix, count = rng.choice(["BR-", "KD-", "TW-"]), int(rng.integers(4, 7))
    holes = [f"{prefix}{number:03d}" for number in range(1, count + 1)]
    depth = np.round(rng.uniform(80.0, 160.0, count), 1)
    azimuth, dip = np.round(rng.uniform(40.0, 320.0, count), 1), -np.round(rng.uniform(55.0, 72.0, count), 1)
    collars = pd.DataFrame(
        {
            "hole_id": holes,
            "easting": np.round(512000.0 + 60.0 * np.arange(count) + rng.normal(0, 3, count), 2),
            "northing": np.round(5320000.0 + rng.normal(0, 20, count), 2),
            "elevation": np.round(1200.0 + rng.normal(0, 6, count), 2),
            "depth": depth,
            "azimuth": azimuth,
            "dip": dip,
            "date": pd.date_range("2025-03-01", periods=count, freq="9D").strftime("%Y-%m-%d"),
        }
    )
    rows: dict[str, list[tuple]] = {"surveys": [], "runs": [], "structures": []}
    for place, hole in enumerate(holes):
        for at in np.arange(0.0, depth[place] - 1.0, 30.0):
            rows["surveys"].append((hole, at, round(azimuth[place] + at / 25, 2), round(dip[place] + at / 40, 2)))
        for top in np.arange(0.0, depth[place] - 3.0, 3.0):
            share = rng.choice([1.0, 0.95, 0.9])
            rows["runs"].append((hole, top, top + 3.0, round(3.0 * share, 2), round(float(rng.normal(0, 3)), 0)))
        for at in np.sort(np.round(rng.uniform(3.0, depth[place] - 6.0, 12), 2)):
            number = len(rows["structures"]) + 1
            alpha, beta = round(float(rng.uniform(15, 85)), 1), round(float(rng.uniform(0, 359)), 1)
            rows["structures"].append((f"S{number:03d}", hole, at, rng.choice(["joint", "fault"]), alpha, beta))
    return {
        "collars": collars,
        "surveys": pd.DataFrame(rows["surveys"], columns=["hole_id", "depth", "azimuth", "dip"]),
        "runs": pd.DataFrame(rows["runs"], columns=["hole_id", "depth_from", "depth_to", "recovered", "line_offset"]),
        "structures": pd.DataFrame(
            rows["structures"], columns=["structure_id", "hole_id", "depth", "kind", "alpha", "beta"]
        ),
    }


# ------------------------------------------------------------------------------------------------------------- habits

Habit = Callable[[FieldFolder, np.random.Generator], None]
HABITS: dict[str, tuple[str, Habit]] = {}
"""Name → what of a folder it touches (no two habits of one folder touch the same), and what it does."""


def habit(touches: str) -> Callable[[Habit], Habit]:
    def kept(function: Habit) -> Habit:
        HABITS[function.__name__] = (touches, function)
        return function

    return kept


LOGS = ("surveys", "runs", "structures")


@habit("names")
def merged_cells(folder, rng):
    for name in LOGS:
        frame = folder.tables[name]
        frame.loc[frame["hole_id"].duplicated(), "hole_id"] = ""


@habit("names")
def no_dashes(folder, rng):
    for name in rng.choice(LOGS, 2, replace=False):
        folder.tables[name]["hole_id"] = folder.tables[name]["hole_id"].str.replace("-", "")


@habit("names")
def no_zeros(folder, rng):
    for name in LOGS:
        folder.tables[name]["hole_id"] = folder.tables[name]["hole_id"].str.replace("-00", "-")


@habit("names")
def lower_case(folder, rng):
    folder.tables["structures"]["hole_id"] = folder.tables["structures"]["hole_id"].str.lower() + " "


@habit("names")
def letter_for_digit(folder, rng):
    first = folder.tables["collars"]["hole_id"][0]
    frame = folder.tables["surveys"]
    frame["hole_id"] = frame["hole_id"].replace(first, first.replace("00", "OO"))


@habit("names")
def a_hole_that_nobody_knows(folder, rng):
    last = folder.tables["collars"]["hole_id"].iloc[-1]
    frame = folder.tables["structures"]
    frame["hole_id"] = frame["hole_id"].replace(last, "ZZ-99")


@habit("names")
def marks_in_cells(folder, rng):
    for name in LOGS:
        folder.tables[name].loc[1, "hole_id"] = "\ufeff" + folder.tables[name].loc[1, "hole_id"]


@habit("lengths")
def surveys_in_feet(folder, rng):
    folder.tables["surveys"]["depth"] = (folder.tables["surveys"]["depth"] / FEET).round(6)


@habit("lengths")
def structures_in_feet_as_the_heading_says(folder, rng):
    frame = folder.tables["structures"]
    frame["depth"] = (frame["depth"] / FEET).round(6)
    folder.tables["structures"] = frame.rename(columns={"depth": "Depth (ft)"})


@habit("lengths")
def structures_in_feet(folder, rng):
    folder.tables["structures"]["depth"] = (folder.tables["structures"]["depth"] / FEET).round(6)


@habit("lengths")
def holes_in_feet(folder, rng):
    folder.tables["collars"]["depth"] = (folder.tables["collars"]["depth"] / FEET).round(6)


@habit("lengths")
def all_depths_in_feet(folder, rng):
    for name, columns in {
        "collars": ["depth"],
        "surveys": ["depth"],
        "runs": ["depth_from", "depth_to", "recovered"],
        "structures": ["depth"],
    }.items():
        folder.tables[name][columns] = (folder.tables[name][columns] / FEET).round(6)


@habit("recovered")
def recovery_in_per_cent(folder, rng):
    folder.tables["runs"]["recovered"] = (folder.tables["runs"]["recovered"] / 0.03).round(6)


@habit("recovered")
def recovery_in_per_cent_as_the_heading_says(folder, rng):
    recovery_in_per_cent(folder, rng)
    folder.tables["runs"] = folder.tables["runs"].rename(columns={"recovered": "Recovery (%)"})


@habit("recovered")
def recovery_as_a_share(folder, rng):
    folder.tables["runs"]["recovered"] = (folder.tables["runs"]["recovered"] / 3.0).round(8)


@habit("dips")
def dips_from_the_vertical(folder, rng):
    folder.tables["surveys"]["dip"] = (90.0 + folder.tables["surveys"]["dip"]).round(6)


@habit("dips")
def positive_dips(folder, rng):
    for name in ("collars", "surveys"):
        folder.tables[name]["dip"] = -folder.tables[name]["dip"]
    folder.says["frame"]["dip_sign"] = "positive_down"


@habit("dips")
def azimuth_and_dip_exchanged_in_one_hole(folder, rng):
    frame = folder.tables["surveys"]
    own = frame["hole_id"] == folder.tables["collars"]["hole_id"][1]
    frame.loc[own, ["azimuth", "dip"]] = frame.loc[own, ["dip", "azimuth"]].to_numpy()


@habit("dips")
def azimuth_in_gradians_as_the_heading_says(folder, rng):
    frame = folder.tables["surveys"]
    frame["azimuth"] = (frame["azimuth"] / 0.9).round(8)
    folder.tables["surveys"] = frame.rename(columns={"azimuth": "Azimuth (gon)"})


@habit("place")
def easting_and_northing_exchanged(folder, rng):
    swap = {"easting": "northing", "northing": "easting"}
    folder.tables["collars"] = folder.tables["collars"].rename(columns=swap)


@habit("place")
def no_elevation(folder, rng):
    folder.tables["collars"].loc[1, "elevation"] = rng.choice([-999.0, 0.0])


@habit("angles")
def no_line_in_beta(folder, rng):
    frame = folder.tables["structures"].astype({"beta": object})
    frame.loc[[2, 5, 9], "beta"] = "no line"
    folder.lost |= {"S003", "S006", "S010"}
    folder.tables["structures"] = frame


@habit("angles")
def two_alphas_in_a_cell(folder, rng):
    frame = folder.tables["structures"].astype({"alpha": object})
    frame.loc[4, "alpha"] = "45,50"
    folder.lost.add("S005")
    folder.tables["structures"] = frame


@habit("offsets")
def minus_99_for_no_offset(folder, rng):
    folder.tables["runs"].loc[[1, 4], "line_offset"] = -99


@habit("beyond")
def a_structure_below_the_hole(folder, rng):
    folder.tables["structures"].loc[7, "depth"] = 2500.0
    folder.lost.add("S008")


@habit("instrument")
def an_unknown_tool(folder, rng):
    folder.tables["surveys"]["tool"] = "single shot"


@habit("instrument")
def magnetic_above_gyro(folder, rng):
    gyro = folder.tables["surveys"].assign(instrument="gyro")
    magnetic = gyro.assign(instrument="magnetic", azimuth=gyro["azimuth"] + 7.0)
    folder.tables["surveys"] = pd.concat([magnetic, gyro]).sort_values(["hole_id", "depth"], kind="stable")


@habit("date")
def day_numbers(folder, rng):
    dates = pd.to_datetime(folder.tables["collars"]["date"])
    folder.tables["collars"]["date"] = (dates - pd.Timestamp("1899-12-30")).dt.days


@habit("headings")
def headings_of_the_trade(folder, rng):
    renamed = {
        "collars": {"hole_id": "BHID", "elevation": "RL", "depth": "EOH (m)", "date": "Started"},
        "surveys": {"hole_id": "BHID", "azimuth": "Azi"},
        "runs": {"hole_id": "BHID", "depth_from": "From (m)", "depth_to": "To (m)"},
        "structures": {"hole_id": "BHID", "kind": "Defect Type", "structure_id": "ID"},
    }
    for name, headings in renamed.items():
        folder.tables[name] = folder.tables[name].rename(columns=headings)


@habit("headings")
def holes_under_an_odd_heading(folder, rng):
    folder.tables["structures"] = folder.tables["structures"].rename(columns={"hole_id": "Loc."})


@habit("rows")
def a_row_of_units(folder, rng):
    cells = ["m" if name in {"depth_from", "depth_to", "recovered"} else "" for name in folder.tables["runs"].columns]
    folder.below["runs"] = [cells]


@habit("rows")
def a_row_of_totals(folder, rng):
    frame = folder.tables["runs"].astype(object)
    frame.loc[len(frame)] = ["Total metres", *[""] * (len(frame.columns) - 2), 512.5]
    folder.tables["runs"] = frame


@habit("rows")
def a_remark_below(folder, rng):
    frame = folder.tables["structures"].astype(object)
    frame.loc[len(frame)] = [""] * len(frame.columns)
    frame.iloc[-1, frame.columns.get_loc("hole_id") if "hole_id" in frame else 1] = "logged by AB and checked"
    folder.tables["structures"] = frame


@habit("titles")
def a_title_that_names_the_grid(folder, rng):
    folder.above["collars"] = [["Collar survey"], ["GDA94 / MGA zone 55"]]


@habit("files")
def structures_in_two_files(folder, rng):
    frame = folder.tables["structures"]
    half = len(frame) // 2
    folder.tables["structures"], folder.tables["more"] = frame[:half], frame[half:]
    folder.names["more"] = "structures_2.csv"


@habit("files")
def a_copy_of_the_structures(folder, rng):
    folder.copies["structures_backup.csv"] = "structures"


@habit("files")
def one_workbook(folder, rng):
    folder.book = True


@habit("files")
def semicolons_and_decimal_commas(folder, rng):
    folder.separator, folder.decimal = ";", ","


def made(seed: int) -> FieldFolder:
    """Return a folder with a habit of its own and up to three others, of things that it doesn't touch."""
    rng = np.random.default_rng(seed)
    says = {"frame": {"north": "grid", "dip_sign": "negative_down"}, "core": {"line": "low"}}
    folder = FieldFolder(seed, world(seed), says)
    names = list(HABITS)
    chosen = [names[seed % len(names)]]
    for name in rng.permutation(names):
        clash = {"two_alphas_in_a_cell", "semicolons_and_decimal_commas"} <= {*chosen, name}  # 45,50 is 45.5 there
        if len(chosen) < 2 + seed % 3 and not clash and HABITS[name][0] not in {HABITS[one][0] for one in chosen}:
            chosen.append(str(name))
    order = ["rows", "headings", "files"]  # last, for they change what the others look for
    for name in sorted(chosen, key=lambda one: order.index(HABITS[one][0]) if HABITS[one][0] in order else -1):
        HABITS[name][1](folder, rng)
        folder.habits.append(name)
    return folder


FOLDERS = [made(seed) for seed in range(COUNT)]


def write(folder: FieldFolder, place: Path) -> Path:
    """Write a folder's tables."""
    rows = {}
    for name, frame in folder.tables.items():
        lines = [[str(heading) for heading in frame.columns], *folder.below.get(name, []), *frame.to_numpy().tolist()]
        rows[name] = [*folder.above.get(name, []), *lines]
    if folder.book:
        (place / "log.xlsx").write_bytes(workbook(rows))
    files = {} if folder.book else {folder.names[name]: name for name in folder.tables}
    for file, name in {**files, **folder.copies}.items():
        text = "\n".join(folder.separator.join(_cell(cell, folder) for cell in line) for line in rows[name])
        (place / file).write_text(text + "\n", encoding="utf-8")
    return place


def _cell(value: object, folder: FieldFolder) -> str:
    if isinstance(value, float):
        return "" if np.isnan(value) else f"{value:.10g}".replace(".", folder.decimal)
    text = str(value)
    return f'"{text}"' if folder.separator in text else text


# ------------------------------------------------------------------------------------------------------------ judging


@dataclass(frozen=True)
class Drawn:
    """What a project is drawn as: structure → pole and place, hole → the place of its end."""

    structures: Mapping[str, np.ndarray]
    holes: Mapping[str, np.ndarray]
    recovered: float


def drawn(project: Project) -> Drawn:
    holes = traces.build(project)
    ends = holes.at(np.arange(len(holes.hole_ids)), holes.end).position
    result = orient.oriented(project, holes)
    rows = np.column_stack([result.normal, result.position])[result.usable]
    names = result.table["structure_id"].to_numpy()[result.usable]
    recovered = float(project.runs["recovered"].sum())
    return Drawn(dict(zip(names, rows, strict=True)), dict(zip(holes.hole_ids.tolist(), ends, strict=True)), recovered)


def truth(seed: int) -> Drawn:
    """Return what the tables without any habit are drawn as."""
    plain = FieldFolder(seed, world(seed), {})
    with tempfile.TemporaryDirectory() as name:
        place = write(plain, Path(name))
        toml = '[frame]\nnorth = "grid"\ndip_sign = "negative_down"\n[core]\nline = "low"\n[tables]\n'
        toml += "".join(f'{name} = "{name}.csv"\n' for name in TABLES)
        (place / "project.toml").write_text(toml)
        project = load_project(place)
        assert not project.findings, [str(found) for found in project.findings]
        return drawn(project)


def judged(folder: FieldFolder, place: Path) -> tuple[str, Look]:
    """Return how a folder comes out, and the last look at it.

    ``right at once``, ``right after repairs``, ``refused rightly`` (nothing is drawn wrong; what isn't drawn has an
    error that says so), ``doubted`` (drawn wrong, with a warning that names the cause and its cures), or ``wrong
    silently``. What the tables don't hold (``lost``) must not be drawn.
    """
    write(folder, place)
    true = truth(folder.seed)
    known = {name: row for name, row in true.structures.items() if name not in folder.lost}
    true = Drawn(known, true.holes, true.recovered)
    seen, choices, repairs = look(place, folder.says), folder.says, 0
    if _same(seen, true):
        return "right at once", seen
    while seen.offered and repairs < 5:
        for cause in seen.offered:
            choices = with_choices(choices, cause.cures[0])
        seen, repairs = look(place, choices), repairs + 1
    if _same(seen, true):
        return "right after repairs", seen
    return _unlike(seen, true), seen


def _read(seen: Look) -> Drawn | None:
    try:
        return drawn(seen.project) if seen.project else None
    except DataProblem:
        return None


def _same(seen: Look, true: Drawn) -> bool:
    got = _read(seen)
    return got is not None and not _lost(got, true) and not _wrong(got, true)


def _lost(got: Drawn, true: Drawn) -> bool:
    return not (true.structures.keys() <= got.structures.keys() and true.holes.keys() <= got.holes.keys())


def _wrong(got: Drawn, true: Drawn) -> bool:
    pairs = [(got.structures[name], true.structures[name]) for name in got.structures if name in true.structures]
    pairs += [(got.holes[name], true.holes[name]) for name in got.holes if name in true.holes]
    apart = any(not np.allclose(one, other, atol=2e-3) for one, other in pairs)
    extra = got.structures.keys() - true.structures.keys() or got.holes.keys() - true.holes.keys()
    return apart or bool(extra) or not (got.recovered == 0.0 or abs(got.recovered - true.recovered) < 0.05)


def _unlike(seen: Look, true: Drawn) -> str:
    got = _read(seen)
    found = seen.project.findings if seen.project else ()
    if got is None:
        return "refused rightly" if seen.problem or any(one.stops == "table" for one in found) else "wrong silently"
    if not _wrong(got, true):
        return "refused rightly" if any(one.severity == "error" for one in found) else "wrong silently"
    return "doubted" if any(cause.cures for cause in seen.repairs) else "wrong silently"


def main() -> None:
    """Print how every folder comes out, and the counts."""
    counts: Counter[str] = Counter()
    for folder in FOLDERS:
        with tempfile.TemporaryDirectory() as name:
            outcome, seen = judged(folder, Path(name))
        counts[outcome] += 1
        print(f"{outcome:20} {folder}", *(f"\n    {cause.sentence}" for cause in seen.repairs if outcome[0] in "dw"))
    for outcome, count in counts.most_common():
        print(f"{count:4} {outcome}")


if __name__ == "__main__":
    main()
