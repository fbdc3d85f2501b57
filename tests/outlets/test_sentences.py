"""The latest result in words: true by the rules of change, whatever came before."""

from dataclasses import replace
from datetime import date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.analysis.change import TrendPoint, TypicalErrorUsed, typical_error_for
from service.analysis.trends import build_trend
from service.outlets.display import Display
from service.outlets.sentences import comparison_in_words, latest_in_words, month_and_year
from service.quantities import QUANTITIES

RELATIVE = QUANTITIES["vo2_peak_ml_kg_min"]


def point(day: str, uptake: float, mass: float, **fields) -> TrendPoint:
    """A test on the treadmill; per body mass as the record keeps it."""
    told = {"mode": "treadmill", "effort": "secondary_criteria", "convention": "time_weighted"} | fields
    return TrendPoint(
        test_id=f"test-{day}",
        visit_id=f"visit-{day}",
        date=day,
        instant_s=datetime.combine(date.fromisoformat(day), datetime.min.time()).timestamp(),
        value=uptake / mass,
        value_absolute=uptake,
        body_mass_kg=mass,
        **told,
    )


def told(*points: TrendPoint, error: TypicalErrorUsed | str | None = "published", **more) -> list[str]:
    used = typical_error_for(RELATIVE) if error == "published" else error
    return latest_in_words(build_trend(RELATIVE, points, typical_error=used).as_dict(), **more)


def test_no_test_yet():
    assert told() == ["No test has given a peak oxygen uptake yet."]


def test_a_first_test_is_told_alone():
    assert told(point("2026-03-14", 2060, 70)) == [
        "VO2peak 29.4 mL/kg/min on the treadmill (2,060 mL/min at 70 kg)."
    ]


def test_a_gain_within_error_with_the_percentile_of_its_band():
    # A CV of 5 %: two tests differ by chance by exp(1.96 sqrt2 ln 1.05) - 1 = 14.5 %.
    ranked = replace(point("2026-09-02", 2060, 70), percentile=61.3, norm_id="a table")
    sentences = told(
        point("2026-03-14", 1957, 70.5), ranked, sex="female", rank={"age_band": "40-49", "bound": None}
    )
    assert sentences == [
        "VO2peak 29.4 mL/kg/min on the treadmill (2,060 mL/min at 70 kg), 6 % above March 2026.",
        "That is within what two tests of the same person differ by chance (about 14 %).",
        "About the 60th percentile for women 40-49.",
    ]


@pytest.mark.parametrize(
    ("uptakes", "masses", "words"),
    [
        ((2000, 2320), (71.5, 70.0), "most of it from a higher uptake, a little from 1.5 kg less body mass"),
        ((2000, 2400), (70.0, 70.0), "from a higher uptake."),
        ((2400, 2000), (70.0, 70.0), "from a lower uptake."),
        ((2000, 2180), (76.0, 70.0), "from a higher uptake and from 6.0 kg less body mass"),
        ((2000, 2060), (84.0, 70.0), "most of it from 14.0 kg less body mass, a little from a higher uptake"),
        ((2000, 2000), (84.0, 70.0), "from 14.0 kg less body mass; uptake itself hardly moved"),
        ((2000, 2700), (70.0, 77.0), "from a higher uptake, against 7.0 kg more body mass"),
        ((2400, 2250), (90.0, 70.0), "from 20.0 kg less body mass, against a lower uptake"),
    ],
)
def test_more_than_chance_says_what_moved(uptakes, masses, words):
    sentences = told(point("2026-03-14", uptakes[0], masses[0]), point("2026-09-02", uptakes[1], masses[1]))
    assert sentences[1].startswith("That is more than chance: ")
    assert words in sentences[1]


@pytest.mark.parametrize(
    ("later", "error", "reason"),
    [
        ({"effective_window_s": 60.0}, "published", "the two are means over different times: 30 and 60 s."),
        ({"convention": "moving_breaths"}, "published", "the two were averaged by different conventions"),
        ({}, None, "no typical error is known"),
    ],
)
def test_what_cannot_be_told_says_why(later, error, reason):
    first = point("2026-03-14", 2000, 70, effective_window_s=30.0)
    second = point("2026-09-02", 2500, 70, **({"effective_window_s": 30.0} | later))
    sentences = told(first, second, error=error)
    assert sentences[1].startswith(f"Whether that is more than chance cannot be told: {reason}")


def test_a_submaximal_test_is_no_peak_and_is_not_compared():
    sentences = told(point("2026-03-14", 2000, 70), point("2026-09-02", 1500, 70, effort="submaximal"))
    assert sentences == [
        "Highest oxygen uptake of a submaximal test 21.4 mL/kg/min on the treadmill (1,500 mL/min at 70 kg).",
        "It is not compared with other tests: the effort was submaximal.",
    ]


@pytest.mark.parametrize(
    ("effort", "label"), [("plateau", "VO2max"), ("verified", "VO2max"), ("undetermined", "VO2peak")]
)
def test_only_a_plateau_or_a_verification_is_called_a_maximum(effort, label):
    assert told(point("2026-03-14", 2060, 70, effort=effort))[0].startswith(f"{label} 29.4")


def test_an_estimate_is_called_one():
    assert told(point("2026-03-14", 2060, 70, basis="estimated", effort=None))[0].startswith(
        "Estimated VO2peak"
    )


def test_the_measured_test_of_a_day_goes_before_the_estimate():
    estimated = point("2026-03-14", 2500, 70, basis="estimated", effort=None)
    assert told(estimated, point("2026-03-14", 2060, 70))[0].startswith("VO2peak 29.4")


@pytest.mark.parametrize(
    ("fields", "rank", "sentence"),
    [
        (
            {"percentile": 95.0},
            {"age_band": "20-29", "bound": "above"},
            "Above the highest percentile that is printed for men 20-29 (95).",
        ),
        (
            {"percentile": 98.0},
            {"age_band": "20-29", "bound": None},
            "Above the 95th percentile for men 20-29.",
        ),
        (
            {"percentile": 2.0},
            {"age_band": "20-29", "bound": None},
            "Below the 5th percentile for men 20-29.",
        ),
        (
            {"percent_of_median": 91.4},
            {"age_band": "30-39", "bound": None},
            "91 % of the median for men 30-39; no percentiles are published.",
        ),
    ],
)
def test_standing(fields, rank, sentence):
    assert told(replace(point("2026-03-14", 2060, 70), **fields), sex="male", rank=rank)[-1] == sentence


@given(st.floats(1000, 5000), st.floats(1000, 5000), st.floats(45, 120), st.floats(45, 120))
def test_the_words_never_contradict_the_verdict(first, second, mass_before, mass_after):
    trend = build_trend(
        RELATIVE,
        [point("2026-03-14", first, mass_before), point("2026-09-02", second, mass_after)],
        typical_error=typical_error_for(RELATIVE),
    )
    change = trend.series[0].points[1].change_from_previous
    sentences = latest_in_words(trend.as_dict())
    assert ("more than chance" in sentences[1]) == (change.verdict in {"improved", "declined"})
    if round(abs(change.percent)) != 0:
        assert ("above March" in sentences[0]) == (change.absolute > 0)


def test_small_words():
    assert month_and_year("2026-03-14") == "March 2026"


# --- two tests beside each other ----------------------------------------------------------------------------------


def result(verdict="within_error", **more):
    return {
        "quantity": "vo2_peak_ml_kg_min", "label": "Peak oxygen uptake per body mass", "first": 30.0, "second": 33.0,
        "difference": 3.0, "percent": 10.0, "verdict": verdict, "reason": None, "parts": None, "notes": [],
    } | more  # fmt: skip


def channel(key, points, **more):
    return {
        "channel": key, "label": QUANTITIES[key].label, "points": points, "notes": [], "error_reason": None,
    } | more  # fmt: skip


def place(along, first, second, beyond):
    return {
        "along": along, "label": None, "first": first, "second": second, "difference": second - first,
        "beyond_error": beyond,
    }  # fmt: skip


def comparison(heart=(), uptake=(), *, results=(), reason=None, notes=(), **more):
    channels = [channel("heart_rate_bpm", list(heart), **more), channel("vo2_ml_min", list(uptake))]
    return {
        "first": {"date": "2026-01-10"},
        "second": {"date": "2026-04-10"},
        "results": list(results),
        "work_rate": {"along": "work_rate_w", "channels": channels, "reason": reason, "notes": list(notes)},
    }


def test_the_peaks_of_two_tests():
    (told_one,) = comparison_in_words(comparison(results=[result()]))
    assert told_one == (
        "Peak oxygen uptake per body mass 30.0 mL/kg/min on 2026-01-10, 33.0 mL/kg/min on 2026-04-10 (+10 %): "
        "within what two tests of one person differ by chance."
    )
    unclear = result("unclear", reason="The two differ in mode: cycle and row.")
    assert comparison_in_words(comparison(results=[unclear]))[0].endswith(
        "(+10 %): unclear, because the two differ in mode: cycle and row."
    )
    parts = result("improved", parts={"sentence": "Per body mass +3.0 mL/kg/min: both moved."})
    assert comparison_in_words(comparison(results=[parts]))[1] == "Per body mass +3.0 mL/kg/min: both moved."


def test_heart_rate_is_told_at_the_middle_of_what_both_tests_have():
    heart = [place(50, 100, 99, False), place(100, 120, 104, True), place(160, 140, 139, False)]
    (told_one,) = comparison_in_words(comparison(heart))
    assert told_one == (
        "At 100 W heart rate was 104 beats/min after 120 beats/min: more than two tests of one person differ by chance. "
        "That is what endurance training does; a medication can do it too."
    )


@pytest.mark.parametrize(
    ("first", "second", "beyond", "words"),
    [
        (120, 119, False, "within what two tests of one person differ by chance."),
        (120, 140, True, "Heat, little sleep, an illness or less training can do that."),
        (120, 104, None, "cannot be told: one test went in stages and the other as a ramp."),
    ],
)
def test_what_a_heart_rate_may_mean(first, second, beyond, words):
    notes = ["One test went in stages and the other as a ramp. On a ramp it lags."] if beyond is None else []
    assert comparison_in_words(comparison([place(100, first, second, beyond)], notes=notes))[0].endswith(
        words
    )


def test_another_uptake_at_one_work_rate_asks_for_the_equipment():
    uptake = [place(100, 1500, 1800, True)]
    (told_one,) = comparison_in_words(comparison(uptake=uptake))
    assert "At 100 W oxygen uptake was 1,800 mL/min after 1,500 mL/min" in told_one
    assert told_one.endswith("look at the equipment and its calibration first.")
    assert comparison_in_words(comparison(uptake=[place(100, 1500, 1520, False)])) == []


def test_where_there_is_no_work_rate_in_common_it_says_why():
    assert comparison_in_words(comparison(reason="The first test has no work rates.")) == [
        "The first test has no work rates."
    ]


def test_a_stage_is_named_by_its_speed_and_grade_as_they_are_shown():
    stage = place(1, 120, 104, True) | {"speed_km_h": 4.0, "grade_percent": 12.0}
    curves = comparison([stage])
    curves["work_rate"]["along"] = "stage"
    assert comparison_in_words(curves)[0].startswith("At 4.0 km/h, 12.0 % heart rate was")
    assert comparison_in_words(curves, Display(units="us"))[0].startswith("At 2.5 mph, 12.0 % heart rate was")
