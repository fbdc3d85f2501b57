"""Plateau, effort and recovery against published figures and real tests.

Sources beside each check. Real tests: Nolte, Rein, Quittmann, Sports Med 2023, doi 10.1007/s40279-023-01903-3 (data
CC-BY 4.0, not kept here): 36 treadmill ramps to exhaustion, breath by breath, without heart rate and age.
"""

import csv
import gzip
import os
from collections import Counter, defaultdict
from pathlib import Path

import numpy as np
import pytest

from service.analysis.effort import judge_effort
from service.analysis.loads import find_loads
from service.analysis.marks import Marks, find_marks
from service.analysis.peaks import Maxima, Peak, find_maxima, find_peak
from service.analysis.plateau import Plateau, _standard_error, assess_plateau
from service.analysis.recovery import heart_rate_recovery
from service.analysis.rule_sets import RULE_SETS
from service.analysis.series import Person, Series, TestInput
from service.methods.metabolic_equations import KM_H_PER_MPH, acsm_running

FOLDER = Path(os.environ.get("UPSLOPE_OPEN_DATA", "../shared/data")) / "running_ramp"
#: Test in which the CO2 channel is lost near the end.
RATIO_LOST = 28

needs_data = pytest.mark.skipif(
    not FOLDER.is_dir(), reason=f"the open data are not at {FOLDER}; set UPSLOPE_OPEN_DATA"
)


def series_of(ends, channels):
    n = len(ends)
    return Series(
        np.asarray(ends, float),
        np.diff(ends, prepend=0.0),
        channels,
        np.full(n, -1, np.int8),
        np.full(n, -1, np.int64),
        np.zeros(n, bool),
    )


@pytest.fixture(scope="module")
def judged():
    rows = defaultdict(list)
    with gzip.open(FOLDER / "breaths.csv.gz", "rt", newline="") as file:
        for row in csv.DictReader(file):
            rows[int(row["test_id"])].append(row)
    with (FOLDER / "participants.csv").open(newline="") as file:
        masses = {int(row["p"]): float(row["bodymass"]) for row in csv.DictReader(file)}
    return {number: _judged(rows[number], masses[number]) for number in rows}


def _judged(rows, mass):
    def column(name):
        return np.array([float(row[name]) for row in rows])

    channels = {
        "vo2_ml_min": 1000 * column("vo2_l_min"),
        "vco2_ml_min": 1000 * column("vco2_l_min"),
        "speed_km_h": column("speed_kmh"),
        "grade_percent": column("grade_pct"),
    }
    test = TestInput(
        series=series_of(column("time_s"), channels),
        mode="treadmill",
        person=Person(body_mass_kg=mass),
        stop_reason="exhaustion",
    )
    marks = find_marks(test)
    loads = find_loads(test, marks)
    plateau = assess_plateau(test, marks, loads)
    maxima = find_maxima(test, marks)
    return loads, plateau, maxima, judge_effort(test, marks, find_peak(test, marks), maxima, plateau)


@needs_data
def test_none_of_36_real_exhaustive_ramps_is_called_submaximal(judged):
    verdicts = Counter(effort.verdict for *_, effort in judged.values())
    print(f"effort of the 36 ramps: {dict(verdicts)}")  # noqa: T201 shown with -s
    assert sum(verdicts.values()) == 36
    # No heart rate, rating or lactate was published, so the ratio alone can be met: never two criteria.
    assert set(verdicts) == {"plateau", "undetermined"}


@needs_data
def test_the_share_of_plateaus_lies_in_the_published_range(judged):
    verdicts = Counter(plateau.verdict for _, plateau, *_ in judged.values())
    share = verdicts["seen"] / 36
    print(f"plateau in the 36 ramps: {dict(verdicts)}, seen {100 * share:.0f} %")  # noqa: T201 shown with -s
    # Plateaus in maximal tests: 32 % (Wagner 2020), 42 % (Edvardsen 2014), 50 to 60 % (Duncan 1997).
    assert 0.32 <= share <= 0.60
    assert {loads.shape for loads, *_ in judged.values()} == {"ramp"}
    assert {plateau.primary.rule for _, plateau, *_ in judged.values()} == {"half_expected_rise_ramp"}


@needs_data
def test_a_lost_carbon_dioxide_channel_leaves_the_ratio_not_assessable(judged):
    *_, effort = judged[RATIO_LOST]
    ratio = effort.criteria[0]
    assert (ratio.criterion, ratio.met, ratio.observed) == ("respiratory_exchange_ratio", None, None)
    assert "CO2" in ratio.reason


@needs_data
def test_few_real_maximal_tests_reach_a_ratio_of_1_10(judged):
    # The data's own description: about a fifth of these maximal tests reach 1.10 over the last 30 s.
    met = [effort.criteria[0].met for *_, effort in judged.values()]
    assert 0.1 <= sum(one is True for one in met) / 36 <= 0.35


@needs_data
def test_rises_expected_of_real_runners_are_near_the_acsm_running_cost(judged):
    """Real uptake follows the published cost of running: the slope on it is about the body mass.

    The equation over-predicts graded tests (Foster 1996: 0.869 of it), since load runs ahead of uptake.
    """
    slopes = [
        plateau.fit.slope / maxima_mass
        for (_, plateau, *_), maxima_mass in zip(judged.values(), _masses(), strict=True)
        if plateau.fit is not None
    ]
    assert 0.75 < np.median(slopes) < 1.1


def _masses():
    with (FOLDER / "participants.csv").open(newline="") as file:
        return [float(row["bodymass"]) for row in csv.DictReader(file)]


def steady_ramp(watts_per_min, gain=10.0, minutes=10):
    """Uptake that follows the load exactly, in 5-s rows, with a small alternation that cancels in any mean."""
    ends = 5.0 * np.arange(1, 12 * minutes + 1)
    load = 50.0 + watts_per_min / 60.0 * (ends - 2.5)
    uptake = 800.0 + gain * load + np.resize([3.0, -3.0], ends.size)
    return TestInput(
        series=series_of(ends, {"vo2_ml_min": uptake, "work_rate_w": load}),
        mode="cycle",
        person=Person(body_mass_kg=75.0),
        exercise_start_s=0.0,
        exercise_end_s=60.0 * minutes,
    )


def test_15_w_per_min_expects_too_little_for_the_fixed_rule():
    """Arithmetic: 15 W/min at 10 mL/min/W is 75 mL/min in 30 s and 150 in the 60 s used here, so 150 is no rule."""
    test = steady_ramp(15.0)
    marks = find_marks(test)
    plateau = assess_plateau(test, marks, find_loads(test, marks))
    assert plateau.primary.expected_rise == pytest.approx(150.0, abs=0.5)
    fixed = next(one for one in plateau.rules if one.rule == "rise_below_150_ml_min")
    assert fixed.verdict == "not_assessable"
    assert "twice the threshold" in fixed.reason
    # A steady rise is no plateau by the scale-free rule.
    assert plateau.verdict == "not_seen"


def test_half_the_expected_rise_is_what_taylor_asked_for():
    """Taylor 1955: 2.5 % of grade at 7 mph should cost 4.2 mL/kg/min; less than half of it, 2.1, is a plateau.

    The ACSM running equation (Guidelines, 11th ed.) gives the same cost by another road.
    """
    speed = 7 * KM_H_PER_MPH
    step = acsm_running(speed, 2.5) - acsm_running(speed, 0.0)
    assert step == pytest.approx(4.2, abs=0.05)
    assert step / 2 == pytest.approx(2.1, abs=0.03)


@pytest.mark.parametrize(
    ("age", "ratio", "heart_rate"),
    [
        # Wagner 2020 (abstract): RER and per cent of 208 - 0.7 age: 1.13 and 93 % (20-39), 1.10 and 92 % (40-59),
        # 1.06 and 89 % (60-69); none given for older people.
        (30.0, 1.13, 173.9),
        (50.0, 1.10, 159.2),
        (65.0, 1.06, 144.6),
        (72.0, None, None),
    ],
)
def test_age_specific_cut_offs(age, ratio, heart_rate):
    person = Person(sex="female", age_years=age, age_low_years=age, age_high_years=age)
    test = TestInput(series=series_of([], {}), mode="cycle", person=person)
    maxima = Maxima(rer=1.2, heart_rate_bpm=190.0)
    effort = judge_effort(
        test, None, Peak(), maxima, Plateau("not_seen", ()), rule_set=RULE_SETS["wagner_2020_cycle"]
    )
    found = {one.criterion: one for one in effort.criteria}
    assert found["respiratory_exchange_ratio"].threshold == ratio
    shown = found["heart_rate_near_predicted"].threshold
    assert shown == (None if heart_rate is None else pytest.approx(heart_rate, abs=0.06))
    assert found["respiratory_exchange_ratio"].met is (None if ratio is None else True)


@pytest.mark.parametrize(("later", "fall", "at_or_below"), [(158.0, 12.0, True), (157.0, 13.0, False)])
def test_the_published_limit_of_heart_rate_recovery(later, fall, at_or_below):
    """Cole 1999: a fall of 12 beats/min or less in the first minute, treadmill, upright cool-down (memory)."""
    ends = 15.0 * np.arange(1, 50)
    beats = np.where(ends <= 600.0, 170.0, later)
    test = TestInput(
        series=series_of(ends, {"heart_rate_bpm": beats}),
        mode="treadmill",
        person=Person(age_years=57.0),
        stop_reason="legs",
        recovery_active=True,
        recovery_posture="upright",
    )
    found = heart_rate_recovery(test, Marks(0.0, 600.0, "given"))
    assert found.drop_60s_bpm == fall
    assert found.published_limit.at_or_below is at_or_below
    words = "at or below the published limit of 12" if at_or_below else "above the published limit of 12"
    assert words in found.published_limit.statement


@pytest.mark.parametrize("row_s", [2.5, 15.0])
def test_the_standard_error_is_the_quadratic_form_of_tapered_autocovariances(row_s):
    """Oracle: autocovariances of a general statistics library (statsmodels), Bartlett's taper, c' G c by hand."""
    from scipy.linalg import toeplitz
    from statsmodels.tsa.stattools import acovf

    random = np.random.default_rng(7)
    n = 160
    residuals = np.convolve(random.normal(0, 60, n + 4), np.ones(5) / 2, "valid")  # positively correlated
    rows = round(60 / row_s)
    contrast = np.concatenate((np.full(rows, -1 / rows), np.full(rows, 1 / rows)))
    lags = round(30 / row_s)
    covariance = acovf(residuals, demean=False, adjusted=False, fft=False) * n / (n - 3)
    taper = np.clip(1 - np.arange(contrast.size) / (lags + 1), 0, None)
    expected = contrast @ toeplitz(covariance[: contrast.size] * taper) @ contrast
    independent = covariance[0] * contrast @ contrast
    weights = np.concatenate((np.zeros(30), contrast))
    found = _standard_error([residuals], 3, weights, np.full(n, row_s))
    assert found == pytest.approx(np.sqrt(max(expected, independent)), rel=1e-9)
    assert row_s != 2.5 or expected > independent
