"""Words for a person at a terminal."""

from datetime import date

import pytest

from service.analysis.breath_care import BREATH_RULES as BREATH_RULE_IDS
from service.analysis.peaks import CONVENTIONS
from service.analysis.plateau import PLATEAU_RULES
from service.analysis.rule_sets import RULE_SETS, heart_rate_methods
from service.analysis.summary import AnalysisSettings
from service.charts import ventilatory_equivalents
from service.outlets.text import (
    SETTINGS,
    THRESHOLD_METHODS,
    analysis_lines,
    breath_lines,
    due_in_words,
    ordinal,
    rank_lines,
    setting_in_words,
    trend_lines,
)

RANK = {
    "norm_id": "a_table",
    "reference": "population_table",
    "percentile": None,
    "percentile_low": None,
    "percentile_high": None,
    "bound": None,
    "percent_of_median": None,
    "percent_of_predicted": None,
    "age_band": "40-49",
    "reason": None,
    "source": "kaminsky_2015",
}


# English grammar, common knowledge, no source.
@pytest.mark.parametrize(
    ("number", "text"),
    [
        (1, "1st"), (2, "2nd"), (3, "3rd"), (4, "4th"), (10, "10th"), (11, "11th"), (12, "12th"), (13, "13th"),
        (20, "20th"), (21, "21st"), (22, "22nd"), (23, "23rd"), (42, "42nd"), (90, "90th"), (101, "101st"), (111, "111th"),
    ],
)  # fmt: skip
def test_endings_of_ordinals(number, text):
    assert ordinal(number) == text


@pytest.mark.parametrize(
    ("fields", "line"),
    [
        (
            {"percentile": 42.4, "percentile_low": 31.0, "percentile_high": 52.6},
            "about the 40th percentile (30th to 55th within one typical error) of a_table (40-49 years)",
        ),
        ({"percentile": 0.4}, "about the 5th percentile of a_table (40-49 years)"),
        ({"percentile": 99.9}, "about the 95th percentile of a_table (40-49 years)"),
        ({"bound": "above"}, "above the highest percentile of a_table (40-49 years)"),
        ({"bound": "below"}, "below the lowest percentile of a_table (40-49 years)"),
        (
            {"reference": "median_only", "percent_of_median": 116.8, "bound": "above"},
            "117 % of the median of a_table (40-49 years); only medians are published, so no percentile",
        ),
        (
            {"reference": "predicted_for_body_size", "percent_of_predicted": 83.4},
            "83 % of predicted for body size by a_table; not a percentile",
        ),
        ({"reason": "The age is not known."}, "none from a_table: The age is not known."),
        (
            {"reference": "predicted_for_body_size", "reason": "It needs height_cm."},
            "no prediction for body size by a_table; the JSON form says why",
        ),
    ],
)
def test_a_standing_says_no_more_than_is_known(fields, line):
    assert list(rank_lines([RANK | fields])) == [line]


def test_a_reason_shared_by_tables_is_said_once():
    ranks = [
        RANK | {"reason": "The age is not known."},
        RANK | {"norm_id": "b", "reason": "The age is not known."},
    ]
    assert list(rank_lines(ranks)) == ["none from a_table, b: The age is not known."]


def document(**changes):
    peak = dict.fromkeys(
        ("vo2_ml_kg_min", "mets", "rer", "start_s", "end_s", "effective_window_s", "window_breaths", "reason")
    )
    peak |= {
        "label": "VO2peak",
        "basis": "measured",
        "vo2_ml_min": 3058.4,
        "convention": "time_weighted",
        "window_s": 30.0,
    }
    return {
        "peak": peak,
        "maxima": {"exercise_duration_s": 605.4, "rer": 1.134},
        "recovery": {},
        "thresholds": [],
        "slopes": {},
        "energy": {},
        "effort": {"verdict": "undetermined", "criteria": [], "reason": "nothing shows it."},
        "plateau": {"verdict": "not_assessable", "rules": []},
        "ranks": [],
        "findings": [],
        "cautions": ["Not a diagnosis."],
        "settings": {
            "peak_convention": "time_weighted", "peak_window_s": 30.0, "peak_window_breaths": None,
            "effort_rules": "default", "plateau_rule": None, "heart_rate_max_method": "heart_rate_max_tanaka",
        },
        "analysis_version": "1",
    } | changes  # fmt: skip


def finding(severity, message, todo="Look at it.", code="a"):
    return {
        "code": code, "severity": severity, "message": message, "what_to_do": todo, "row": None, "column": None,
    }  # fmt: skip


def text(**changes):
    return "\n".join(analysis_lines(document(**changes), width=100))


def test_numbers_have_their_decimals_and_units():
    told = text()
    assert "VO2peak 3,058 mL/min (give the body mass for mL/kg/min)" in told
    assert "10:05 min:s" in told
    assert next(line for line in told.splitlines() if "Highest RER" in line).endswith("1.13")


def test_no_peak_is_said_with_its_reason():
    peak = document()["peak"] | {"vo2_ml_min": None, "reason": "No interval counts."}
    told = text(peak=peak)
    assert told.startswith("VO2peak: none. No interval counts.")
    assert "Numbers of the peak" not in told


def test_findings_come_by_severity_with_what_to_do_and_nothing_is_no_advice():
    told = text(
        findings=[
            finding("info", "Assumed.", "Nothing."),
            finding("warning", "Odd.", code="b"),
            finding("error", "Wrong.", "Mend it.", code="c"),
        ]
    )
    assert (
        told.index("error: Wrong.")
        < told.index("> Mend it.")
        < told.index("warning: Odd.")
        < told.index("Assumed.")
    )
    assert "Nothing." not in told
    assert "read the 1 error and 1 warning below" in told


def test_of_many_alike_three_are_written_out():
    told = text(findings=[finding("warning", f"Row {row} is odd.") for row in range(20)])
    assert told.count("is odd.") == 3
    assert "and 17 more like it" in told
    assert "read the 1 warning below" in told


def test_place_is_added_where_the_message_has_none():
    told = text(findings=[finding("warning", "Odd.") | {"row": 12, "column": "VO2"}])
    assert "warning: Odd. (row 12, column VO2)" in told


def test_the_method_line_and_the_sources():
    rule = {
        "rule": "half_expected_rise_ramp", "primary": True, "verdict": "seen", "observed": 25.1, "threshold": 69.3,
        "expected_rise": 138.6, "unit": "mL/min", "reason": None, "source": "niemeyer_2021; own choice",
    }  # fmt: skip
    told = text(plateau={"verdict": "seen", "rules": [rule]})
    assert "uptake rose by 25 mL/min where 139 were expected; a plateau is a rise below 69." in " ".join(
        told.split()
    )
    assert "Method: peak time weighted, 30 s; effort rules default" in told
    assert "Analysis version 1." in " ".join(told.split())
    assert "  Niemeyer M, Knaier R, Beneke R." in told
    assert "niemeyer_2021" not in told


def test_a_plateau_not_seen_is_no_fault():
    assert "no fault of the test" in text(plateau={"verdict": "not_seen", "rules": []})


def test_a_trend_without_results():
    assert list(trend_lines({"quantity": "vo2_peak_ml_min", "series": []}))[1] == "No results yet."


def point(day, value, change=None, **changes):
    return {
        "date": day, "value": value, "percentile": None, "percent_of_median": None, "norm_id": None, "effort": "plateau",
        "counted": True, "notes": [], "change_from_previous": change, "change_from_first": change,
    } | changes  # fmt: skip


def change(verdict, notes=()):
    return {"absolute": -1.25, "percent": -2.9, "verdict": verdict, "notes": list(notes)}


def trend(points, **changes):
    series = {
        "mode": "cycle", "basis": "measured", "protocol_family": None, "points": points,
        "typical_error": {"value": 5.6, "unit": "%", "source": "skinner_1999"}, "slope_per_year": None,
        "slope_ci_low": None, "slope_ci_high": None,
    } | changes  # fmt: skip
    return "\n".join(trend_lines({"quantity": "vo2_peak_ml_kg_min", "series": [series]}, width=100))


def test_a_trend_says_value_standing_and_what_is_chance():
    told = trend(
        [
            point("2024-01-05", 43.2, percentile=41.0, norm_id="a_table"),
            point("2025-01-05", 41.95, change("within_error")),
            point("2026-01-05", 38.0, change("unclear", ["Another protocol."])),
        ]
    )
    assert "2024-01-05    43.2 mL/kg/min  about the 40th percentile of a_table" in told
    # The decimals of the quantity, its sign always.
    assert "(-2.9 %): within what two tests of one person differ by chance" in told
    assert "unclear. Another protocol." in told
    assert "Since the first test:" in told
    assert "Typical error of one test 5.6 %." in told


def test_a_point_that_is_not_counted_says_why():
    told = trend([point("2024-01-05", 43.2, counted=False, notes=["A submaximal effort."])])
    assert "not counted" in told
    assert "      A submaximal effort." in told


def test_thresholds_that_the_methods_agree_on_stand_with_their_work_rate():
    item = {
        "threshold": "vt1",
        "method": "consensus",
        "basis": "computed",
        "vo2_ml_min": 1742.4,
        "percent_of_peak": 60.7,
        "heart_rate_bpm": 131.2,
        "work_rate_lag_corrected_w": 113.4,
    }
    alone = item | {"method": "v_slope", "vo2_ml_min": 1600.0}
    changes = {
        "thresholds": [alone, item],
        "slopes": {"ve_vco2_slope": 23.94},
        "energy": {"total_kcal": 101.4},
    }
    told = list(analysis_lines(document(**changes), width=200))
    line = next(line for line in told if "First ventilatory threshold" in line)
    assert "1,742 mL/min, 61 % of the peak, 131 beats/min, 113 W corrected for lag (methods agree)" in line
    assert not any("1,600" in line for line in told)
    assert any("VE/VCO2 slope" in line and "23.9" in line for line in told)
    assert any("Energy" in line and "101 kcal" in line for line in told)


CARE = {
    "rule": "local_4_sd",
    "rule_text": "leaves out breaths more than 4 SD from the mean of the 60 s around them",
    "applied": True,
    "reason": None,
    "n_breaths": 541,
    "n_left_out": 13,
    "n_restored": 0,
    "averaging": [{"part": "gas_exchange", "text": "mean over 60 s"}],
}


@pytest.mark.parametrize(
    ("changes", "first"),
    [
        (
            {},
            "Breaths: 13 of 541 breaths left out by the rule local_4_sd, which leaves out breaths more than 4 SD from",
        ),
        ({"n_restored": 2}, "the 60 s around them; 2 that it marked kept by hand."),
        (
            {"applied": False, "reason": "No rule was asked for."},
            "No breath was left out by a rule: no rule was asked for.",
        ),
    ],
)
def test_breaths_left_out_and_averaging_are_told(changes, first):
    told = list(breath_lines(CARE | changes))
    assert first in told[0]
    assert told[1:] == ["Averaging", "  Gas exchange: mean over 60 s"]


def test_a_test_without_intervals_has_no_words_about_breaths():
    assert list(breath_lines({})) == list(breath_lines(CARE | {"averaging": []})) == []


def test_a_trend_says_its_slopes_and_what_they_rest_on():
    told = trend(
        [point("2024-01-05", 43.2), point("2025-01-05", 41.95, change("within_error"))],
        slope_per_year=-1.25,
        slope_ci_low=-4.0,
        slope_ci_high=1.5,
        theil_sen_per_year=-1.25,
        theil_sen_ci_low=None,
        theil_sen_ci_high=None,
        notes=["The interval of the slope rests on the typical error (2.10 mL/kg/min)."],
    )
    assert "  Slope -1.2 mL/kg/min a year (95 % interval -4.0 to +1.5)" in told
    assert "  Theil-Sen slope -1.2 mL/kg/min a year\n" in told
    assert "  The interval of the slope rests on the typical error (2.10 mL/kg/min)." in told


def test_a_change_without_a_percent_is_told():
    told = trend([point("2024-01-05", 0.0), point("2025-01-05", 3.0, change("unclear") | {"percent": None})])
    assert "-1.2: unclear" in told


@pytest.mark.parametrize(
    ("due", "today", "words"),
    [
        (
            {"due_on": "2026-05-01", "set_by": "tester"},
            None,
            "The next test is due on 2026-05-01, a tester set that day.",
        ),
        (
            {"due_on": "2026-05-01", "set_by": "tester"},
            date(2026, 5, 1),
            "The next test is due on 2026-05-01, a tester set that day.",
        ),
        (
            {"due_on": "2026-05-01", "set_by": "tester"},
            date(2026, 5, 2),
            "The next test was due on 2026-05-01, a tester set that day.",
        ),
        (
            {"due_on": "2026-09-10", "set_by": "site_interval", "last_test_on": "2026-03-14"},
            None,
            "The next test is due on 2026-09-10, by the site's interval after the test of 2026-03-14.",
        ),
        (
            {"due_on": None, "reason": "There is no complete test yet."},
            None,
            "No next test is due: there is no complete test yet.",
        ),
    ],
)
def test_when_the_next_test_is_due(due, today, words):
    assert due_in_words({"last_test_on": None, "set_by": None, "reason": None} | due, today=today) == words


def test_a_trend_ends_with_the_day_of_the_next_test():
    lines = list(
        trend_lines(
            {
                "quantity": "vo2_peak_ml_min",
                "series": [],
                "notes": ["One note."],
                "next_test_due": {
                    "due_on": None,
                    "set_by": None,
                    "last_test_on": None,
                    "reason": "Nobody set one.",
                },
            }
        )
    )
    assert lines[-3:] == ["", "One note.", "No next test is due: nobody set one."]


def test_every_setting_and_each_of_its_choices_has_words():
    assert set(SETTINGS) == set(AnalysisSettings().as_dict()) - {"chosen_by"}
    choices = {
        "peak_convention": CONVENTIONS,
        "effort_rules": tuple(RULE_SETS),
        "plateau_rule": tuple(PLATEAU_RULES),
        "heart_rate_max_method": heart_rate_methods(),
        "aberrant_breaths": tuple(BREATH_RULE_IDS),
    }
    for name, values in choices.items():
        words = [setting_in_words(name, value) for value in values]
        assert len(set(words)) == len(values)
        assert not any("_" in one or "4 sd" in one for one in words)
    assert setting_in_words("plateau_rule", None) == "by the shape of the test"
    assert setting_in_words("peak_window_s", 30.0) == 30.0
    assert setting_in_words("peak_window_breaths", None) is None


def test_a_chart_calls_the_methods_as_the_rest_does():
    words = ventilatory_equivalents.METHODS
    assert words == {
        method: THRESHOLD_METHODS[method]
        for method in THRESHOLD_METHODS
        if "_" in method and not method.startswith("lactate")
    }
