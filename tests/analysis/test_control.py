"""When a device is said to have shifted."""

from datetime import date, timedelta

import numpy as np
import pytest

from service.analysis.control import RULES, ControlPoint, control_chart

START = date(2026, 1, 5)
#: Mean 2000, mean moving range 28.2, so that one SD is 25.
STEADY = [2014.1, 1985.9] * 5


def series(values, every=7):
    return [ControlPoint(f"c{i}", START + timedelta(days=every * i), value) for i, value in enumerate(values)]


def chart_of(*later, **options):
    return control_chart(series([*STEADY, *later]), **options)


def day(place):
    return START + timedelta(days=7 * place)


def test_limits_come_from_the_baseline_alone():
    chart = chart_of(2600.0, 2600.0)
    assert chart.mean == pytest.approx(2000.0)
    assert chart.moving_range_mean == pytest.approx(28.2)
    assert chart.sd == pytest.approx(25.0)
    assert (chart.lower_limit, chart.upper_limit) == pytest.approx((1925.0, 2075.0))
    assert chart.moving_range_limit == pytest.approx(92.13, abs=0.01)
    assert chart.n_baseline == 10
    assert any("provisional" in note for note in chart.notes)


@pytest.mark.parametrize(
    ("later", "rule", "at"),
    [
        ((2076.0,), "beyond_limit", 10),
        ((1924.0,), "beyond_limit", 10),
        ((2051.0, 2000.0, 2051.0), "two_of_three", 12),
        ((1949.0, 1949.0), "two_of_three", 11),
        ((2026.0, 2026.0, 2000.0, 2026.0, 2026.0), "four_of_five", 14),
        ((2001.0,) * 8, "eight_on_one_side", 17),
        ((2001.0, *[1999.0] * 8), "eight_on_one_side", 18),
    ],
)
def test_each_run_rule_fires_at_the_value_that_completes_it(later, rule, at):
    chart = chart_of(*later)
    fired = [place for place, point in enumerate(chart.points) if rule in point.signals]
    assert fired == [at]
    assert chart.shifts[0].signal_on == day(at)
    assert chart.shifts[0].rules == (rule,)
    assert chart.shifts[0].direction == ("above" if later[-1] > 2000 else "below")
    assert chart.in_control is False


@pytest.mark.parametrize(
    "later",
    [
        (2074.0,),
        (2051.0, 2000.0, 2000.0, 2051.0),
        (2051.0, 1949.0),
        (2026.0, 2026.0, 2000.0, 2000.0, 2026.0, 2026.0),
        (2001.0,) * 7,
    ],
)
def test_what_no_rule_names_is_no_signal(later):
    chart = chart_of(*later)
    assert chart.in_control is True
    assert chart.shifts == ()


def test_a_shift_ends_with_three_in_a_row_without_a_signal():
    chart = chart_of(2100.0, 2010.0, 1990.0, 2005.0, 1995.0)
    (shift,) = chart.shifts
    assert (shift.signal_on, shift.last_in_control_on) == (day(10), day(9))
    assert (shift.ended_on, shift.ended_by) == (day(13), "in_control")
    assert chart.in_control is True
    covered = [shift.covers(one) for one in (day(9), day(10), day(12), day(13))]
    assert covered == [False, True, True, False]


def test_a_shift_ends_with_an_event_of_the_device():
    event = day(11) + timedelta(days=1)
    chart = chart_of(2100.0, 2110.0, 2005.0, events=[day(3), event])
    (shift,) = chart.shifts
    assert (shift.ended_on, shift.ended_by) == (event, "event")
    assert shift.covers(day(11))
    assert not shift.covers(event)
    again = chart_of(2100.0, 2110.0, 2120.0, events=[event])
    assert [one.signal_on for one in again.shifts] == [day(10), day(12)]
    assert again.in_control is False
    after_the_last = chart_of(2100.0, events=[day(20)])
    assert after_the_last.shifts[0].ended_on == day(20)


def test_no_run_goes_on_across_an_event():
    run = (2001.0,) * 8
    assert chart_of(*run).in_control is False
    assert chart_of(*run, events=[day(14)]).shifts == ()
    assert chart_of(2051.0, 2051.0, events=[day(11)]).shifts == ()


@pytest.mark.parametrize("n", [0, 1, 4])
def test_too_few_for_a_baseline(n):
    chart = control_chart(series(STEADY[:n]))
    assert (chart.mean, chart.in_control, chart.lower_limit) == (None, None, None)
    assert chart.reason == f"Limits need at least 5 measurements in the baseline; there are {n}."
    assert len(chart.points) == n


def test_a_baseline_without_variation_makes_no_limits():
    chart = control_chart(series([2000.0] * 10 + [2100.0]))
    assert "All measurements of the baseline are equal" in chart.reason


def test_a_baseline_of_stated_days():
    values = [*STEADY, *(value + 200 for value in STEADY)]
    assert control_chart(series(values)).in_control is False
    anew = control_chart(series(values), baseline_from=day(10), baseline_to=day(19))
    assert anew.mean == pytest.approx(2200.0)
    assert anew.n_baseline == 10
    assert not anew.points[15].signals
    # What came before is judged by the same limits.
    assert anew.points[0].signals == ("beyond_limit",)


def test_a_baseline_beyond_its_own_limits_is_told():
    chart = control_chart(series([*STEADY[:9], 2500.0]), baseline_count=10)
    assert any("of the baseline lie beyond its own limits" in note for note in chart.notes)
    assert chart.shifts == ()


def test_the_published_per_cent_stand_beside():
    chart = chart_of(2060.0, 2120.0)
    assert (chart.published_low, chart.published_high) == pytest.approx((1900.0, 2100.0))
    assert [point.beyond_published for point in chart.points[-2:]] == [False, True]
    assert chart.points[-1].percent_from_mean == pytest.approx(6.0)
    calibration = chart_of(2060.0, biological=False)
    assert calibration.published_low is None
    assert calibration.points[-1].beyond_published is None


def test_a_baseline_of_fewer_than_five_is_refused():
    with pytest.raises(ValueError, match="at least 5"):
        control_chart(series(STEADY), baseline_count=4)


def run_length(rng, rules, baseline):
    values = rng.normal(size=baseline + 400)
    chart = control_chart(series(list(values), every=1), baseline_count=baseline)
    for place, point in enumerate(chart.points[baseline:], start=1):
        if set(point.signals) & rules:
            return place
    return 400


def first_signal(rng, baseline, after, shift):
    values = 100 + rng.normal(size=baseline + after)
    values[baseline:] += shift
    chart = control_chart(series(list(values), every=1), baseline_count=baseline, biological=False)
    return next((i for i, point in enumerate(chart.points[baseline:], 1) if point.signals), after + 1)


@pytest.mark.proof
def test_the_rates_in_the_guide_are_those_of_simulations():
    # Shares that the guide names, in simulated series; 4 standard errors of a share of a half in 1,000 are 0.063.
    rng = np.random.default_rng(5)
    for baseline, share in ((10, 0.65), (20, 0.59)):
        first = np.array([first_signal(rng, baseline, 50, 0.0) for _ in range(1000)])
        assert np.mean(first <= 50) == pytest.approx(share, abs=0.065)
    for shift, within_three, within_ten in ((1.0, 0.25, 0.70), (2.0, 0.66, 0.98), (3.0, 0.89, 1.0)):
        first = np.array([first_signal(rng, 10, 10, shift) for _ in range(1000)])
        assert np.mean(first <= 3) == pytest.approx(within_three, abs=0.065)
        assert np.mean(first <= 10) == pytest.approx(within_ten, abs=0.065)


@pytest.mark.proof
def test_how_often_a_steady_device_is_called_shifted():
    # With limits as good as known, one false signal in about 370 values for the first rule alone (normal distribution) and
    # in 92 for all four (Champ and Woodall 1987, value from memory). Runs are cut at 400, which shortens the means.
    rng = np.random.default_rng(8)
    alone = np.mean([run_length(rng, {"beyond_limit"}, 300) for _ in range(150)])
    together = np.mean([run_length(rng, set(RULES), 300) for _ in range(150)])
    assert 200 < alone < 290
    assert 65 < together < 120
