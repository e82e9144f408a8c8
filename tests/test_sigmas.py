"""The table of 1-σ errors, held against where each value comes from, and used by all that need one."""

from __future__ import annotations

import numpy as np
import pytest

from desurvey.spread import Gyro, Magnetic, Sigmas
from desurvey.suspects import Errors

PUBLISHED = {
    "depth_scale": (5.6e-4, 5.6e-4),  # Williamson (2000), SPE 67616, drill pipe; from memory
    "alpha_deg": (1.0, 2.0),  # common practice, no source: ±1 to 2
    "beta_deg": (3.0, 5.0),  # common practice, no source: ±3 to 5 with a wrap-round protractor
    "offset_deg": (5.0, 10.0),  # common practice, no source: lines up to 5° apart are good, 5 to 10° usable
    "hole_deg": (0.5, 2.0),  # common practice, no source: a hole's survey, all of an instrument's errors together
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_defaults_are_those_of_their_source(name):
    low, high = PUBLISHED[name]
    assert low <= getattr(Sigmas(), name) <= high


def test_reading_and_line_together_are_what_practice_says():
    """Total error of beta with that of the line: 5 to 10° (common practice, no source)."""
    sigmas = Sigmas()
    assert 5.0 <= np.hypot(sigmas.beta_deg, sigmas.line_deg) <= 10.0


@pytest.mark.parametrize(
    ("tool", "azimuth", "dip"),
    [(Magnetic(), (0.35, 1.0), (0.1, 0.3)), (Gyro(), (0.5, 1.0), (0.05, 0.1))],
    ids=["magnetic", "gyro"],
)
def test_instruments_are_as_good_in_all_as_practice_says(tool, azimuth, dip):
    """Random and systematic part together; ranges of mining practice, no source."""
    assert azimuth[0] <= np.hypot(tool.azimuth_deg, tool.azimuth_bias_deg) <= azimuth[1]
    assert dip[0] <= np.hypot(tool.dip_deg, tool.dip_bias_deg) <= dip[1]


def test_suspects_read_their_errors_from_the_table():
    stated = Sigmas(alpha_deg=1.0, beta_deg=2.0, line_deg=3.0, hole_deg=4.0, offset_deg=5.0)
    np.testing.assert_allclose(np.rad2deg(Errors.of(stated)), [1, 2, 3, 4, 5])
