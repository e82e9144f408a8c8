"""The list of core to look at again, as a loop: a sheet for the racks, results typed back, each closing what it asks.

Asked are windows in core that is there and logged past (a fault should be in them and isn't), and suspects of single
runs and readings. Results stand in ``relog.toml``, the program's own file; the tables are never touched: what was found
is given as rows to paste. A window in which nothing was found stays closed while it lies in what was looked at.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
from filelock import FileLock, Timeout

from desurvey.audit import AuditLine
from desurvey.campaign.results import results_of
from desurvey.decisions import record
from desurvey.outputs import replacing
from desurvey.problems import DataProblem, key_part, nearest
from desurvey.shown import shown

if TYPE_CHECKING:
    from desurvey.progress import Progress
    from desurvey.study import Study

__all__ = ["FILE", "RELOG_COLUMNS", "Looked", "answer", "found_rows", "read_results", "relog_list", "typed_back"]

FILE = "relog.toml"

RELOG_COLUMNS = ["key", "hole_id", "depth_from", "depth_to", "box", "look_for", "chance", "result", "note"]
"""Of the sheet; ``result`` and ``note`` are blank, to be filled at the racks."""

BOXES = "boxes"
"""Interval table that says in which box, and in which ``box_row`` of it, core lies."""

LEAST = 0.2
"""Chance from which a window is worth a walk to the racks."""

SAME_M = 0.5
"""Metres by which a window may leave what was looked at, and by which a row is the one that was found."""

FOUND = re.compile(r"found(?: at)?\s+([0-9]+(?:[.,][0-9]+)?)\s*m?", re.IGNORECASE)
NOTHING, WRONG = "nothing", "line was wrong"

PATIENCE_S = 10.0


@shown
@dataclass(frozen=True, slots=True)
class Looked:
    """What was seen at the racks.

    Attributes
    ----------
    key : str
        Of the list.
    result : str
        ``found at D``, ``nothing``, or ``line was wrong``.
    depth_from, depth_to : float
        What was looked at, metres.
    who, when, note : str
        Person, ISO 8601 time, and what else was seen.
    """

    key: str
    result: str
    depth_from: float
    depth_to: float
    who: str = ""
    when: str = ""
    note: str = ""

    @property
    def found_at(self) -> float | None:
        """Depth at which the fault was found; None where it wasn't."""
        match = FOUND.fullmatch(self.result)
        return float(match[1].replace(",", ".")) if match else None


def relog_list(study: Study, *, progress: Progress | None = None) -> pd.DataFrame:
    """Return what there is to look at again, by hole and depth: :data:`RELOG_COLUMNS`.

    Left out is what has been answered: windows that lie in what was looked at, and suspects that are decided.
    """
    now = results_of(study, progress=progress)
    windows = now.windows[(now.windows["status"] == "not_logged") & (now.windows["chance"] >= LEAST)]
    windows = windows[windows["logged_to"] >= windows["depth_to"]]
    windows = windows.assign(
        key=[window_key(fault, hole) for fault, hole in zip(windows["fault_id"], windows["hole_id"], strict=True)],
        look_for=windows["fault_id"] + ", expected at " + windows["expected_depth"].map("{:.1f} m".format),
    )
    suspects = now.suspects[now.suspects["scope"].isin(["run", "reading"])]
    suspects = suspects.assign(look_for=suspects["message"], chance=suspects["probability"])
    names = ["key", "hole_id", "depth_from", "depth_to", "look_for", "chance"]
    both = pd.concat([windows[names].astype(object), suspects[names].astype(object)], ignore_index=True)
    both = both.astype({"depth_from": float, "depth_to": float, "chance": float})
    looked = {one.key: one for one in read_results(study.logged.folder)}
    still = [not _closed(looked.get(row["key"]), row["depth_from"], row["depth_to"]) for row in both.to_dict("records")]
    left = both[pd.Series(still, dtype=bool)].sort_values(["hole_id", "depth_from"]).reset_index(drop=True)
    left["box"] = _boxes(study, left)
    return left.assign(result="", note="")[RELOG_COLUMNS]


def window_key(fault_id: str, hole_id: str) -> str:
    """Return the key of a window: ``window F1 TH-02``."""
    return f"window {key_part(fault_id)} {key_part(hole_id)}"


def _closed(looked: Looked | None, top: float, bottom: float) -> bool:
    if looked is None:
        return False
    inside = looked.depth_from - SAME_M <= top and bottom <= looked.depth_to + SAME_M
    return looked.found_at is not None or inside


def _boxes(study: Study, rows: pd.DataFrame) -> list[str]:
    """Return the boxes that each stretch lies in: ``12 row 3 to 13``; blank without a table of boxes."""
    table = study.logged.intervals.get(BOXES)
    if table is None or "box" not in table:
        return [""] * len(rows)
    said = []
    for row in rows.to_dict("records"):
        own = table[(table["hole_id"] == row["hole_id"]) & (table["depth_to"] > row["depth_from"])]
        own = own[own["depth_from"] < row["depth_to"]].sort_values("depth_from")
        names = [_box(one) for one in own.to_dict("records")]
        said.append(names[0] if len(set(names)) == 1 else f"{names[0]} to {names[-1]}" if names else "")
    return said


def _box(row: dict[object, object]) -> str:
    number = row["box"]
    name = f"{number:g}" if isinstance(number, float) else str(number)
    line = row.get("box_row", "")
    if line in {"", None} or line != line:
        return name
    return f"{name} row {line:g}" if isinstance(line, float) else f"{name} row {line}"


# ------------------------------------------------------------------------------------------------------- typed back


def answer(study: Study, key: str, result: str, *, who: str, note: str = "") -> Looked:
    """Write down what was seen at the racks, and close what it answers.

    Parameters
    ----------
    study : Study
        As it now stands.
    key : str
        Of the list.
    result : str
        ``found at 123.4`` or ``nothing`` for a window; ``line was wrong`` or ``nothing`` (the line is right) for a
        suspect, which is accepted or set aside by it.
    who, note : str
        The person, and what else was seen.

    Raises
    ------
    DataProblem
        When there is no such key in the list, or the result means nothing for it.
    """
    if study.as_of:
        raise DataProblem("nothing can be typed into the past", value=study.as_of, hint="leave out --at")
    listed = relog_list(study).set_index("key")
    if key not in listed.index:
        hint = nearest(key, listed.index.tolist()) or "list the keys with lowside relog PROJECT --out relog.csv"
        raise DataProblem("there is nothing of that key to look at", column="KEY", value=key, hint=hint)
    row = listed.loc[[key]].iloc[0].to_dict()
    looked = Looked(key, result.strip().lower(), float(row["depth_from"]), float(row["depth_to"]), who, note=note)
    window = key.startswith("window ")
    if looked.found_at is None and looked.result not in ({NOTHING} if window else {NOTHING, WRONG}):
        may = "'found at 123.4' or 'nothing'" if window else "'line was wrong' or 'nothing'"
        raise DataProblem(f"a result is {may} here", column="result", value=result)
    if looked.found_at is not None and not window:
        raise DataProblem("a suspect is 'line was wrong' or 'nothing'", column="result", value=result)
    signed = replace(looked, when=datetime.now().astimezone().isoformat(timespec="seconds"))
    if not window:
        why = f"looked at the core: {looked.result}{f'; {note}' if note else ''}"
        study.decide(key, accept=looked.result == WRONG, set_aside=looked.result == NOTHING, why=why, who=who)
    _write(study.logged.folder, signed)
    return signed


def typed_back(study: Study, sheet: pd.DataFrame, *, who: str) -> list[Looked]:
    """Write down all results of a sheet that was filled in: rows with a key and a result."""
    if not {"key", "result"} <= set(sheet.columns):
        raise DataProblem("the sheet needs the columns key and result, as lowside relog writes them")
    rows = sheet.assign(note=sheet.get("note", "")).astype(object).fillna("")
    filled = [row for row in rows.to_dict("records") if str(row["result"]).strip()]
    return [answer(study, str(row["key"]), str(row["result"]), who=who, note=str(row["note"])) for row in filled]


def read_results(folder: Path) -> tuple[Looked, ...]:
    """Return what was seen at the racks so far, the last word on each key.

    Raises
    ------
    DataProblem
        When the file can't be read as what this program writes.
    """
    path = folder / FILE
    if not path.is_file():
        return ()
    try:
        blocks = tomllib.loads(path.read_text(encoding="utf-8")).get("looked", [])
        found = [Looked(**block) for block in blocks]
    except (OSError, ValueError, TypeError) as error:
        raise DataProblem(f"{FILE} must be as this program writes it", file=FILE, value=str(error)) from error
    return tuple({one.key: one for one in found}.values())


def _write(folder: Path, looked: Looked) -> None:
    try:
        with FileLock(folder / ".relog.lock", timeout=PATIENCE_S):
            known = [one for one in read_results(folder) if one.key != looked.key]
            with replacing(folder / FILE, own=True) as partial:
                partial.write_text(HEADER + "".join(map(_as_toml, (*known, looked))), encoding="utf-8")
    except Timeout as error:
        raise DataProblem("somebody else is typing results", file=FILE, hint="try again in a moment") from error
    except OSError as error:
        raise DataProblem("results can't be written", file=str(folder / FILE), value=error.strerror) from error
    more = {"depth_from": looked.depth_from, "depth_to": looked.depth_to}
    record(folder, AuditLine("relogged", looked.key, looked.who, looked.when, looked.result, more))


HEADER = "# What was seen when core was looked at again. The tables are as they were: paste what was found yourself.\n"


def _as_toml(one: Looked) -> str:
    values = {name: value for name, value in asdict(one).items() if value != ""}
    lines = (f"{name} = {json.dumps(value, ensure_ascii=False)}\n" for name, value in values.items())
    return "\n[[looked]]\n" + "".join(lines).replace("\x7f", "\\u007F")


def found_rows(study: Study) -> pd.DataFrame:
    """Return rows for the structures table: what was found and isn't logged yet (hole_id, depth, kind, note)."""
    table = study.logged.structures
    rows = []
    for one, depth in _found(read_results(study.logged.folder)):
        fault, hole = one.key.split(" ")[1:3]
        same = table[table["hole_id"].map(key_part) == hole]
        if not ((same["depth"] - depth).abs() <= SAME_M).any():
            name = next((name for name in study.logged.collars["hole_id"] if key_part(name) == hole), hole)
            rows.append((name, depth, "fault", f"{fault}, found by {one.who}, {one.when[:10]}"))
    return pd.DataFrame(rows, columns=["hole_id", "depth", "kind", "note"])


def _found(looked: Iterable[Looked]) -> list[tuple[Looked, float]]:
    return [(one, at) for one in looked for at in [one.found_at] if at is not None and one.key.startswith("window ")]
