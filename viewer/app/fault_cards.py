"""Cards of what a line-up found: a fault, and a length of a hole to look at again."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.lineup import Fault
from viewer.app.cards import bearing, card

if TYPE_CHECKING:
    from desurvey.study import Answers

__all__ = ["fault_card", "window_card"]

Floats = npt.NDArray[np.float64]

LISTED = 8
"""Picks of a fault that its card lists, the worst first."""


def fault_card(answer: Answers, fault_id: str, place: Floats | None = None) -> str:
    """Return the card of a fault.

    Parameters
    ----------
    answer : Answers
        The line-up with its tables.
    fault_id : str
    place : (3,) array, optional
        Easting, northing and elevation of a place on the fault of which the card speaks besides.
    """
    fault = next(one for one in answer.found.faults if one.fault_id == fault_id)
    row = answer.faults[answer.faults["fault_id"] == fault_id].iloc[0]
    windows = answer.windows[(answer.windows["fault_id"] == fault_id) & (answer.windows["status"] == "not_logged")]
    rows = [
        (
            "dip / dip direction",
            f"{row['dip']:.0f}° / {bearing(row['dip_direction'])}, dip ± {row['dip_sigma']:.1f}° (1 σ)",
        ),
        ("shape", f"{row['shape']}, drawn {fault.reach:.0f} m beyond its picks"),
        ("off its picks (rms)", f"{row['rms_m']:.1f} m, {row['rms_deg']:.0f}°"),
        *(_at(answer, fault, place) if place is not None else []),
        *_look_again(windows),
        *_picks(answer.picks[answer.picks["fault_id"] == fault_id]),
    ]
    said = [line for line in answer.words.splitlines() if line.startswith(f"{fault_id}:")]
    return card(
        f"Fault {fault_id}", f"{row['picks']} picks in {row['holes']} holes, lined up by this program", said, rows
    )


def window_card(window: Mapping[Hashable, Any]) -> str:
    """Return the card of a row of the windows: a length of a hole in which a fault should be and nothing is logged."""
    rows = [
        ("should be at", f"{window['expected_depth']:.1f} m ± {window['sigma']:.1f} m (1 σ)"),
        ("window (95 %)", f"{window['depth_from']:.1f} – {window['depth_to']:.1f} m"),
        ("angle to core", f"{window['pierce_angle']:.0f}°"),
    ]
    said = "Look again: the fault should be here, and nothing is logged."
    return card(f"{window['fault_id']} in {window['hole_id']}", "relog window of the line-up", [said], rows)


def _look_again(windows: pd.DataFrame) -> list[tuple[str, str]]:
    """Return the windows in which a fault should be (95 %) and nothing is logged, in one line."""
    each = [f"{one['hole_id']} {one['depth_from']:.0f} – {one['depth_to']:.0f} m" for one in windows.to_dict("records")]
    return [("look again", ", ".join(each))] if each else []


def _at(answer: Answers, fault: Fault, place: Floats) -> list[tuple[str, str]]:
    """Return where a place on a fault is, how well the fault is known there, and how far the nearest pick is."""
    inside = (place - fault.sheet.centre) @ fault.sheet.axes.T
    _, covariance = fault.sheet.surface(inside[None, :2])
    sigma = float(np.sqrt(covariance[0, 0, 0]) * abs(fault.normal @ fault.sheet.axes[2]))
    away = np.linalg.norm(answer.found.picks.position[fault.rows] - place, axis=1)
    nearest = fault.rows[int(np.argmin(away))]
    hole, depth = answer.found.hole_ids[nearest], answer.found.picks.depth[nearest]
    return [
        ("here", f"{place[0]:.0f} E, {place[1]:.0f} N, {place[2]:.0f} m"),
        ("known here to", f"± {sigma:.1f} m across the fault (1 σ)"),
        ("nearest pick", f"{hole} {depth:.1f} m, {away.min():.0f} m from here"),
    ]


def _picks(picks: pd.DataFrame) -> list[tuple[str, str]]:
    """Return how each pick fits, the worst first."""
    worst = picks.assign(_off=picks["misfit_m"].abs()).sort_values("_off", ascending=False, kind="stable")
    listed = [(f"{one['hole_id']} {one['depth']:.1f} m", _fit(one)) for one in worst.head(LISTED).to_dict("records")]
    more = len(worst) - LISTED
    return [*listed, ("and", f"{more} more picks that fit better")] if more > 0 else listed


def _fit(pick: Mapping[Hashable, Any]) -> str:
    off = (
        f"{pick['misfit_m']:+.1f} m off".replace("-", "−")
        if np.isfinite(pick["misfit_m"])
        else "no other hole to compare with"
    )
    turned = f", {pick['misfit_deg']:.0f}°" if np.isfinite(pick["misfit_deg"]) else ""
    return f"{off}{turned}, {100 * pick['probability']:.0f} % sure"
