"""The linear algebra of kriging with drift: one positive definite factorisation, whatever the kernel.

Data y of N functionals have covariance C (amplitude × kernel + nuggets) and mean P β with unknown β. The estimator
solves the textbook bordered system [C P; Pᵀ 0] [α; β] = [y; 0], which is indefinite. Here the m columns of P are
first turned away by Householder reflections, Q ᵀP = [R; 0]; the last N − m rows and columns of QᵀCQ are positive
definite also for a generalised covariance such as r³, and take one Cholesky factorisation: a third of the work of a
general solver for the dense system, and the restricted likelihood comes with it.

References
----------
Wendland (2005), Scattered Data Approximation, section 8.5; Golub & Van Loan (2013), Matrix Computations, 4th ed.,
section 5.1.7 (products of reflections in the form I − V T Vᵀ); Patterson & Thompson (1971), Biometrika 58, 545–554
(restricted likelihood).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.linalg import blas, lapack

from desurvey.problems import DataProblem
from desurvey.shown import shown

__all__ = ["Reflections", "Solution", "reflections", "solve"]

Floats = npt.NDArray[np.float64]


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Reflections:
    """The orthogonal matrix Q = I − V T Vᵀ that reduces the drift P to its triangle R.

    Attributes
    ----------
    vectors : (N, m) array
        V.
    block : (m, m) array
        T, upper triangular.
    triangle : (m, m) array
        R, upper triangular.
    """

    vectors: Floats
    block: Floats
    triangle: Floats

    def transposed(self, matrix: Floats) -> Floats:
        """Return Qᵀ times a matrix or vector of N rows."""
        return matrix - self.vectors @ (self.block.T @ (self.vectors.T @ matrix))

    def plain(self, matrix: Floats) -> Floats:
        """Return Q times a matrix or vector of N rows."""
        return matrix - self.vectors @ (self.block @ (self.vectors.T @ matrix))


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """What one factorisation of the system gives.

    Attributes
    ----------
    weights : (N,) array
        α, the weight of each functional's covariance in the estimate.
    drift : (m,) array
        β.
    factor : (N, N) array
        Lower Cholesky factor of the reduced system (its first m rows and columns are those of the identity).
    turn : Reflections
        Q and R.
    lifted : (N, m) array
        C Q₁ R⁻ᵀ: the covariance of the data with the drift's own weights, wanted for variances.
    condition : float
        Estimated 1-norm condition number of the reduced system.
    jitter : float
        What had to be added to its diagonal, relative to its mean, to factorise it: 0 unless the data are close to
        dependent in float64.
    log_determinant : float
        log det of the reduced system plus log det PᵀP.
    energy : float
        yᵀα, the data's squared length in the metric of the reduced system. With the log determinant it makes up −2 log
        restricted likelihood.
    """

    weights: Floats
    drift: Floats
    factor: Floats
    turn: Reflections
    lifted: Floats
    condition: float
    jitter: float
    log_determinant: float
    energy: float

    def variance(self, covariance: Floats, drift: Floats, prior: float) -> Floats:
        """Return the kriging variance of target functionals, shape (M,).

        Parameters
        ----------
        covariance : (N, M) array
            Covariance of the data with the targets.
        drift : (m, M) array
            The drift's functions at the targets.
        prior : float
            Variance of a target on its own (0 for a generalised covariance).
        """
        first, plain, reduced = self._parts(covariance, drift)
        out = prior - 2.0 * np.einsum("ij,ij->j", drift, first) + np.einsum("ij,ik,kj->j", drift, plain, drift)
        return np.asarray(np.maximum(out - np.einsum("ij,ij->j", reduced, reduced), 0.0))

    def posterior(self, covariance: Floats, drift: Floats, prior: Floats) -> Floats:
        """Return the kriging covariance of target functionals with each other, (M, M), from their prior one."""
        first, plain, reduced = self._parts(covariance, drift)
        crossed = drift.T @ first
        return prior - crossed - crossed.T + drift.T @ plain @ drift - reduced.T @ reduced

    def _parts(self, covariance: Floats, drift: Floats) -> tuple[Floats, Floats, Floats]:
        m = len(self.drift)
        rotated, lifted = self.turn.transposed(covariance), self.turn.transposed(self.lifted)
        first = blas.dtrsm(1.0, self.turn.triangle, rotated[:m])
        plain = blas.dtrsm(1.0, self.turn.triangle, lifted[:m])
        rotated -= lifted @ drift
        rotated[:m] = 0.0
        return first, plain, blas.dtrsm(1.0, self.factor, rotated, lower=1)


def reflections(drift: Floats) -> Reflections:
    """Return the Householder reflections that triangularise the drift's (N, m) matrix of full rank.

    Raises
    ------
    DataProblem
        When the columns are dependent: the data can't tell the drift's functions apart.
    """
    m = drift.shape[1]
    packed, tau, _, _ = lapack.dgeqrf(drift)
    triangle = np.where(_lower(m).T, packed[:m], 0.0)
    size = np.abs(triangle.diagonal())
    if len(drift) < m or size.min() <= RANK * size.max():
        raise DataProblem(
            f"the picks can't fix a surface: {len(drift)} numbers for the {m} unknowns of its mean plane",
            hint="add an orientation, or a pick off the line through the others",
        )
    packed[:m] -= triangle
    np.einsum("ii->i", packed[:m])[:] = 1.0
    idle = tau == 0.0
    packed[:, idle] = 0.0
    inverse = np.where(_lower(m).T, packed.T @ packed, 0.0)
    np.einsum("ii->i", inverse)[:] = np.where(idle, 1.0, 1.0 / np.where(idle, 1.0, tau))
    block, _ = lapack.dtrtri(inverse)
    return Reflections(packed, block, triangle)


RANK = 1e-10
"""Ratio of the smallest to the largest diagonal term of R below which the drift's columns count as dependent."""

JITTERS = (0.0, 1e-14, 1e-12, 1e-10)
"""Added in turn, relative to the mean diagonal; data that need more than the last contradict each other."""


def solve(assemble: Callable[[], Floats], drift: Floats, data: Floats) -> Solution:
    """Solve the kriging system.

    Parameters
    ----------
    assemble : callable
        Returns C, (N, N) and column-major, of which only the lower triangle is read; it is overwritten. It is called
        again in the rare case that the diagonal has to be strengthened.
    drift : (N, m) array
        P, the drift's functions under each functional.
    data : (N,) array
        y.

    Raises
    ------
    DataProblem
        When the drift can't be told apart by the data, or the system isn't positive definite.
    """
    turn = reflections(drift)
    for jitter in JITTERS:
        solution = _attempt(assemble(), turn, data, jitter)
        if solution is not None:
            return solution
    raise DataProblem(
        "the picks contradict each other, or lie too close together, to pass one surface through all of them",
        hint="give them their uncertainties, or raise the distance within which picks are merged",
    )


def _attempt(covariance: Floats, turn: Reflections, data: Floats, jitter: float) -> Solution | None:
    """Reduce, factorise and solve; None when the reduced matrix isn't positive definite."""
    m = len(turn.triangle)
    both = np.empty((len(data), 2 * m), order="F")  # V and Q₁
    both[:, :m] = turn.vectors
    np.matmul(turn.vectors, -turn.block @ turn.vectors[:m].T, out=both[:, m:])
    np.einsum("ii->i", both[:m, m:])[:] += 1.0
    moved = blas.dsymm(1.0, covariance, both, lower=1)
    half = turn.vectors.T @ moved[:, :m]
    width = moved[:, :m] @ turn.block - 0.5 * turn.vectors @ (turn.block.T @ half @ turn.block)
    reduced = blas.dsyr2k(-1.0, turn.vectors, width, beta=1.0, c=covariance, lower=1, overwrite_c=1)
    factor, condition = _factorise(reduced, m, jitter)
    if factor is None:
        return None
    rotated = turn.transposed(data)
    right = rotated.copy()
    right[:m] = 0.0
    forward = blas.dtrsv(factor, right, lower=1)
    weights = turn.plain(blas.dtrsv(factor, forward, lower=1, trans=1))
    beta = blas.dtrsv(turn.triangle, rotated[:m] - moved[:, m:].T @ weights)
    logarithm = 2.0 * float(np.log(factor.diagonal()).sum() + np.log(np.abs(turn.triangle.diagonal())).sum())
    lifted = blas.dtrsm(1.0, turn.triangle, moved[:, m:].T).T
    return Solution(weights, beta, factor, turn, lifted, condition, jitter, logarithm, float(forward @ forward))


def _factorise(matrix: Floats, m: int, jitter: float) -> tuple[Floats | None, float]:
    """Return the Cholesky factor of all but the first m rows and columns, which become those of the identity."""
    diagonal = np.einsum("ii->i", matrix)  # a view
    scale = float(diagonal[m:].mean()) if len(matrix) > m else 1.0
    matrix[:, :m] = 0.0
    diagonal[:m] = scale  # does not disturb the estimate of the condition
    diagonal += jitter * scale
    norm = _one_norm(matrix)
    factor, info = lapack.dpotrf(matrix, lower=1, clean=0, overwrite_a=1)
    if info != 0:
        return None, np.inf
    reciprocal, _ = lapack.dpocon(factor, norm, uplo="L")
    np.einsum("ii->i", factor)[:m] = 1.0
    return factor, 1.0 / reciprocal if reciprocal > 0.0 else np.inf


def _one_norm(matrix: Floats) -> float:
    """Return the 1-norm of a symmetric matrix of which the lower triangle is stored."""
    total = np.zeros(len(matrix))
    for start in range(0, len(matrix), STRIP):
        stop = min(start + STRIP, len(matrix))
        corner = np.abs(np.where(_lower(stop - start), matrix[start:stop, start:stop], 0.0))
        total[start:stop] += corner.sum(axis=0) + corner.sum(axis=1) - corner.diagonal()
        below = np.abs(matrix[stop:, start:stop])
        total[start:stop] += below.sum(axis=0)
        total[stop:] += below.sum(axis=1)
    return float(total.max())


@cache
def _lower(size: int) -> npt.NDArray[np.bool_]:
    """Return which places of a square are on or below its diagonal; kept, for a search asks thousands of times."""
    return np.asfortranarray(np.tri(size, dtype=bool))


STRIP = 128
"""Columns at a time: few enough to keep what is copied small, enough to keep the loop short."""
