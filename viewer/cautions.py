"""What must be said wherever results are shown."""

from __future__ import annotations

__all__ = ["CAUTION"]

CAUTION = (
    "Orientations and predicted depths are estimates with the stated uncertainty. Decisions on ground support, slopes, "
    "drilling hazards and public reporting belong to licensed or competent persons under local codes. Follow the rig's "
    "and the site's procedures around rods, tubes and core."
)
"""The cautions that stand in the README, in reports and in the viewer (DESIGN.md section 8)."""
