"""What has changed since a state was kept: rows, findings, suspects, faults, windows, predictions met, decisions.

Everything is told apart by what names it for good (hole and depth of a row, key of a finding, picks of a fault), so
that a row added above changes nothing. Tables are compared as they are written, before azimuths are turned to grid
north: a changed setting is one line of its own and not a change of all rows.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from desurvey.audit import FILE as AUDIT
from desurvey.audit import AuditLine, read_trail, trail_of
from desurvey.campaign.relog import relog_list
from desurvey.campaign.results import Results, logged_to, results_of
from desurvey.campaign.score import distinct, judged, predictions_of
from desurvey.campaign.states import KeptState, content_of, kept_results, state_at, states, tables_in, tables_of
from desurvey.decisions import unrecorded
from desurvey.directions import vector_of_plane
from desurvey.problems import DataProblem
from desurvey.project.settings import FILE as SETTINGS
from desurvey.shown import shown
from desurvey.tables.cleaning import SOURCE

if TYPE_CHECKING:
    from desurvey.progress import Progress
    from desurvey.study import Study

__all__ = ["Since", "Need", "decision_words", "fault_changes", "row_changes", "since", "state_before"]

IDENTITY = {"collars": ("hole_id",), "surveys": ("hole_id", "depth"), "structures": ("hole_id", "depth", "kind")}
"""Columns by which a row of a table is the same on two days; of any other table, hole and upper end."""

CORRECTED = frozenset({"depth", "depth_from", "depth_to"})
"""Columns in which a row may differ and still be the same one, where all the others are alike."""

SAME_DEG, SAME_M, SAME_CHANCE = 0.1, 0.05, 0.01
"""Since of faults and windows below which nobody would do anything else: the precision of what is logged."""

SURE = 0.5
"""Chance from which a window in core that is there is worth a look, and a suspect a decision."""


class Need(NamedTuple):
    """Something that a person has to do now.

    Attributes
    ----------
    what : str
        ``error``, ``trail``, ``review``, ``prediction``, ``fault``, ``suspect``, or ``window``, in this order.
    key : str
        Of the finding, suspect, fault …
    message : str
        What to do, in a sentence.
    """

    what: str
    key: str
    message: str


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Since:
    """What has changed between two days.

    Attributes
    ----------
    project, since, until : str
        Name, and ISO 8601 times of the state and of what it is compared with (empty for now).
    state : str
        Name of the state.
    rows : pandas.DataFrame
        table, what (``new``, ``changed``, ``gone``), hole_id, depth, said (what changed, or blank).
    settings : tuple of str
        Sections of project.toml that are no longer the same.
    findings, suspects : mapping of str to pandas.DataFrame
        ``new``, ``solved`` and ``open``, and ``explained`` (findings that somebody has answered).
    faults, windows, predictions : pandas.DataFrame
        fault_id, what, and what it was and is, with a sentence each (``said``).
    decisions : tuple of AuditLine
        Made, taken back, or found to have been changed by hand; reviews among them.
    broken : tuple of str
        Where the audit trail doesn't hold, in sentences.
    needs : tuple of Need
        What needs a person now, the most urgent first.
    """

    project: str
    since: str
    until: str
    state: str
    rows: pd.DataFrame
    settings: tuple[str, ...]
    findings: Mapping[str, pd.DataFrame]
    suspects: Mapping[str, pd.DataFrame]
    faults: pd.DataFrame
    windows: pd.DataFrame
    predictions: pd.DataFrame
    decisions: tuple[AuditLine, ...]
    broken: tuple[str, ...]
    needs: tuple[Need, ...]

    @property
    def new_errors(self) -> int:
        """How many findings of severity error are new and unanswered: the exit status of a nightly job."""
        return int((self.findings["new"]["severity"] == "error").sum())

    def counts(self, hole: str | None = None) -> dict[str, dict[str, int]]:
        """Return numbers of rows ``new``, ``changed`` and ``gone`` by table, of all holes or of one."""
        rows = self.rows if hole is None else self.rows[self.rows["hole_id"] == hole]
        tables = sorted(set(self.rows["table"])) if hole is None else sorted(set(rows["table"]))
        return {
            table: {what: int(((rows["table"] == table) & (rows["what"] == what)).sum()) for what in KINDS}
            for table in tables
        }

    @property
    def holes(self) -> list[str]:
        """Holes whose rows have changed."""
        return sorted(set(self.rows["hole_id"]))

    def as_json(self) -> dict[str, Any]:
        """Return the changes as plain values; ``rows`` are counts, findings and suspects are lists of keys."""
        return {
            "project": self.project,
            "since": self.since,
            "until": self.until,
            "state": self.state,
            "rows": self.counts(),
            "holes": {hole: self.counts(hole) for hole in self.holes},
            "settings": list(self.settings),
            "findings": {name: table["key"].tolist() for name, table in self.findings.items()},
            "suspects": {name: table["key"].tolist() for name, table in self.suspects.items()},
            "faults": _records(self.faults),
            "windows": _records(self.windows),
            "predictions": _records(self.predictions),
            "decisions": [
                {"what": one.what, "about": one.about, "who": one.who, "when": one.when, "why": one.why}
                | dict(one.more)
                for one in self.decisions
            ],
            "needs": [one._asdict() for one in self.needs],
            "new_errors": self.new_errors,
        }

    def in_words(self) -> str:
        """Return the changes in sentences, what needs a person first."""
        lines = [f"{self.project} since {self.since[:16].replace('T', ' ')} ({self.state})"]
        lines += [f"  ! {one.message}" for one in self.needs] or ["  Nothing needs a person now."]
        for hole in self.holes:
            lines.append(f"{hole or 'no hole'}: {self.hole_words(hole)}")
        if self.settings:
            lines.append(f"project.toml has changed in {', '.join(self.settings)}")
        for name, kept in (("findings", self.findings), ("suspects", self.suspects)):
            lines.append(f"{name}: " + ", ".join(f"{len(table)} {what}" for what, table in kept.items()))
        for table in (self.faults, self.windows, self.predictions):
            lines += table["said"].tolist()
        lines += [decision_words(one) for one in self.decisions]
        return "\n".join(lines)

    def hole_words(self, hole: str) -> str:
        """Return what has changed in the rows of a hole: ``structures 12 new, 1 changed; runs 4 new``."""
        return "; ".join(
            f"{table} " + ", ".join(f"{count} {what}" for what, count in counts.items() if count)
            for table, counts in self.counts(hole).items()
        )


KINDS = ("new", "changed", "gone")


def state_before(study: Study, which: str = "") -> KeptState:
    """Return the state to compare a study with: the one that is named, else the last one of an earlier day.

    Raises
    ------
    DataProblem
        When there is none.
    """
    if which:
        return state_at(study.home, which)
    last = state_at(study.home, study.as_of[:10])
    day = study.as_of[:10] or datetime.now().astimezone().date().isoformat()
    earlier = [one for one in states(study.home).whole if one.when[:10] < day]
    return earlier[-1] if earlier else last


def since(study: Study, which: str = "", *, progress: Progress | None = None) -> Since:
    """Return what has changed between a state and a study.

    Parameters
    ----------
    study : Study
        As it now stands, or stood (``desurvey.open(folder, at=…)``).
    which : str
        The state (:func:`state_at`); empty for the last one of an earlier day (:func:`state_before`).

    Raises
    ------
    DataProblem
        When there is no such state, or it is damaged.

    Notes
    -----
    With suspects and line-up at hand it takes a second on the demo project; else as long as these.
    """
    state = state_before(study, which)
    then, now = kept_results(state), results_of(study, progress=progress)
    content = content_of(state)
    findings = _findings(then, now)
    suspects = _apart(then.suspects, now.suspects)
    faults = fault_changes(then, now)
    windows = _windows(then.windows, now.windows, _heirs(then.picks, now.picks))
    predictions = _met(study, state, now)
    decisions, broken = _decided(study, content)
    return Since(
        project=study.name,
        since=state.when,
        until=study.as_of,
        state=state.name,
        rows=_rows(tables_of(state), tables_in(study.logged.folder, study.logged.settings)),
        settings=_settings(content.get(SETTINGS, b""), study.logged.folder / SETTINGS),
        findings=findings,
        suspects=suspects,
        faults=faults,
        windows=windows,
        predictions=predictions,
        decisions=decisions,
        broken=broken,
        needs=tuple(_needs(findings, suspects, faults, predictions, relog_list(study), broken)),
    )


# ---------------------------------------------------------------------------------------------------------------- rows


def _rows(then: Mapping[str, pd.DataFrame], now: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    found = [
        row_changes(then.get(name), now.get(name), IDENTITY.get(name, ("hole_id", "depth_from"))).assign(table=name)
        for name in dict.fromkeys([*then, *now])
    ]
    return pd.concat([pd.DataFrame(columns=ROW_COLUMNS), *found], ignore_index=True)[ROW_COLUMNS]


ROW_COLUMNS = ["table", "what", "hole_id", "depth", "said"]


def row_changes(then: pd.DataFrame | None, now: pd.DataFrame | None, identity: Sequence[str]) -> pd.DataFrame:
    """Return the rows of a table that are new, changed or gone: what, hole_id, depth, said.

    Rows that are alike in all columns are the same, wherever they stand. Of the others, rows of one ``structure_id``
    are the same, then those alike in ``identity``, then those that differ in nothing but their depths.
    """
    old, new = _texts(then), _texts(now)
    columns = list(dict.fromkeys([*old.columns, *new.columns]))
    old, new = (table.reindex(columns=columns, fill_value="") for table in (old, new))
    one, other = _partners(old, new, columns)
    old, new = old.drop(index=old.index[one]), new.drop(index=new.index[other])
    pairs = []
    for by in (["structure_id"], list(identity), [name for name in columns if name not in CORRECTED]):
        if set(by) <= set(columns):
            one, other = _partners(old, new, by)
            pairs.append((old.iloc[one], new.iloc[other]))
            old, new = old.drop(index=old.index[one]), new.drop(index=new.index[other])
    rows = [_row("new", row, "") for row in new.to_dict("records")]
    rows += [_row("gone", row, "") for row in old.to_dict("records")]
    for before, after in pairs:
        for was, is_ in zip(before.to_dict("records"), after.to_dict("records"), strict=True):
            differs = [name for name in columns if was[name] != is_[name]]
            said = "; ".join(f"{name} {was[name] or 'blank'} → {is_[name] or 'blank'}" for name in differs)
            rows.append(_row("changed", is_, said))
    return pd.DataFrame(rows, columns=["what", "hole_id", "depth", "said"])


def _row(what: str, row: Mapping[Any, str], said: str) -> tuple[str, str, float, str]:
    return what, row.get("hole_id", ""), _number(row.get("depth_from", row.get("depth", ""))), said


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return float("nan")


def _texts(table: pd.DataFrame | None) -> pd.DataFrame:
    """Return a table as texts that are the same where the values are."""
    if table is None:
        return pd.DataFrame()
    own = table.drop(columns=["row", SOURCE], errors="ignore")
    return pd.DataFrame({name: _text(own[name]) for name in own.columns}, index=np.arange(len(own)), dtype=object)


def _text(column: pd.Series) -> list[str]:
    values = column.astype(object).where(column.notna(), "").tolist()
    return [f"{value:.10g}" if isinstance(value, float) else str(value) for value in values]


def _partners(old: pd.DataFrame, new: pd.DataFrame, by: list[str]) -> tuple[list[int], list[int]]:
    """Return the places of rows that are alike in some columns, each row once; blank names are none."""
    if old.empty or new.empty:
        return [], []
    there: dict[tuple[str, ...], list[int]] = {}
    for place, name in enumerate(zip(*(new[column].tolist() for column in by), strict=True)):
        there.setdefault(name, []).append(place)
    pairs = []
    for place, name in enumerate(zip(*(old[column].tolist() for column in by), strict=True)):
        found = there.get(name)
        if found and (by != ["structure_id"] or name != ("",)):
            pairs.append((place, found.pop(0)))
    return [one for one, _ in pairs], [other for _, other in pairs]


def _settings(then: bytes, path: Path) -> tuple[str, ...]:
    """Return the sections of project.toml that differ from what they were."""
    try:
        before, after = (tomllib.loads(data.decode("utf-8-sig")) for data in (then, path.read_bytes()))
    except (OSError, ValueError):
        return (SETTINGS,)
    return tuple(f"[{name}]" for name in sorted({*before, *after}) if before.get(name) != after.get(name))


# -------------------------------------------------------------------------------------------------- findings, suspects


def _apart(then: pd.DataFrame, now: pd.DataFrame) -> dict[str, pd.DataFrame]:
    known = now["key"].isin(then["key"])
    return {
        "new": now[~known].reset_index(drop=True),
        "solved": then[~then["key"].isin(now["key"])].reset_index(drop=True),
        "open": now[known].reset_index(drop=True),
    }


def _findings(then: Results, now: Results) -> dict[str, pd.DataFrame]:
    """Return findings told apart; one that was answered and is back counts as new."""
    before, after = (table.findings[table.findings["explained"] == ""] for table in (then, now))
    found = _apart(before, after)
    still = now.findings["key"].tolist()
    found["solved"] = found["solved"][~found["solved"]["key"].isin(still)].reset_index(drop=True)
    answered = now.findings[now.findings["explained"] != ""].reset_index(drop=True)
    return {**found, "explained": answered}


# -------------------------------------------------------------------------------------------------------------- faults


def _heirs(then: pd.DataFrame, now: pd.DataFrame) -> pd.DataFrame:
    """Return was, is_, shared: how many picks each fault of then shares with each of now."""
    both = then.merge(now, on="structure_id", suffixes=("_then", "_now"))
    both = both[(both["fault_id_then"] != "") & (both["fault_id_now"] != "")]
    counts = both.groupby(["fault_id_then", "fault_id_now"]).size().reset_index(name="shared")
    return counts.set_axis(["was", "is_", "shared"], axis=1).sort_values(
        ["shared", "was", "is_"], ascending=[False, True, True]
    )


FAULT_COLUMNS = [
    "fault_id", "was", "what", "picks_was", "picks", "dip_was", "dip", "dip_direction_was", "dip_direction",
    "turned_deg", "shifted_m", "probability_was", "probability", "said",
]  # fmt: skip

SPLIT = 2
"""Picks from which a part of a fault that went elsewhere is a fault split in two, and not a pick that moved."""


def fault_changes(then: Results, now: Results) -> pd.DataFrame:
    """Return the faults that are new, gone, merged, split or moved, known by their picks, with a sentence each."""
    heirs = _heirs(then.picks, now.picks)
    before, after = (table.faults.set_index("fault_id") for table in (then, now))
    first = heirs.drop_duplicates("was").set_index("was")["is_"]
    rows = [_fault(name, "", "new", None, after.loc[name]) for name in after.index if name not in set(first)]
    rows += [_fault(name, name, "gone", before.loc[name], None) for name in before.index if name not in first.index]
    for name in after.index:
        elders = [old for old in before.index if first.get(old) == name]
        parts = heirs[heirs["was"].isin(elders) & (heirs["is_"] != name) & (heirs["shared"] >= SPLIT)]
        for old in elders:
            split = parts.loc[parts["was"] == old, "is_"].tolist()
            what = "merged" if len(elders) > 1 else "split" if split else "moved"
            row = _fault(name, old, what, before.loc[old], after.loc[name], split)
            if what != "moved" or _has_moved(row):
                rows.append(row)
    return pd.DataFrame(rows, columns=FAULT_COLUMNS)


def _has_moved(row: Mapping[str, Any]) -> bool:
    limits = {"turned_deg": SAME_DEG, "shifted_m": SAME_M}
    moved = any(row[name] > limit for name, limit in limits.items())
    return bool(
        moved or row["picks"] != row["picks_was"] or abs(row["probability"] - row["probability_was"]) > SAME_CHANCE
    )


def _fault(
    name: str, old: str, what: str, was: pd.Series | None, is_: pd.Series | None, split: Sequence[str] = ()
) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(FAULT_COLUMNS, np.nan) | {"fault_id": name, "was": old, "what": what}
    for one, tail in ((was, "_was"), (is_, "")):
        if one is not None:
            row |= {f"{column}{tail}": one[column] for column in ("picks", "dip", "dip_direction", "probability")}
    if was is not None and is_ is not None:
        normals = vector_of_plane(*(np.array([was[c], is_[c]], dtype=float) for c in ("dip", "dip_direction")))
        row["turned_deg"] = float(np.rad2deg(np.arccos(np.clip(abs(normals[0] @ normals[1]), 0.0, 1.0))))
        moved = np.array([is_[c] - was[c] for c in ("easting", "northing", "elevation")], dtype=float)
        row["shifted_m"] = float(abs(normals[0] @ moved))
    return row | {"said": _fault_words(row, split)}


def _fault_words(row: Mapping[str, Any], split: Sequence[str]) -> str:
    name, old = row["fault_id"], row["was"]
    if row["what"] == "new":
        return f"{name} is new: {row['picks']:.0f} picks, {row['dip']:.0f}/{row['dip_direction']:03.0f}."
    if row["what"] == "gone":
        return f"{name} is gone: none of its {row['picks_was']:.0f} picks is in a fault any more."
    head = {
        "merged": f"{old} has become part of {name}",
        "split": f"{old} has been split: {', '.join([name, *split])}",
        "moved": name if name == old else f"{old}, now {name}",
    }[row["what"]]
    was, is_ = (f"{row[f'dip{tail}']:.1f}/{row[f'dip_direction{tail}']:05.1f}" for tail in ("_was", ""))
    return (
        f"{head}: {row['picks_was']:.0f} → {row['picks']:.0f} picks, {was} → {is_} "
        f"(turned {row['turned_deg']:.1f}°), shifted {row['shifted_m']:.1f} m, "
        f"probability {row['probability_was']:.2f} → {row['probability']:.2f}."
    )


WINDOW_COLUMNS = [
    "fault_id", "hole_id", "what", "expected_depth_was", "expected_depth", "sigma_was", "sigma", "status_was",
    "status", "said",
]  # fmt: skip


def _windows(then: pd.DataFrame, now: pd.DataFrame, heirs: pd.DataFrame) -> pd.DataFrame:
    """Return windows that are new, gone or have moved; those that are logged on both days are left out."""
    first = heirs.drop_duplicates("was").set_index("was")["is_"].to_dict()
    names = ["fault_id", "hole_id", "expected_depth", "sigma", "status"]
    old = then[names].assign(fault_id=[first.get(name, name) for name in then["fault_id"]])
    # of two faults that became one, a hole may have two windows: the better known one
    old = old.sort_values("sigma").drop_duplicates(["fault_id", "hole_id"])
    old, new = (table.astype({"fault_id": object, "hole_id": object}) for table in (old, now[names]))  # also when empty
    both = old.merge(new, on=["fault_id", "hole_id"], how="outer", suffixes=("_was", ""), indicator=True)
    both["what"] = both["_merge"].astype(str).map({"left_only": "gone", "right_only": "new", "both": "moved"})
    pending = [both[name].astype(object).notna() & (both[name] != "logged") for name in ("status", "status_was")]
    shift = (both["expected_depth"] - both["expected_depth_was"]).abs()
    width = (both["sigma"] - both["sigma_was"]).abs()
    still = (both["what"] == "moved") & (shift <= SAME_M) & (width <= SAME_M) & (both["status"] == both["status_was"])
    left = both[(pending[0] | pending[1]) & ~still].sort_values(["hole_id", "fault_id"]).reset_index(drop=True)
    left["said"] = [_window_words(row) for row in left.to_dict("records")]
    return left[WINDOW_COLUMNS]


def _window_words(row: Mapping[Any, Any]) -> str:
    name = f"{row['fault_id']} in {row['hole_id']}"
    was, is_ = (
        f"{row[f'expected_depth{tail}']:.1f} ± {row[f'sigma{tail}']:.1f} m ({status.replace('_', ' ')})"
        for tail, status in (("_was", str(row["status_was"])), ("", str(row["status"])))
    )
    said = {"new": f"expected at {is_}, new", "gone": f"no longer expected; was {was}", "moved": f"{was} → {is_}"}
    return f"{name}: {said[row['what']]}."


# --------------------------------------------------------------------------------------------------------- predictions


def _met(study: Study, state: KeptState, now: Results) -> pd.DataFrame:
    """Return what came of the predictions of this state and later ones, the last one of each meeting."""
    later = [
        one
        for one in states(study.home).whole
        if one.when > state.when and one.results is not None and (not study.as_of or one.when <= study.as_of)
    ]
    tables = []
    for one in (state, *later):
        try:
            tables.append(predictions_of(kept_results(one, only=("windows", "picks")), one.when))
        except DataProblem:
            continue
    whole = [table for table in tables if len(table)]
    if not whole:
        return pd.DataFrame(columns=MET_COLUMNS)
    found = judged(pd.concat(whole, ignore_index=True), now, logged_to(study.logged.structures))
    last = distinct(found).groupby(["heir", "hole_id"], sort=False).tail(1)
    came = last[last["outcome"] != "open"].reset_index(drop=True)
    came["said"] = [_met_words(row) for row in came.to_dict("records")]
    return came[MET_COLUMNS]


MET_COLUMNS = [
    "fault_id", "hole_id", "predicted_at", "expected_depth", "sigma", "depth_from", "depth_to", "met_depth", "outcome",
    "said",
]  # fmt: skip


def _met_words(row: Mapping[Any, Any]) -> str:
    predicted = f"{row['expected_depth']:.1f} ± {row['sigma']:.1f} m"
    name = f"{row['fault_id']} in {row['hole_id']}"
    if row["outcome"] == "absent":
        return f"{name}: predicted at {predicted}, and logged past without it."
    return f"{name}: met at {row['met_depth']:.1f} m, predicted at {predicted}: {row['outcome']} its 95 % window."


# ----------------------------------------------------------------------------------------------------------- decisions


def _decided(study: Study, content: Mapping[str, bytes]) -> tuple[tuple[AuditLine, ...], tuple[str, ...]]:
    """Return the lines of the trail since then, and where it doesn't hold, or isn't what it was."""
    trail, before = read_trail(study.logged.folder), trail_of(content.get(AUDIT, b"").decode(errors="replace"))
    broken = list(trail.broken)
    if trail.entries[: len(before.entries)] != before.entries:
        broken.append("the audit trail no longer begins as it stood when the state was kept")
    by_hand = unrecorded(study.logged.folder, study.decisions)
    return (*trail.entries[len(before.entries) :], *by_hand), tuple(broken)


def decision_words(one: AuditLine) -> str:
    """Return a line of the trail as a sentence."""
    answer = str(one.more.get("answer", one.what)).replace("_", " ")
    if one.what in {"undone", "review", "review_undone", "relogged"} or "answer" not in one.more:
        answer = one.what.replace("_", " ")
    fault = f" to {one.more['fault']}" if one.more.get("answer") == "pinned" else ""
    hand = ", changed by hand" if one.what == "found" else ""
    why = f": {one.why}" if one.why else ""
    return f"{one.about}: {answer}{fault} by {one.who or 'somebody'}, {one.when[:16].replace('T', ' ')}{hand}{why}."


# ------------------------------------------------------------------------------------------------------ what needs you


def _needs(
    findings: Mapping[str, pd.DataFrame],
    suspects: Mapping[str, pd.DataFrame],
    faults: pd.DataFrame,
    predictions: pd.DataFrame,
    relog: pd.DataFrame,
    broken: Sequence[str],
) -> list[Need]:
    """Return what needs a person: first what stops the data, then what contradicts it, then what could be looked up."""
    new = findings["new"].to_dict("records")
    needs = [
        Need("error", row["key"], f"New error{_of(row['hole_id'])}: {row['message']}.")
        for row in new
        if row["severity"] == "error"
    ]
    needs += [Need("trail", AUDIT, f"Ask who changed the audit trail: {one}.") for one in broken]
    needs += [
        Need("review", row["hole_id"], f"Review {row['hole_id']} again: {row['message']}.")
        for row in new
        if row["rule"] == "review_undone"
    ]
    for row in predictions[predictions["outcome"] != "inside"].to_dict("records"):
        needs.append(Need("prediction", f"{row['fault_id']} {row['hole_id']}", f"Look at the core: {row['said']}"))
    for row in faults[faults["what"].isin(["merged", "split", "gone"])].to_dict("records"):
        needs.append(Need("fault", row["fault_id"], f"Say whether that is right: {row['said']}"))
    sure = suspects["new"][suspects["new"]["probability"] >= SURE].sort_values("probability", ascending=False)
    for row in sure.to_dict("records"):
        needs.append(Need("suspect", row["key"], f"Decide: {row['message'].rstrip('.')} [{row['key']}]."))
    windows = relog[relog["key"].str.startswith("window ") & (relog["chance"] >= SURE)]
    for row in windows.sort_values("chance", ascending=False).to_dict("records"):
        place = f"{row['depth_from']:.1f} to {row['depth_to']:.1f} m of {row['hole_id']}"
        box = f", box {row['box']}" if row["box"] else ""
        needs.append(
            Need("window", row["key"], f"Look for {row['look_for']}, {place}{box} (chance {row['chance']:.2f}).")
        )
    return needs


def _of(hole: str) -> str:
    return f" in {hole}" if hole else ""


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    rows = table.astype(object).where(table.notna(), None).to_dict("records")
    return [{str(name): _rounded(value) for name, value in row.items()} for row in rows]


def _rounded(value: Any) -> Any:
    return round(float(value), 4) if isinstance(value, float | np.floating) else value
