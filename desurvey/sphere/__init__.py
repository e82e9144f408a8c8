"""Directional statistics: means, fabrics, projections, densities, sampling bias and sets of directions.

Directions and axes are float64 arrays (n, 3) of unit vectors (E, N, U). A *direction* has a head, an *axis* does not:
x and −x are the same. Poles of planes and most lines are axes; functions say which of the two they take. Axes are never
folded about "down", which splits a set of steep planes across the rim of the net, but about their own mean axis.
"""

from desurvey.sphere.density import NetGrid, exponential_density, kamb_density, kamb_fraction, net_grid
from desurvey.sphere.fabric import Fabric, fabric_shape, folded, orientation_tensor
from desurvey.sphere.means import AxialMean, FisherMean, axial_mean, fisher_mean, girdle_axis
from desurvey.sphere.projection import (
    from_equal_angle,
    from_equal_area,
    great_circle,
    lower,
    project_equal_angle,
    project_equal_area,
    small_circle,
)
from desurvey.sphere.sampling import TERZAGHI_CAP_DEG, blind_zone, effective_number, squarest, terzaghi_weights
from desurvey.sphere.sets import Sets, find_sets
from desurvey.sphere.watson import watson_kappa, watson_log_density

__all__ = [
    "TERZAGHI_CAP_DEG",
    "AxialMean",
    "Fabric",
    "FisherMean",
    "NetGrid",
    "Sets",
    "axial_mean",
    "blind_zone",
    "effective_number",
    "exponential_density",
    "fabric_shape",
    "find_sets",
    "fisher_mean",
    "folded",
    "from_equal_angle",
    "from_equal_area",
    "girdle_axis",
    "great_circle",
    "kamb_density",
    "kamb_fraction",
    "lower",
    "net_grid",
    "orientation_tensor",
    "project_equal_angle",
    "project_equal_area",
    "small_circle",
    "squarest",
    "terzaghi_weights",
    "watson_kappa",
    "watson_log_density",
]
