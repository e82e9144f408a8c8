"""Core: recovery, RQD, settling times, runs and intervals that leave gaps, and the orientation lines of runs."""

from __future__ import annotations

import numpy as np
import pandas as pd

from desurvey import runs
from desurvey.checks.context import Context, Floats, Ints
from desurvey.problems import Finding, Rule
from desurvey.tables.schema import plain_heading

__all__ = ["RULES", "check_core"]

RECOVERY_OVER = Rule(
    "recovery_over",
    "warning",
    "more core than drilled is core of the run above, or a wrong depth block",
    "Check the depth blocks, and move the core to its run",
)
RQD_OVER = Rule(
    "rqd_above_recovery",
    "warning",
    "sound pieces are part of the recovered core (ASTM D6032)",
    "Measure one of the two again",
)
SETTLING = Rule(
    "short_settling",
    "note",
    "a tool that still swings marks the wrong side",
    "Ask the crew to leave the tool still for 15 to 20 seconds",
)
RUN_GAP = Rule("run_gap", "note", "metres of core belong to no run", "Add the run, or correct the depths")
INTERVAL_GAP = Rule(
    "interval_gap", "note", "nobody has described these metres", "Add the interval, or correct the depths"
)
LINE_OFFSET = Rule(
    "line_offset",
    "warning",
    "two lines that don't meet when the core is fitted can't both be right",
    "Fit the ends again; the line that agrees with its other neighbour is the better one",
)
LINE_IN_DOUBT = Rule(
    "line_in_doubt",
    "warning",
    "the line agrees with neither of the two neighbours it was fitted to",
    "Don't use betas of this run before the ends are fitted again",
)
LINE_DRIFT = Rule(
    "line_drift",
    "note",
    "small offsets that add up in one direction are a tool or a habit, not chance",
    "Check where the line is taken over from run to run",
)
UNTESTED = Rule(
    "lines_untested",
    "note",
    "a line is only as good as its agreement with the next one",
    "Fit the ends of successive runs and write down line_offset",
)
FEW_ORIENTED = Rule(
    "few_oriented_metres",
    "warning",
    "most of the hole's core has no line that a neighbour bears out",
    "Treat orientations of this hole with care",
)
SIDES = Rule(
    "line_side_changes",
    "warning",
    "low and high side in one hole are the commonest mix-up there is: it turns every plane by 180°",
    "Ask the crew which side they mark",
)

RULES = (
    RECOVERY_OVER,
    RQD_OVER,
    SETTLING,
    RUN_GAP,
    INTERVAL_GAP,
    LINE_OFFSET,
    LINE_IN_DOUBT,
    LINE_DRIFT,
    UNTESTED,
    FEW_ORIENTED,
    SIDES,
)


CHANCE = 3.0
"""Standard deviations of a sum of offsets without direction, beyond which a drift isn't chance."""


def check_core(context: Context) -> list[Finding]:
    """Return what is wrong with runs and intervals."""
    return [
        *_recovery(context),
        *_rqd(context),
        *_settling(context),
        *_gaps(context),
        *_lines(context),
        *_sides(context),
    ]


def _numbers(frame: pd.DataFrame, *names: str) -> tuple[Floats, ...]:
    return tuple(frame[name].to_numpy(dtype=float) for name in names)


def _recovery(context: Context) -> list[Finding]:
    top, bottom, recovered = _numbers(context.project.runs, "depth_from", "depth_to", "recovered")
    length = bottom - top
    wrong = (recovered > context.limits.recovery_most * length + 1e-9) & (length > 0)
    texts = [
        f"{got:g} m of core from a run of {drilled:.2f} m ({got / drilled:.0%})"
        for got, drilled in zip(recovered[wrong], length[wrong], strict=True)
    ]
    return context.rows(RECOVERY_OVER, "runs", wrong, texts, "depth_from")


def _rqd(context: Context) -> list[Finding]:
    """Return runs whose RQD is above their recovery, where the table has a column of that name.

    RQD in metres when the heading or its size says so, else in per cent of the run.
    """
    frame = context.project.runs
    headings = [heading for heading in frame.columns if plain_heading(heading).split("_")[0] == "rqd"]
    if not headings:
        return []
    top, bottom, recovered = _numbers(frame, "depth_from", "depth_to", "recovered")
    length = np.where(bottom > top, bottom - top, np.nan)
    rqd = pd.to_numeric(frame[headings[0]], errors="coerce").to_numpy(dtype=float)
    percent = rqd if _in_percent(headings[0], rqd, length) else 100.0 * rqd / length
    wrong = percent > 100.0 * recovered / length + 1.0
    texts = [
        f"RQD is {quality:.0f} %, recovery {share:.0f} %"
        for quality, share in zip(percent[wrong], (100.0 * recovered / length)[wrong], strict=True)
    ]
    return context.rows(RQD_OVER, "runs", wrong, texts, "depth_from")


def _in_percent(heading: str, rqd: Floats, length: Floats) -> bool:
    if "%" in heading or "pct" in heading.lower() or "percent" in heading.lower():
        return True
    return "(m" not in heading.replace(" ", "").lower() and bool(np.any(rqd > 1.05 * length))


def _settling(context: Context) -> list[Finding]:
    seconds = context.project.runs["settle_s"].to_numpy(dtype=float)
    wrong = seconds < context.limits.settle_s
    return context.rows(
        SETTLING, "runs", wrong, [f"the tool was left still for {time:g} s" for time in seconds[wrong]], "depth_to"
    )


def _gaps(context: Context) -> list[Finding]:
    findings = []
    for table in ("runs", *context.project.intervals):
        frame = context.table(table)
        top, bottom = _numbers(frame, "depth_from", "depth_to")
        hole = pd.factorize(frame["hole_id"])[0].astype(np.int64)
        used = np.flatnonzero((bottom > top) & (frame["hole_id"] != "").to_numpy())
        order = used[np.lexsort([top[used], hole[used]])]
        reach = _reach(hole[order], bottom[order])
        gap = top[order] - reach
        wide = gap > context.limits.interval_gap_m
        texts = [
            f"nothing from {end:g} to {start:g} m" for end, start in zip(reach[wide], top[order][wide], strict=True)
        ]
        findings += context.rows(RUN_GAP if table == "runs" else INTERVAL_GAP, table, order[wide], texts, "depth_from")
    return findings


def _reach(hole: Ints, bottom: Floats) -> Floats:
    """Return the deepest end of the rows of the same hole above each, NaN for the first; rows stand by hole."""
    if not len(hole):
        return bottom
    first = np.append(True, hole[1:] != hole[:-1])
    step = (float(np.nanmax(bottom)) + 1.0) * np.cumsum(first)
    return np.where(first, np.nan, np.roll(np.maximum.accumulate(bottom + step), 1) - step)


def _lines(context: Context) -> list[Finding]:
    table, limits = context.project.runs, context.limits
    lines = runs.runs_chain(table, limits.line_offset_deg)
    if not len(lines.row):
        return []
    if not lines.fitted.any():
        return [context.whole(UNTESTED, "runs", "no run says how its line meets that of the run above")]
    apart = lines.fitted & ~lines.agrees
    texts = [f"the line sits {angle:+.0f}° from that of the run above" for angle in lines.offset[apart]]
    findings = context.rows(LINE_OFFSET, "runs", lines.row[apart], texts, "depth_from")
    below = np.append(lines.offset[1:], np.nan)
    doubt = apart & np.isfinite(below) & (np.abs(np.nan_to_num(below)) > limits.line_offset_deg)
    texts = [
        f"the line sits {up:+.0f}° from that above, and that below {down:+.0f}° from it"
        for up, down in zip(lines.offset[doubt], below[doubt], strict=True)
    ]
    findings += context.rows(LINE_IN_DOUBT, "runs", lines.row[doubt], texts, "depth_from")
    return [*findings, *_stretches(context, table, lines), *_shares(context, table, lines)]


def _stretches(context: Context, table: pd.DataFrame, lines: runs.Chain) -> list[Finding]:
    stretches = runs.stretch_table(table, lines)
    drift = stretches["drift"].to_numpy(dtype=float)
    by_chance = stretches["usual_offset"] * np.sqrt(stretches["runs"] - 1)
    drifting = stretches[(np.abs(drift) > context.limits.line_drift_deg) & (np.abs(drift) > CHANCE * by_chance)]
    return [
        context.whole(
            LINE_DRIFT,
            "runs",
            f"from {top:g} to {bottom:g} m the lines drift by {total:+.0f}° over {count} runs",
            hole,
            top,
        )
        for hole, top, bottom, total, count in zip(
            *(drifting[name].tolist() for name in ("hole_id", "depth_from", "depth_to", "drift", "runs")), strict=True
        )
    ]


def _shares(context: Context, table: pd.DataFrame, lines: runs.Chain) -> list[Finding]:
    holes = runs.hole_table(table, lines)
    findings = [
        context.whole(UNTESTED, "runs", "no ends of the hole's runs were fitted", str(hole))
        for hole in holes["hole_id"][holes["fitted"] == 0.0]
    ]
    few = holes[(holes["share"] < context.limits.oriented_share) & (holes["fitted"] > 0.0)]
    return findings + [
        context.whole(
            FEW_ORIENTED,
            "runs",
            f"{hole.oriented:.0f} of {hole.metres:.0f} m of core ({hole.share:.0%}) have a line that holds",
            str(hole.hole_id),
        )
        for hole in few.itertuples()
    ]


def _sides(context: Context) -> list[Finding]:
    """Return holes of which some runs or structures say low side, others high side."""
    findings = []
    default = context.project.settings.core.line or ""
    for table in ("runs", "structures"):
        frame = context.table(table)
        side = frame["line"].where(frame["line"] != "", default)
        sided = frame[["hole_id", "row"]].assign(side=side)
        gravity = sided[side.isin(["low", "high"])]
        first = gravity.drop_duplicates(["hole_id", "side"])
        changes = first[first.duplicated("hole_id", keep="first")]
        counts = gravity.groupby(["hole_id", "side"]).size()
        for hole, row in zip(changes["hole_id"], changes["row"].tolist(), strict=True):
            message = f"{counts[hole, 'low']} rows mark the low side, {counts[hole, 'high']} the high side"
            file = context.project.files.get(table, table)
            findings.append(SIDES.found(message, table=table, file=file, row=row, hole_id=hole))
        if findings:
            break
    return findings
