"""How a point on a minimum-curvature arc moves when a direction at one of its ends is wrong: the exact derivative.

An arc of length L and dogleg d joins the unit tangents t₁ and t₂ (:class:`desurvey.curvature.Arcs`). Hold one tangent
and move the other by a small vector v square to it. The part of v in the plane of the arc changes the dogleg; the part
across it turns the plane about the tangent held. With x = u · d, t_h and n_h the tangent and the in-plane normal at
half the way to the point (fraction u / 2), g₁ and g₂ the in-plane normals at the two ends::

    q             = u²/2 · (sinc(x/2) n_h − j₁(x/2) t_h)                              ∫₀ᵘ w n(w) dw
    δr(u) / L     = c₂ v + (q − c₂ g₂) (g₂ · v)                                       v at the lower end
    δr(u) / L     = c₁ v + (q − u sinc(x/2) n_h + c₁ g₁) (−g₁ · v)                    v at the upper end
    c₂            = u²/2 · sinc²(x/2) / sinc d
    c₁            = u (1 − u/2) · sinc(x/2) sinc((1 − u/2) d) / sinc d

and for the tangent at the point::

    δt(u)         = b₂ v + (u n(u) − b₂ g₂) (g₂ · v)           b₂ = u sinc(u d) / sinc d
    δt(u)         = b₁ v + ((1 − u) n(u) − b₁ g₁) (g₁ · v)     b₁ = (1 − u) sinc((1 − u) d) / sinc d

Here sinc x = sin x / x and j₁(x) = (sin x − x cos x) / x², the spherical Bessel function. Nothing divides by the
dogleg: at d = 0, where the plane of the arc is undefined, the terms with g vanish and what is left is the straight
hole, c₂ = u²/2 and c₁ = u (1 − u/2). The balanced tangential approximation often used in its place is
c₁ = c₂ = ½ at u = 1 with no other term.

References
----------
Own derivation from the arc formulas of Taylor & Mason (1972), SPE 3362; tests hold it against finite differences.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.curvature import Arcs, arc_tangent, sinc
from desurvey.shown import shown

__all__ = ["Response", "direction_response", "displacement_response"]

Floats = npt.NDArray[np.float64]


@shown
class Response(NamedTuple):
    """A linear map of small tangent errors, v → plain · v + bend (along · v), one a row.

    Attributes
    ----------
    plain : (n,) array
        Factor on the error itself.
    bend, along : (n, 3) arrays
        The rank-one part that sets the plane of the arc apart from the direction across it.
    """

    plain: Floats
    bend: Floats
    along: Floats

    def __call__(self, error: Floats) -> Floats:
        """Return the response to tangent errors, shape (n, 3)."""
        dot = np.sum(self.along * error, axis=1)
        return np.asarray(self.plain[:, None] * error + self.bend * dot[:, None])


def displacement_response(arc: Arcs, fraction: Floats) -> tuple[Response, Response]:
    """Return the derivative of r(u) / L with respect to the upper and to the lower tangent.

    Parameters
    ----------
    arc : Arcs
        n arcs.
    fraction : (n,) array
        u, 0 at the upper end and 1 at the lower end.

    Returns
    -------
    upper, lower : Response
        Dimensionless; multiply by the length of the interval.

    Examples
    --------
    On a straight interval half the length counts for each end:

    >>> from desurvey.curvature import arcs
    >>> down = np.array([[0.0, 0.0, -1.0]])
    >>> upper, lower = displacement_response(arcs(down, down), np.ones(1))
    >>> upper(np.array([[0.01, 0.0, 0.0]])), lower(np.array([[0.01, 0.0, 0.0]]))
    (array([[0.005, 0.   , 0.   ]]), array([[0.005, 0.   , 0.   ]]))
    """
    u, dogleg = fraction, arc.dogleg
    half = u * dogleg / 2
    sinc_half, spread = sinc(half), sinc(dogleg)
    across_h = _normal(arc, u / 2)
    moment = (u**2 / 2)[:, None] * (sinc_half[:, None] * across_h - _bessel(half)[:, None] * arc_tangent(arc, u / 2))
    begin, finish = _end_normals(arc)

    plain_2 = u**2 / 2 * sinc_half**2 / spread
    plain_1 = u * (1 - u / 2) * sinc_half * sinc((1 - u / 2) * dogleg) / spread
    sweep = (u * sinc_half)[:, None] * across_h - moment
    upper = Response(plain_1, sweep - plain_1[:, None] * begin, begin)
    lower = Response(plain_2, moment - plain_2[:, None] * finish, finish)
    return upper, lower


def direction_response(arc: Arcs, fraction: Floats) -> tuple[Response, Response]:
    """Return the derivative of t(u) with respect to the upper and to the lower tangent of each arc."""
    u, dogleg = fraction, arc.dogleg
    spread, across = sinc(dogleg), _normal(arc, u)
    begin, finish = _end_normals(arc)
    plain_1 = (1 - u) * sinc((1 - u) * dogleg) / spread
    plain_2 = u * sinc(u * dogleg) / spread
    upper = Response(plain_1, (1 - u)[:, None] * across - plain_1[:, None] * begin, begin)
    lower = Response(plain_2, u[:, None] * across - plain_2[:, None] * finish, finish)
    return upper, lower


def _normal(arc: Arcs, fraction: Floats) -> Floats:
    """Return the in-plane unit normal dt/dψ at a fraction of each arc; meaningless, but harmless, at dogleg 0."""
    angle = (fraction - 0.5) * arc.dogleg
    return np.cos(angle)[:, None] * arc.across - np.sin(angle)[:, None] * arc.middle


def _end_normals(arc: Arcs) -> tuple[Floats, Floats]:
    """Return the in-plane normals at the upper and lower end."""
    sine, cosine = np.sin(arc.dogleg / 2)[:, None], np.cos(arc.dogleg / 2)[:, None]
    return cosine * arc.across + sine * arc.middle, cosine * arc.across - sine * arc.middle


SERIES_BELOW = 0.5
"""Where j₁ goes over to its series: there the next term left out is 1e-14 of the sum, the closed form loses as much."""


def _bessel(x: Floats) -> Floats:
    """Return the spherical Bessel function j₁."""
    square = x * x
    series = 1.0 - square / 130
    for divisor in (88.0, 54.0, 28.0, 10.0):
        series = 1.0 - square / divisor * series
    wide = np.where(x > SERIES_BELOW, x, 1.0)
    closed = (np.sin(wide) / wide - np.cos(wide)) / wide
    return np.where(x > SERIES_BELOW, closed, x / 3 * series)
