"""The exact two-segment fit, its test and its interval; oracles: scipy's minimiser and statsmodels' least squares."""

import itertools
import time

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from service.analysis.segmented import BreakModel, Draws, fit_broken_line

# -- the fit ----------------------------------------------------------------------------------------------


def _design(x, k, further):
    parts = [np.ones_like(x), x, np.maximum(x - k, 0.0)]
    return np.column_stack(parts if further is None else [*parts, further])


def _sse(x, y, k, further=None):
    return sm.OLS(y, _design(x, k, further)).fit().ssr


def _least_sse(x, y, further=None, least=5):
    """The least SSE by minimising inside every interval between data points."""
    ordered = np.sort(x)
    return min(
        minimize_scalar(
            lambda k: _sse(x, y, k, further), bounds=pair, method="bounded", options={"xatol": 1e-10}
        ).fun
        for pair in zip(ordered[least - 1 : -least], ordered[least : len(x) - least + 1], strict=True)
    )


def _broken(n, seed, noise=0.3, bend=0.5, at=6.0):
    random = np.random.default_rng(seed)
    x = random.uniform(0.0, 10.0, n)
    return x, 1.0 + 0.5 * x + bend * np.maximum(x - at, 0.0) + random.normal(0.0, noise, n)


@pytest.mark.parametrize("seed", range(8))
def test_no_break_fits_better_than_the_one_found(seed):
    x, y = _broken(14 + 4 * seed, seed)
    fit = fit_broken_line(x, y)
    assert fit.sse == pytest.approx(_least_sse(x, y), rel=1e-6)
    assert fit.sse == pytest.approx(_sse(x, y, fit.position), rel=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_further_terms_are_fitted_with_the_break(seed):
    x, y = _broken(30, seed)
    further = np.exp(-np.arange(30.0) / 6.0)[:, None]
    y = y + 2.0 * further[:, 0]
    fit = fit_broken_line(x, y, further)
    assert fit.sse == pytest.approx(_least_sse(x, y, further), rel=1e-6)
    oracle = sm.OLS(y, _design(x, fit.position, further)).fit()
    assert fit.intercept == pytest.approx(oracle.params[0])
    assert fit.slope_before == pytest.approx(oracle.params[1])
    assert fit.slope_after - fit.slope_before == pytest.approx(oracle.params[2])
    assert fit.further[0] == pytest.approx(oracle.params[3])
    assert np.allclose(fit.predict(x, further), oracle.fittedvalues)


def test_a_held_term_is_least_squares_with_one_more_row():
    x, y = _broken(40, 3)
    further = np.exp(-np.arange(40.0) / 8.0)[:, None]
    held = 0.7
    fit = fit_broken_line(x, y, further, held=held)

    def penalised(k):
        design = np.vstack((_design(x, k, further), [0.0, 0.0, 0.0, 1.0 / held]))
        return sm.OLS(np.append(y, 0.0), design).fit()

    ordered = np.sort(x)
    least = min(
        minimize_scalar(
            lambda k: penalised(k).ssr, bounds=pair, method="bounded", options={"xatol": 1e-10}
        ).fun
        for pair in itertools.pairwise(ordered)
    )
    assert penalised(fit.position).ssr == pytest.approx(least, rel=1e-6)
    assert fit.further[0] == pytest.approx(penalised(fit.position).params[3])
    free = fit_broken_line(x, y, further)
    assert abs(fit.further[0]) < abs(free.further[0])
    assert fit_broken_line(x, y, further, held=1e6).position == pytest.approx(free.position, rel=1e-6)


@given(
    scale=st.floats(0.01, 1e4), shift=st.floats(-1e4, 1e4), tall=st.floats(0.01, 1e4), seed=st.integers(0, 50)
)
@settings(max_examples=30, deadline=None)
def test_units_do_not_matter(scale, shift, tall, seed):
    x, y = _broken(25, seed)
    fit, other = fit_broken_line(x, y), fit_broken_line(shift + scale * x, tall * y)
    assert other.position == pytest.approx(shift + scale * fit.position, rel=1e-6, abs=1e-6 * scale)
    assert other.slope_after == pytest.approx(fit.slope_after * tall / scale, rel=1e-5)
    assert other.sse == pytest.approx(fit.sse * tall**2, rel=1e-6)


@given(seed=st.integers(0, 1000), n=st.integers(12, 40))
@settings(max_examples=30, deadline=None)
def test_the_order_of_points_does_not_matter(seed, n):
    x, y = _broken(n, seed)
    mixed = np.random.default_rng(seed).permutation(n)
    assert fit_broken_line(x[mixed], y[mixed]).position == pytest.approx(fit_broken_line(x, y).position)


def test_the_break_may_lie_between_points_and_on_points():
    x = np.arange(20.0)
    for at in (9.0, 9.37, 12.5):
        fit = fit_broken_line(x, 3.0 - 0.2 * x + 0.9 * np.maximum(x - at, 0.0))
        assert fit.position == pytest.approx(at)
        assert (fit.slope_before, fit.slope_after) == (pytest.approx(-0.2), pytest.approx(0.7))
        assert fit.value == pytest.approx(3.0 - 0.2 * at)


def test_repeated_values_of_x_are_one_place():
    x = np.repeat(np.arange(10.0), 4)
    y = np.maximum(x - 5.0, 0.0) + np.tile([-0.1, 0.0, 0.0, 0.1], 10)
    assert fit_broken_line(x, y).position == pytest.approx(5.0)


def test_upward_leaves_falling_breaks_alone():
    x = np.arange(30.0)
    y = -np.maximum(x - 15.0, 0.0) + 0.01 * np.sin(7 * x)
    assert fit_broken_line(x, y).position == pytest.approx(15.0, abs=0.1)
    fit = fit_broken_line(x, y, upward=True)
    assert fit is None or fit.slope_after > fit.slope_before


@pytest.mark.parametrize(
    ("x", "y"),
    [
        (np.arange(9.0), np.arange(9.0) ** 2),  # too few
        (np.full(20, 3.0), np.arange(20.0)),  # x constant
        (np.arange(20.0), np.full(20, 5.0)),  # y constant
        (np.arange(20.0), 2.0 + 0.5 * np.arange(20.0)),  # straight
        (np.empty(0), np.empty(0)),
    ],
)
def test_where_no_break_can_be_fitted_there_is_none(x, y):
    assert fit_broken_line(x, y) is None
    assert BreakModel(x, y).test(Draws(1), block_rows=3) is None


def test_bad_input_is_refused_with_what_is_wrong():
    with pytest.raises(ValueError, match="same length"):
        fit_broken_line(np.arange(20.0), np.arange(19.0))
    with pytest.raises(ValueError, match="missing or infinite"):
        fit_broken_line(np.arange(20.0), np.append(np.arange(19.0), np.nan))
    with pytest.raises(ValueError, match="one row a point"):
        fit_broken_line(np.arange(20.0), np.arange(20.0) ** 2, np.ones((19, 1)))
    with pytest.raises(ValueError, match="held term"):
        fit_broken_line(np.arange(20.0), np.arange(20.0) ** 2, held=1.0)


@pytest.mark.parametrize("seed", range(4))
def test_a_model_made_from_one_without_the_held_term_is_the_same(seed):
    x, y = _broken(60, seed)
    free, term = np.maximum(x - 9.0, 0.0)[:, None], np.exp(-x)
    made = BreakModel(x, y, free).holding(term, 2.0, upward=True)
    whole = BreakModel(x, y, np.column_stack((free, term)), held=2.0, upward=True)
    draws = Draws(3)
    assert made.fit == whole.fit
    assert made.test(draws, block_rows=2) == whole.test(Draws(3), block_rows=2)
    assert made.interval(draws, block_rows=2) == whole.interval(Draws(3), block_rows=2)


# -- the test of a break ----------------------------------------------------------------------------------


def _remembering(random, n, memory):
    values = np.empty(n)
    value = 0.0
    for place, push in enumerate(random.normal(0.0, 1.0, n)):
        value = memory * value + push
        values[place] = value
    return values


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.7])
def test_a_straight_line_is_rarely_called_broken(memory):
    # A nominal 5 %: an F table after the same search would claim a break in most lines.
    claims = []
    for seed in range(150):
        random = np.random.default_rng(seed)
        x = np.linspace(0.0, 10.0, 150)
        y = 2.0 * x + _remembering(random, 150, memory)
        claims.append(BreakModel(x, y).test(Draws(seed), block_rows=2).p_value <= 0.05)
    assert np.mean(claims) <= 0.11


def test_unequal_errors_are_not_taken_for_a_break():
    claims = {True: [], False: []}
    for seed in range(150):
        random = np.random.default_rng(seed)
        x = np.linspace(1.0, 10.0, 120)
        spread = x**2
        y = x + random.normal(0.0, 1.0, 120) * spread / 30.0
        for told, claimed in claims.items():
            tested = BreakModel(x, y, spread=spread if told else None).test(Draws(seed), block_rows=2)
            claimed.append(tested.p_value <= 0.05)
    assert np.mean(claims[True]) <= 0.12
    assert np.mean(claims[True]) < np.mean(claims[False])


def test_a_clear_break_is_found_and_the_same_seed_gives_the_same_answer():
    x, y = _broken(120, 5, noise=0.2, bend=1.0)
    first = BreakModel(x, y).test(Draws(4), block_rows=10)
    assert first.p_value == 1.0 / (first.resamples + 1)
    assert first == BreakModel(x, y).test(Draws(4), block_rows=10)
    downward = BreakModel(x, -y, upward=True).test(Draws(4), block_rows=10)
    assert downward is None or downward.p_value > 0.05


# -- the interval -----------------------------------------------------------------------------------------


def test_the_interval_holds_the_break_about_as_often_as_it_says():
    held = []
    for seed in range(150):
        random = np.random.default_rng(seed)
        x = np.linspace(0.0, 10.0, 200)
        y = x + 0.6 * np.maximum(x - 6.0, 0.0) + random.normal(0.0, 0.5, 200)
        model = BreakModel(x, y, upward=True)
        low, high = model.interval(Draws(seed), block_rows=2)
        assert low <= model.fit.position <= high
        held.append(low <= 6.0 <= high)
    assert 0.86 <= np.mean(held) <= 0.99


def test_what_is_not_known_of_x_and_of_a_held_term_widens_the_interval():
    x, y = _broken(100, 8, noise=0.1)
    further = np.exp(-x)[:, None]
    model = BreakModel(x, y, further, held=1.0)

    def width(**more):
        low, high = model.interval(Draws(2), block_rows=2, **more)
        return high - low

    assert width(place_sd=0.5) > 1.5 * width()
    assert width(held_sd=3.0) > width()


def test_fits_and_tests_of_long_series_are_quick():
    # Goals: 25 ms a fit and 150 ms with test and interval for 1,500 breaths; the margin is for a busy machine.
    x, y = _broken(1500, 1)
    further = np.exp(-x)[:, None]

    def best(work):
        times = []
        for _ in range(5):
            began = time.perf_counter()
            work()
            times.append(time.perf_counter() - began)
        return min(times)

    def tested_and_bounded():
        model, draws = BreakModel(x, y, further), Draws(1)
        model.test(draws, block_rows=6)
        model.interval(draws, block_rows=6)

    assert best(lambda: fit_broken_line(x, y, further)) < 0.025
    assert best(tested_and_bounded) < 0.3
