"""Surfaces through picks: implicit interpolation that honours positions, orientations and rock without the surface."""

from desurvey.surface.extract import Edge, Extracted, extracted
from desurvey.surface.field import Field
from desurvey.surface.fit import fit
from desurvey.surface.mesh import Mesh
from desurvey.surface.model import Options
from desurvey.surface.patches import Patched
from desurvey.surface.picks import Picks, Sides

__all__ = ["Edge", "Extracted", "Field", "Mesh", "Options", "Patched", "Picks", "Sides", "extracted", "fit"]
