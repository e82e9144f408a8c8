"""What a tab needs to know for its slab: a layer of stated thickness that alone is drawn, swept from hole to hole."""

from __future__ import annotations

from typing import Any

import numpy as np

from desurvey.traces import Traces
from viewer.scene import Scene, view_azimuth

__all__ = ["fence"]


def fence(scene: Scene, traces: Traces) -> dict[str, Any]:
    """Return where slabs of a scene start and how far they go, and the holes to step along.

    Returns
    -------
    dict
        ``azimuth``, degrees in 0 to 180, along which the first slab runs: square to the first view; ``middle``, east
        and north, through which it goes; ``reach``, metres either side of it to which there is anything; ``holes``,
        names with the east and north of their middles. Lengths are local metres.
    """
    frame = scene.frame
    middles = frame.local(traces.at(np.arange(len(traces.end)), traces.end / 2).position)[:, :2]
    return {
        "azimuth": round((view_azimuth(scene) + 90.0) % 180.0),
        "middle": ((frame.low + frame.high) / 2)[:2].round(2).tolist(),
        "reach": float(np.ceil(np.hypot(*frame.size[:2]) / 2 / 10) * 10),
        "holes": [[str(name), *place.round(2).tolist()] for name, place in zip(traces.hole_ids, middles, strict=True)],
    }
