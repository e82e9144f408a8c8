"""Structures: angles that say nothing, and depths at which there is no core."""

from __future__ import annotations

import numpy as np
import pandas as pd

from desurvey.checks.context import Context, Floats
from desurvey.orient import STEEP_LIMIT_DEG
from desurvey.problems import Finding, Rule

__all__ = ["RULES", "check_structures"]

BETA_ALONE = Rule("beta_without_alpha", "error", "beta alone gives no plane", "Measure alpha, or take beta out")
GAMMA_ALONE = Rule(
    "gamma_without_beta", "warning", "gamma counts from the ellipse that alpha and beta place", "Measure alpha and beta"
)
HALF_PLANE = Rule("half_a_plane", "warning", "dip and dip direction are a pair", "Give both, or neither")
OUTSIDE_RUNS = Rule(
    "outside_runs",
    "warning",
    "where no core came out nothing can be logged",
    "Correct the depth, or add the run",
)
LOST_CORE = Rule(
    "in_lost_core",
    "note",
    "if the core is missing at the end of its run, as it usually is, there was nothing to log at this depth",
    "Check the depth, and where in the run the core is missing",
)
VERTICAL = Rule(
    "vertical_gravity_line",
    "warning",
    "a vertical hole has no low side: there is no orientation",
    'Mark such core from north (line = "north"), or log alpha only',
)
STEEP = Rule(
    "steep_gravity_line",
    "note",
    "a small tilt error turns a gravity line far on a steep hole",
    "Take the stated uncertainty seriously, or mark the core from north",
)

RULES = (BETA_ALONE, GAMMA_ALONE, HALF_PLANE, OUTSIDE_RUNS, LOST_CORE, VERTICAL, STEEP)


def check_structures(context: Context) -> list[Finding]:
    """Return what is wrong with the logged structures."""
    return [*_angles(context), *_depths(context), *_steep(context)]


def _angles(context: Context) -> list[Finding]:
    frame = context.project.structures
    there = {name: frame[name].notna().to_numpy() for name in ("alpha", "beta", "gamma", "dip", "dip_direction")}
    pair = there["dip"] & there["dip_direction"]
    findings = []
    for rule, wrong, message in (
        (BETA_ALONE, there["beta"] & ~there["alpha"] & ~pair, "beta is given, alpha is not"),
        (
            GAMMA_ALONE,
            there["gamma"] & ~(there["alpha"] & there["beta"]),
            "gamma is given, alpha and beta are not both",
        ),
        (HALF_PLANE, there["dip"] ^ there["dip_direction"], "only one of dip and dip_direction is given"),
    ):
        findings += context.rows(rule, "structures", wrong, [message] * int(wrong.sum()), "depth")
    return findings


def _depths(context: Context) -> list[Finding]:
    """Return structures of holes with runs that lie in none of them, or beyond the core that a run gave."""
    frame, table = context.project.structures, context.project.runs
    if table.empty or frame.empty:
        return []
    run, depth = context.project.structure_run, frame["depth"].to_numpy(dtype=float)
    cored = frame["hole_id"].isin(table["hole_id"].unique()).to_numpy() & (frame["hole_id"] != "").to_numpy()
    outside = cored & (run < 0) & np.isfinite(depth)
    findings = context.rows(OUTSIDE_RUNS, "structures", outside, _where(frame[outside], table), "depth")

    top, bottom, recovered = (
        table[name].to_numpy(dtype=float)[run] for name in ("depth_from", "depth_to", "recovered")
    )
    lost = (run >= 0) & (depth > top + recovered + LOSS_M) & (recovered < bottom - top)
    texts = [
        f"the run from {a:g} to {b:g} m gave {c:g} m of core"
        for a, b, c in zip(top[lost], bottom[lost], recovered[lost], strict=True)
    ]
    return findings + context.rows(LOST_CORE, "structures", lost, texts, "depth")


LOSS_M = 0.1
"""Metres by which a depth may lie beyond the recovered core of its run before it is said (common practice)."""


def _where(rows: pd.DataFrame, table: pd.DataFrame) -> list[str]:
    """Return where structures outside all runs of their holes lie."""
    span = table.groupby("hole_id").agg(top=("depth_from", "min"), bottom=("depth_to", "max"))
    of = span.reindex(rows["hole_id"])
    places = zip(rows["depth"].to_numpy(dtype=float), of["top"].to_numpy(), of["bottom"].to_numpy(), strict=True)
    return [
        f"the depth {at:g} m lies "
        + (
            f"above the first run, at {top:g} m"
            if at < top
            else f"below the last run, at {bottom:g} m"
            if at > bottom
            else "between two runs"
        )
        for at, top, bottom in places
    ]


def _steep(context: Context) -> list[Finding]:
    """Return betas from a gravity line where the hole is too steep for one, and holes where it is nearly so."""
    frame, traces = context.project.structures, context.traces
    hole = traces.index(frame["hole_id"].to_numpy(dtype=np.str_))
    gravity = (hole >= 0) & frame["beta"].notna().to_numpy() & frame["line"].isin(["low", "high"]).to_numpy()
    used = np.flatnonzero(gravity)
    tangent = traces.at(hole[used], frame["depth"].to_numpy(dtype=float)[used]).tangent
    dip = np.full(len(frame), np.nan)
    dip[used] = _steepness(tangent)
    vertical = dip > 90.0 - STEEP_LIMIT_DEG
    texts = [f"the hole dips {angle:.1f}° and the line marks a side by gravity" for angle in dip[vertical]]
    findings = context.rows(VERTICAL, "structures", vertical, texts, "depth")
    steep = ~vertical & (dip > context.limits.steep_line_deg)
    table = frame[steep].assign(steepness=dip[steep]).groupby("hole_id", sort=False)
    return findings + [
        context.whole(
            STEEP,
            "structures",
            f"{len(rows)} betas stand on a gravity line where the hole dips {rows['steepness'].min():.0f}° or more",
            str(name),
        )
        for name, rows in table
    ]


def _steepness(tangent: Floats) -> Floats:
    """Return the angle of directions from the horizontal, degrees, 0 to 90."""
    flat = np.hypot(tangent[:, 0], tangent[:, 1])
    return np.asarray(np.rad2deg(np.arctan2(np.abs(tangent[:, 2]), flat)))
