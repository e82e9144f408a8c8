"""Surfaces through picks: implicit interpolation that honours positions, orientations and rock without the surface."""

from desurvey.surface.clip import over_ground
from desurvey.surface.contacts import bedding_picks, changes, contact_picks
from desurvey.surface.contours import Contour, contours
from desurvey.surface.extract import Edge, Extracted, extracted
from desurvey.surface.faults import fault_mesh, fault_surface
from desurvey.surface.field import Field
from desurvey.surface.fit import fit
from desurvey.surface.mesh import Mesh
from desurvey.surface.model import Options
from desurvey.surface.patches import Patched
from desurvey.surface.picks import Picks, Sides

__all__ = [
    "Contour",
    "Edge",
    "Extracted",
    "Field",
    "Mesh",
    "Options",
    "Patched",
    "Picks",
    "Sides",
    "bedding_picks",
    "changes",
    "contact_picks",
    "contours",
    "extracted",
    "fault_mesh",
    "fault_surface",
    "fit",
    "over_ground",
]
