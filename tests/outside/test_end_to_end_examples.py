"""Worked examples of peak, plateau, effort and recovery, over HTTP.

Source beside each. "Arithmetic": worked by hand from the definition; "anchor": a published constant implies the answer.
The series around them are invented.
"""

import json
import math

import pytest

#: L/min in bins of 10 s.
BINS = (3.10, 3.22, 3.05, 3.30, 3.41, 3.28, 3.52, 3.38, 3.60, 3.47, 3.55, 3.50)


@pytest.fixture(scope="module")
def bins(wire):
    """The bins as a test over HTTP."""
    rows = [
        {"end_s": 10 * k, "duration_s": 10, "vo2_ml_min": round(1000 * value)}
        for k, value in enumerate(BINS, start=1)
    ]
    visit = wire.visit(wire.subject(), body_mass_kg=70)
    return wire.test_of(visit, rows, mode="cycle", exercise_start_s=0, exercise_end_s=120)


def test_ten_second_bins_by_several_windows(wire, bins):
    """Arithmetic."""
    windows = {
        one["window_s"]: one["vo2_ml_min"]
        for one in wire.analysis(bins)["peak_by_window"]
        if one["convention"] == "time_weighted"
    }
    assert windows[20] == pytest.approx(3535, abs=1e-6)
    assert windows[30] == pytest.approx(3540, abs=1e-6)
    assert windows[60] == pytest.approx(3503 + 1 / 3, abs=1e-6)
    assert {15, 20, 30, 60} <= windows.keys()


@pytest.mark.parametrize(
    ("asked", "value", "window"),
    [
        ({"peak_window_s": 10}, 3600, (80, 90)),
        ({"peak_window_s": 20}, 3535, (80, 100)),
        ({"peak_window_s": 30}, 3540, (80, 110)),
        ({"peak_window_s": 60}, 3503 + 1 / 3, (60, 120)),
        ({"peak_convention": "moving_seconds", "peak_window_s": 30}, 3540, (80, 110)),
        ({"peak_convention": "consecutive_bins", "peak_window_s": 30}, 3506 + 2 / 3, (90, 120)),
        ({"peak_convention": "moving_breaths", "peak_window_breaths": 3}, 3540, (80, 110)),
        # Of the seven highest neighbours 3410 to 3550 less the ends 3280 and 3600: (3410+3520+3380+3470+3550)/5.
        ({"peak_convention": "trimmed_breaths", "peak_window_breaths": 7}, 3484, (50, 120)),
    ],
)
def test_ten_second_bins_by_convention(wire, bins, asked, value, window):
    """Arithmetic. The trimmed mean of the last seven, 3280 3520 3380 3600 3470 3550 3500, leaves 17420/5."""
    peak = wire.analysis(bins, **asked)["peak"]
    assert peak["vo2_ml_min"] == pytest.approx(value, abs=1e-6)
    assert peak["vo2_ml_kg_min"] == pytest.approx(value / 70, abs=1e-6)
    assert peak["mets"] == pytest.approx(value / 70 / 3.5, abs=1e-6)
    assert (peak["start_s"], peak["end_s"]) == pytest.approx(window)


@pytest.mark.parametrize("seconds", [10, 20, 30, 40, 60])
def test_a_rolling_peak_is_never_below_the_block_peak(wire, bins, seconds):
    rolling = wire.analysis(bins, peak_window_s=seconds)["peak"]["vo2_ml_min"]
    blocks = wire.analysis(bins, peak_window_s=seconds, peak_convention="consecutive_bins")["peak"][
        "vo2_ml_min"
    ]
    assert rolling >= blocks - 1e-9


def test_the_command_says_the_same_of_the_bins(upslope, wire, bins, tmp_path):
    file = tmp_path / "bins.csv"
    file.write_text(
        "time (s),VO2 (L/min)\n" + "".join(f"{10 * k},{value}\n" for k, value in enumerate(BINS, start=1))
    )
    told = upslope("analyse", file, "--mode", "cycle", "--mass", 70, "--exercise", 0, 120, "--json")
    by_command, by_service = json.loads(told.stdout)["peak"], wire.analysis(bins)["peak"]
    assert by_command["vo2_ml_min"] == pytest.approx(by_service["vo2_ml_min"], rel=1e-12)


def ramp(watts_per_min, *, beats=None, ratio=1.0, minutes=10, row_s=5):
    """Uptake of 10 mL/min/W on the load, with an alternation that cancels in any mean."""
    rows = []
    for k in range(1, 60 * minutes // row_s + 1):
        watts = 50 + watts_per_min * (k - 0.5) * row_s / 60
        uptake = 800 + 10 * watts + (3 if k % 2 else -3)
        row = {
            "end_s": row_s * k,
            "duration_s": row_s,
            "vo2_ml_min": uptake,
            "vco2_ml_min": ratio * uptake,
            "work_rate_w": watts,
        }
        rows.append(row if beats is None else {**row, "heart_rate_bpm": beats})
    return rows


def test_a_fixed_rise_is_no_rule_for_a_gentle_ramp(wire):
    """Arithmetic: 15 W/min at 10 mL/min/W is 150 mL/min in the 60 s compared: less than twice the threshold of 150."""
    visit = wire.visit(wire.subject(), body_mass_kg=75)
    analysis = wire.analysis(
        wire.test_of(visit, ramp(15), mode="cycle", shape="ramp", exercise_start_s=0, exercise_end_s=600)
    )
    rules = {one["rule"]: one for one in analysis["plateau"]["rules"]}
    fixed = rules["rise_below_150_ml_min"]
    assert (fixed["verdict"], fixed["primary"]) == ("not_assessable", False)
    assert "twice the threshold" in fixed["reason"]
    (primary,) = (one for one in rules.values() if one["primary"])
    assert primary["expected_rise"] == pytest.approx(150, abs=0.5)
    assert primary["observed"] == pytest.approx(150, abs=0.5)
    assert primary["verdict"] == analysis["plateau"]["verdict"] == "not_seen"


def test_the_same_rule_serves_a_steep_ramp(wire):
    """Arithmetic: 35 W/min is 350 mL/min in 60 s, more than twice 150, so the rule can be asked and is not met."""
    visit = wire.visit(wire.subject(), body_mass_kg=75)
    analysis = wire.analysis(
        wire.test_of(visit, ramp(35), mode="cycle", shape="ramp", exercise_start_s=0, exercise_end_s=600)
    )
    (fixed,) = (one for one in analysis["plateau"]["rules"] if one["rule"] == "rise_below_150_ml_min")
    assert fixed["verdict"] == "not_seen"


@pytest.mark.parametrize(
    ("age", "ratio", "heart_rate"),
    [(30, 1.13, 173.9), (50, 1.10, 159.2), (65, 1.06, 144.6), (72, None, None)],
)
def test_age_specific_cut_offs(wire, age, ratio, heart_rate):
    """Anchor (Wagner 2020, cycle): ratio and per cent of 208 - 0.7 age by decade, none after 69 years."""
    visit = wire.visit(wire.subject(sex="female"), age_years=age, body_mass_kg=65)
    # Just above the published ratio, just below the heart rate.
    rows = ramp(20, beats=140, ratio=1.2 if ratio is None else ratio + 0.005)
    test = wire.test_of(
        visit, rows, mode="cycle", exercise_start_s=0, exercise_end_s=600, stop_reason="exhaustion"
    )
    default = wire.analysis(test)["effort"]
    effort = wire.analysis(test, effort_rules="wagner_2020_cycle")["effort"]
    assert (default["rule_set"], effort["rule_set"]) == ("default", "wagner_2020_cycle")
    found = {one["criterion"]: one for one in effort["criteria"]}
    by_ratio, by_heart = found["respiratory_exchange_ratio"], found["heart_rate_near_predicted"]
    assert by_ratio["threshold"] == ratio
    assert by_ratio["met"] is (None if ratio is None else True)
    assert by_heart["threshold"] == (None if heart_rate is None else pytest.approx(heart_rate, abs=0.06))
    assert by_heart["met"] is (None if heart_rate is None else False)
    if ratio is None:
        assert by_ratio["reason"]
    # The setting held for that answer alone.
    assert wire.analysis(test)["effort"]["rule_set"] == "default"


def test_the_age_specific_cut_offs_are_for_the_cycle(wire):
    visit = wire.visit(wire.subject(sex="female"), age_years=30, body_mass_kg=65)
    rows = [
        {key: value for key, value in row.items() if key != "work_rate_w"}
        | {"speed_km_h": 6 + row["end_s"] / 60}
        for row in ramp(20, beats=180, ratio=1.2)
    ]
    test = wire.test_of(visit, rows, mode="treadmill", exercise_start_s=0, exercise_end_s=600)
    effort = wire.analysis(test, effort_rules="wagner_2020_cycle")["effort"]
    (ratio,) = (one for one in effort["criteria"] if one["criterion"] == "respiratory_exchange_ratio")
    assert (ratio["threshold"], ratio["met"]) == (None, None)
    assert "cycle" in ratio["reason"]


@pytest.fixture(scope="module")
def recovered(wire):
    """Heart rate of 170 at the end of exercise and another in recovery; judged."""

    def judge(later, person=None, **fields):
        visit = wire.visit(
            wire.subject(), body_mass_kg=75, **({"age_years": 57} if person is None else person)
        )
        mode = fields.get("mode", "treadmill")
        load = {"work_rate_w": 200} if mode == "cycle" else {"speed_km_h": 10}
        rows = [
            {
                "end_s": 15 * k,
                "duration_s": 15,
                "heart_rate_bpm": 170 if k <= 40 else later,
                "vo2_ml_min": 2500 + 20 * math.sin(k) if k <= 40 else 1500,
                **(load if k <= 40 else {}),
            }
            for k in range(1, 49)
        ]
        given = {"mode": mode, "stop_reason": "legs", "recovery_active": True, "recovery_posture": "upright"}
        test = wire.test_of(visit, rows, exercise_start_s=0, exercise_end_s=600, **(given | fields))
        return wire.analysis(test)["recovery"]

    return judge


@pytest.mark.parametrize(
    ("later", "fall", "at_or_below", "words"),
    [
        (158, 12, True, "at or below the published limit of 12"),
        (157, 13, False, "above the published limit of 12"),
    ],
)
def test_the_published_limit_of_heart_rate_recovery(recovered, later, fall, at_or_below, words):
    """Anchor (Cole 1999): a fall of 12 beats/min or less in the first minute of an upright cool-down on the treadmill."""
    found = recovered(later)
    assert found["drop_60s_bpm"] == fall
    assert found["published_limit"]["at_or_below"] is at_or_below
    assert words in found["published_limit"]["statement"]
    assert "normal" not in json.dumps(found)


BETA_BLOCKER = {"name": "a beta blocker", "limits_heart_rate": True}


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"mode": "cycle"}, "not on a treadmill"),
        ({"recovery_active": False}, "not recorded as active"),
        ({"recovery_active": None}, "not recorded as active"),
        ({"recovery_posture": "supine"}, "not recorded as upright"),
        ({"recovery_posture": None}, "not recorded as upright"),
        ({"stop_reason": "target_reached"}, "not recorded as symptom-limited"),
        ({"purpose": "submaximal"}, "not recorded as symptom-limited"),
        ({"person": {}}, "not known to be an adult"),
        ({"person": {"age_years": 57, "medications": [BETA_BLOCKER]}}, "medication limits heart rate"),
    ],
)
def test_elsewhere_the_limit_is_not_shown_and_the_fall_is(recovered, fields, why):
    found = recovered(158, **fields)
    assert found["drop_60s_bpm"] == 12
    assert found["published_limit"] is None
    assert why in found["reasons"]["published_limit"]
