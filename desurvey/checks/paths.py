"""Surveys: stations that are missing, and bends that no rod string makes.

Bends are judged by the angle between directions, on the sphere: near the vertical an azimuth may jump by any amount.
"""

from __future__ import annotations

import numpy as np

from desurvey import directions
from desurvey.checks.context import Context, Floats, Ints
from desurvey.problems import Finding, Rule
from desurvey.spikes import find_spikes
from desurvey.tables.schema import METRES_PER_FOOT
from desurvey.traces import SEVERITY_LENGTH

__all__ = ["RULES", "check_paths"]

NO_SURVEY = Rule(
    "no_survey",
    "note",
    "holes bend; without a survey this one is drawn straight from its collar",
    "Add the survey, if there is one",
)
LATE_FIRST = Rule(
    "late_first_station",
    "warning",
    "the direction of the first station is taken all the way up to the collar",
    "Add a station at the collar, or azimuth and dip there",
)
STATION_GAP = Rule(
    "station_gap", "warning", "the hole between two stations is an assumption", "Survey the hole again there"
)
UNSURVEYED_END = Rule(
    "unsurveyed_end",
    "warning",
    "below its last station a hole is drawn straight on",
    "Survey the end of the hole, or check its depth",
)
DOGLEG = Rule(
    "dogleg",
    "warning",
    "rods of this size rarely go round such a bend",
    "Check the stations at both ends of the interval",
)
IMPOSSIBLE_DOGLEG = Rule(
    "impossible_dogleg",
    "error",
    "no rods go round such a bend",
    "One of the two stations is wrong: look at the instrument's own file",
)
SPIKE = Rule(
    "survey_spike",
    "warning",
    "without this station the hole runs on as rods do",
    "Take the station out, or survey again there",
)
CROSSED_NORTH = Rule(
    "crossed_north",
    "warning",
    "the plain mean of 359° and 1° is 180°",
    "Look at the readings themselves: the mean of azimuths on both sides of north was taken wrongly",
)
FEET = Rule(
    "feet_for_metres",
    "warning",
    "depths that are 3.28 times too large or too small are in other units",
    'Give all depths in one unit: depth_unit = "feet" under [frame], or (ft) in the heading',
)
MIXED_NORTH = Rule(
    "mixed_north",
    "warning",
    "stations of one hole are measured from different norths: a mistake would bend the hole",
    "Check the column north; each row is turned by what it says",
)

RULES = (
    NO_SURVEY,
    LATE_FIRST,
    STATION_GAP,
    UNSURVEYED_END,
    DOGLEG,
    IMPOSSIBLE_DOGLEG,
    SPIKE,
    CROSSED_NORTH,
    FEET,
    MIXED_NORTH,
)

FEET_RATIO = 0.02
"""How near a ratio of depths must come to 3.28 to be taken for one of feet to metres (common practice, no source)."""


def check_paths(context: Context) -> list[Finding]:
    """Return what is wrong with the surveys."""
    return [
        *_missing(context),
        *_gaps(context),
        *_bends(context),
        *_crossed(context),
        *_feet(context),
        *_norths(context),
    ]


def survey_rows(context: Context) -> Ints:
    """Return the place in the surveys table of each station of the traces, −1 where it was not read."""
    traces, surveys = context.traces, context.project.surveys
    hole = traces.index(surveys["hole_id"].to_numpy(dtype=np.str_))
    depth = surveys["depth"].to_numpy(dtype=float)
    used = np.flatnonzero((hole >= 0) & np.isfinite(depth))[::-1]
    station = traces.station_above(hole[used], depth[used])
    same = traces.depth[station] == depth[used]
    rows = np.full(len(traces.depth), -1)
    rows[station[same]] = used[same]
    return rows


def _missing(context: Context) -> list[Finding]:
    """Return holes without survey, and holes with too long a stretch without one at their top or end."""
    traces, limits = context.traces, context.limits
    depth, hole = context.project.surveys["depth"].to_numpy(dtype=float), context.collar(context.project.surveys)
    collars = context.project.collars
    first = np.full(len(collars) + 1, np.inf)
    np.fmin.at(first, hole, depth)
    first[-1] = np.inf
    drilled = (collars["status"] != "planned").to_numpy()
    none = np.isinf(first[:-1]) & drilled & (collars["hole_id"] != "").to_numpy()
    none &= collars[["azimuth", "dip"]].notna().all(axis=1).to_numpy()
    findings = context.rows(NO_SURVEY, "collars", none, ["the hole has no survey"] * int(none.sum()))
    late = np.isfinite(first[:-1]) & (first[:-1] > limits.first_station_m)
    texts = [f"the first station is at {at:g} m" for at in first[:-1][late]]
    findings += context.rows(LATE_FIRST, "collars", late, texts)

    trace = traces.index(collars["hole_id"].to_numpy(dtype=np.str_))
    below = np.full(len(collars), np.nan)
    below[trace >= 0] = (traces.end - traces.surveyed)[trace[trace >= 0]]
    end = ~none & drilled & (below > limits.unsurveyed_m)
    texts = [f"the last {length:g} m of the hole have no survey station" for length in below[end]]
    return findings + context.rows(UNSURVEYED_END, "collars", end, texts)


def _gaps(context: Context) -> list[Finding]:
    traces, rows = context.traces, survey_rows(context)
    length = np.diff(traces.depth, prepend=0.0)
    length[traces.offsets[:-1]] = 0.0
    above = np.roll(rows, 1) >= 0
    wide = (length > context.limits.station_gap_m) & (rows >= 0) & above
    texts = [f"there is no station in the {gap:g} m above" for gap in length[wide]]
    return context.rows(STATION_GAP, "surveys", rows[wide], texts, "depth")


def _bends(context: Context) -> list[Finding]:
    """Return stations that stand out alone, and intervals that bend more than rods do."""
    traces, rows, limits = context.traces, survey_rows(context), context.limits
    length = np.diff(traces.depth, prepend=0.0)
    length[traces.offsets[:-1]] = np.inf
    limit = _rod_limits(context)[traces.station_hole]
    severity = traces.dogleg_deg * SEVERITY_LENGTH / length
    bent = (severity > limit) & (traces.dogleg_deg > limits.dogleg_least_deg)

    spikes = find_spikes(traces.station_hole, traces.depth, traces.tangent)
    read = rows[spikes.station] >= 0
    texts = [
        f"the station stands {angle:.1f}° out of line with those above and below" for angle in spikes.angle_deg[read]
    ]
    findings = context.rows(SPIKE, "surveys", rows[spikes.station][read], texts, "depth")

    spike = np.isin(np.arange(len(rows)), spikes.station)
    left = bent & ~spike & ~np.roll(spike, 1) & (rows >= 0)
    for rule, mask in ((DOGLEG, severity <= 2.0 * limit), (IMPOSSIBLE_DOGLEG, severity > 2.0 * limit)):
        chosen = left & mask
        texts = [
            f"the hole bends by {angle:.1f}° in {metres:g} m: {bend:.1f}° in 30 m, limit {most:g}°"
            for angle, metres, bend, most in zip(
                traces.dogleg_deg[chosen], length[chosen], severity[chosen], limit[chosen], strict=True
            )
        ]
        findings += context.rows(rule, "surveys", rows[chosen], texts, "depth")
    return findings


def _rod_limits(context: Context) -> Floats:
    """Return the limit of each trace's rods, degrees per 30 m."""
    limits, collars = context.limits, context.project.collars
    by_size = {"B": limits.dogleg_b, "N": limits.dogleg_n, "H": limits.dogleg_h, "P": limits.dogleg_p}
    place = context.traces.index(collars["hole_id"].to_numpy(dtype=np.str_))
    out = np.full(len(context.traces.hole_ids), limits.dogleg_b)
    for letter, limit in by_size.items():
        sized = collars["core_size"].str.upper().str.startswith(letter).to_numpy(dtype=bool) & (place >= 0)
        out[place[sized]] = limit
    return out


def _crossed(context: Context) -> list[Finding]:
    """Return stations near the plain mean of two azimuths that lie on the two sides of north."""
    traces, rows = context.traces, survey_rows(context)
    azimuth = directions.azimuth(traces.tangent)
    above, below = np.roll(azimuth, 1), np.roll(azimuth, -1)
    inner = np.ones(len(azimuth), dtype=bool)
    inner[traces.offsets[:-1]] = inner[traces.offsets[1:] - 1] = False
    across = (np.abs(above - below) > 270.0) & (np.abs(azimuth - (above + below) / 2.0) < 30.0)
    wrong = inner & across & (traces.dogleg_deg > context.limits.dogleg_least_deg) & (rows >= 0)
    texts = [
        f"the azimuth is {at:.1f}° between {up:.1f}° above and {down:.1f}° below"
        for at, up, down in zip(azimuth[wrong], above[wrong], below[wrong], strict=True)
    ]
    return context.rows(CROSSED_NORTH, "surveys", rows[wrong], texts, "depth")


def _feet(context: Context) -> list[Finding]:
    """Return holes whose deepest row of a table is some 3.28 times the length of the hole, or that share of it."""
    end = context.project.collars["depth"].to_numpy(dtype=float)
    deepest = {name: _deepest(context, name, len(end)) for name in ("surveys", "runs", "structures")}
    findings, feet = [], 1.0 / METRES_PER_FOOT
    holes = context.project.collars["hole_id"].to_numpy(dtype=object)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratios = {name: depth / end for name, depth in deepest.items()}
    for name, ratio in ratios.items():
        for hole in np.flatnonzero(np.abs(ratio / feet - 1.0) < FEET_RATIO):
            message = (
                f"the deepest row is at {deepest[name][hole]:g}, the hole ends at {end[hole]:g} m: feet for metres?"
            )
            findings.append(context.whole(FEET, name, message, holes[hole]))
    short = np.abs(ratios["runs"] * feet - 1.0) < FEET_RATIO
    texts = [
        f"core comes from no deeper than {deepest['runs'][hole]:g} m: is the hole's length in feet?"
        for hole in np.flatnonzero(short)
    ]
    return findings + context.rows(FEET, "collars", short, texts)


def _deepest(context: Context, table: str, holes: int) -> Floats:
    frame = context.table(table)
    depth = frame["depth_to" if table == "runs" else "depth"].to_numpy(dtype=float)
    out = np.full(holes + 1, -np.inf)
    np.fmax.at(out, context.collar(frame), depth)
    return np.where(np.isfinite(out[:-1]), out[:-1], np.nan)


def _norths(context: Context) -> list[Finding]:
    norths = context.project.norths
    known = norths[(norths["hole_id"] != "") & norths["north"].isin(["grid", "true", "magnetic"])]
    kinds = known.drop_duplicates(["hole_id", "north"]).groupby("hole_id", sort=False)["north"]
    mixed = kinds.agg(" and ".join)[kinds.size() > 1]
    return [
        context.whole(MIXED_NORTH, "surveys", f"azimuths are measured from {words} north", str(hole))
        for hole, words in mixed.items()
    ]
