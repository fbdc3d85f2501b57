from dataclasses import replace

import numpy as np
import pytest

from service.analysis.marks import Marks, find_marks
from service.analysis.peaks import find_maxima
from service.analysis.recovery import heart_rate_recovery
from service.analysis.references import REFERENCES, cited_keys
from service.analysis.series import Person, Series, StageNote, TestInput
from tests.analysis.simulated_tests import RAMP_25, simulate

MARKS = Marks(0.0, 600.0, "given")
MATCHING = {
    "mode": "treadmill",
    "person": Person(sex="female", age_years=50.0),
    "stop_reason": "exhaustion",
    "recovery_active": True,
    "recovery_posture": "upright",
}


def recorded(heart_rate, *, row_s=15.0, excluded=(), **fields):
    """Rows from 0; heart rate given as (until_s, beats/min) pieces, None for no value."""
    n = round(heart_rate[-1][0] / row_s)
    ends = row_s * np.arange(1, n + 1)
    values = np.full(n, np.nan)
    before = 0.0
    for until, beats in heart_rate:
        if beats is not None:
            values[(ends > before + 1e-9) & (ends <= until + 1e-9)] = beats
        before = until
    out = np.zeros(n, bool)
    out[list(excluded)] = True
    channels = {"vo2_ml_min": np.full(n, 2000.0), "heart_rate_bpm": values}
    series = Series(ends, np.full(n, row_s), channels, np.full(n, -1, np.int8), np.full(n, -1), out)
    return TestInput(series=series, **{**MATCHING, **fields})


RISEN = [(585.0, 160.0), (600.0, 170.0)]


def test_drops_are_from_the_highest_of_exercise_to_the_interval_that_holds_the_moment():
    test = recorded([*RISEN, (660.0, 165.0), (675.0, 150.0), (720.0, 140.0), (735.0, 128.0), (780.0, 120.0)])
    found = heart_rate_recovery(test, MARKS)
    # An interval holds its start: 660 s lies in the one from 660 to 675 s.
    assert (found.heart_rate_end_bpm, found.heart_rate_60s_bpm, found.heart_rate_120s_bpm) == (
        170.0,
        150.0,
        128.0,
    )
    assert (found.drop_60s_bpm, found.drop_120s_bpm) == (20.0, 42.0)
    assert found.as_dict()["reason"] is None


def test_the_highest_is_over_five_seconds_where_rows_are_shorter():
    spike = [(590.0, 160.0), (598.0, 166.0), (599.0, 190.0), (600.0, 168.0), (662.0, 150.0)]
    found = heart_rate_recovery(recorded(spike, row_s=1.0), MARKS)
    assert found.heart_rate_end_bpm == pytest.approx((3 * 166 + 190 + 168) / 5)


def test_a_rise_after_exercise_is_no_end_value():
    found = heart_rate_recovery(recorded([*RISEN, (630.0, 185.0), (690.0, 150.0)]), MARKS)
    assert found.heart_rate_end_bpm == 170.0


@pytest.mark.parametrize(
    ("heart_rate", "fields", "reason"),
    [
        ([*RISEN, (645.0, 150.0)], {}, "ends before"),
        ([*RISEN, (660.0, 150.0), (675.0, None), (700.0, 150.0)], {}, "no heart rate that counts"),
        ([*RISEN, (690.0, 150.0)], {"excluded": [44]}, "no heart rate that counts"),
        ([(690.0, None)], {}, "no heart rate"),
    ],
)
def test_what_was_not_recorded_is_none_with_the_reason(heart_rate, fields, reason):
    found = heart_rate_recovery(recorded(heart_rate, **fields), MARKS)
    assert found.drop_60s_bpm is None
    assert reason in found.reasons["drop_60s_bpm"]
    assert reason in found.as_dict()["reason"]
    assert found.published_limit is None


def test_a_recording_that_stops_at_that_moment_still_holds_it():
    assert heart_rate_recovery(recorded([*RISEN, (660.0, 150.0)]), MARKS).drop_60s_bpm == 20.0


@pytest.mark.parametrize(
    ("noted_at", "drop"), [(660.0, 30.0), (656.0, 30.0), (665.0, 30.0), (667.0, None), (640.0, None)]
)
def test_a_note_of_the_recovery_stands_in_within_five_seconds(noted_at, drop):
    notes = (StageNote(None, "recovery", noted_at, heart_rate_bpm=140.0),)
    assert heart_rate_recovery(recorded(RISEN, notes=notes), MARKS).drop_60s_bpm == drop


def test_the_series_wins_over_a_note_and_other_notes_do_not_count():
    notes = (
        StageNote(None, "recovery", 660.0, heart_rate_bpm=140.0),
        StageNote(None, "recovery", None, heart_rate_bpm=130.0),
        StageNote(3, "exercise", 720.0, heart_rate_bpm=120.0),
    )
    found = heart_rate_recovery(recorded([*RISEN, (690.0, 150.0)], notes=notes), MARKS)
    assert found.drop_60s_bpm == 20.0
    assert found.drop_120s_bpm is None


def test_notes_alone_give_a_recovery():
    notes = (
        StageNote(5, "exercise", 600.0, heart_rate_bpm=172.0),
        StageNote(None, "recovery", 660.0, heart_rate_bpm=150.0),
    )
    found = heart_rate_recovery(recorded([(600.0, None)], notes=notes), MARKS)
    assert (found.heart_rate_end_bpm, found.drop_60s_bpm) == (172.0, 22.0)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"mode": "cycle"}, "not on a treadmill"),
        ({"stop_reason": "target_reached"}, "symptom-limited"),
        ({"stop_reason": None}, "symptom-limited"),
        ({"purpose": "submaximal"}, "symptom-limited"),
        ({"recovery_active": False}, "active"),
        ({"recovery_active": None}, "active"),
        ({"recovery_posture": "supine"}, "upright"),
        ({"recovery_posture": None}, "upright"),
        ({"person": Person(age_years=50.0, limits_heart_rate=True)}, "medication"),
        ({"person": Person(age_years=15.0)}, "adult"),
        ({"person": Person()}, "adult"),
    ],
)
def test_the_published_limit_is_shown_only_where_its_conditions_match(changed, said):
    fall = [*RISEN, (660.0, 165.0), (690.0, 160.0)]
    assert heart_rate_recovery(recorded(fall), MARKS).published_limit is not None
    found = heart_rate_recovery(recorded(fall, **changed), MARKS)
    assert found.published_limit is None
    assert said in found.reasons["published_limit"]
    assert found.drop_60s_bpm == 10.0  # the number alone


def test_a_long_interval_gives_the_number_without_the_limit_and_a_finding():
    found = heart_rate_recovery(recorded([(600.0, 170.0), (720.0, 150.0)], row_s=30.0), MARKS)
    assert found.drop_60s_bpm == 20.0
    assert found.published_limit is None
    assert "averaged over 30 s" in found.reasons["published_limit"]
    assert [one.code for one in found.findings] == ["recovery_averaged_long"]
    assert heart_rate_recovery(recorded([(600.0, 170.0), (720.0, 150.0)]), MARKS).findings == ()


def test_the_words_normal_and_abnormal_are_not_used():
    for beats in (165.0, 140.0):
        limit = heart_rate_recovery(recorded([*RISEN, (690.0, beats)]), MARKS).published_limit
        assert "normal" not in limit.statement
        assert "which applies to" in limit.statement
        assert all(key in REFERENCES for key in cited_keys(limit.source))


def test_a_simulated_recovery_falls_as_it_was_made_to():
    test = simulate(RAMP_25, 9, exercise_s=600.0)
    marks = find_marks(test)
    found = heart_rate_recovery(test, marks)
    assert found.heart_rate_end_bpm == find_maxima(test, marks).heart_rate_bpm
    # Made with a time constant of 80 s towards 92 beats/min from 186.
    assert found.drop_60s_bpm == pytest.approx((186 - 92) * (1 - np.exp(-60 / 80)), abs=4.0)
    assert found.drop_120s_bpm == pytest.approx((186 - 92) * (1 - np.exp(-120 / 80)), abs=4.0)
    mirrored = replace(test, exercise_end_s=None, exercise_start_s=None)
    assert heart_rate_recovery(mirrored, find_marks(mirrored)).drop_60s_bpm == pytest.approx(
        found.drop_60s_bpm, abs=3
    )
