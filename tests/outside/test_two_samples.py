"""The two-sample tests against SciPy's.

Smirnov (1939), Kolmogorov (1933), Stephens (1970); Fisher, The Design of Experiments (1935), with its tea-tasting lady.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import fisher_exact as scipys_fisher_exact
from scipy.stats import ks_2samp

from pipeline.two_samples import fisher_exact, kolmogorov_smirnov

NUMBERS = st.lists(st.integers(-5, 5), min_size=4, max_size=40)


@given(NUMBERS, NUMBERS)
def test_the_distance_of_two_samples_is_scipys_ties_and_all(one, other):
    assert kolmogorov_smirnov(one, other)[0] == pytest.approx(ks_2samp(one, other, method="asymp").statistic, abs=1e-12)


@pytest.mark.parametrize(("n", "m"), [(30, 40), (200, 700), (1000, 90)])
@pytest.mark.parametrize("apart", [0.0, 0.1, 0.2, 0.4])
def test_the_chance_of_such_a_distance_is_near_scipys_exact_one(n, m, apart):
    rng = np.random.default_rng(n)
    one, other = rng.normal(apart, 1, n), rng.normal(0, 1, m)
    mine, exact = kolmogorov_smirnov(one, other)[1], ks_2samp(one, other, method="exact").pvalue
    assert mine == pytest.approx(exact, abs=0.03)
    if exact < 0.01:
        assert mine == pytest.approx(exact, rel=0.35, abs=1e-12)


@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), min_size=2, max_size=2))
def test_fishers_exact_chance_is_scipys(samples):
    (a, b), (c, d) = samples
    theirs = scipys_fisher_exact([[a, b], [c, d]]).pvalue if a + b and c + d else 1.0
    assert fisher_exact(a, a + b, c, c + d) == pytest.approx(theirs, rel=1e-6)


def test_the_lady_who_tells_six_of_eight_cups_right_may_be_guessing():
    """Three of four cups named right on either side: 0.4857 two-sided (34 of 70 tables)."""
    assert fisher_exact(3, 4, 1, 4) == pytest.approx(34 / 70)


def test_a_large_night_against_a_small_one_is_as_scipy_has_it():
    assert fisher_exact(5200, 100_000, 21, 700) == pytest.approx(
        scipys_fisher_exact([[5200, 94_800], [21, 679]]).pvalue, rel=1e-6
    )


def test_what_is_no_sample_is_refused():
    with pytest.raises(ValueError, match="at least one number"):
        kolmogorov_smirnov([], [1.0])
    with pytest.raises(ValueError, match="hits must lie"):
        fisher_exact(3, 2, 0, 1)
