"""Stage tests built for checks: every stage settles at once on the values given for it. Invented, published by nobody."""

from typing import Any

import numpy as np

from service.analysis.series import PHASES, Person, Series, StageNote, TestInput

PERSON = Person(
    sex="male",
    age_years=40.0,
    age_low_years=40.0,
    age_high_years=40.0,
    age_basis="birth_date",
    body_mass_kg=75.0,
    height_cm=180.0,
    resting_heart_rate_bpm=60.0,
    resting_systolic_mmhg=120.0,
    resting_diastolic_mmhg=80.0,
)


def stage_test(
    stages: list[dict[str, Any]],
    *,
    stage_s: float = 300.0,
    row_s: float = 15.0,
    trend_ml_min2: float = 0.0,
    noise: float = 0.0,
    seed: int = 1,
    lactates: list[float] | None = None,
    **fields: Any,
) -> TestInput:
    """A test of stages, each a mapping of channel to its settled value; `trend_ml_min2` lets uptake rise on within one."""
    random = np.random.default_rng(seed)
    per = round(stage_s / row_s)
    n = per * len(stages)
    end = row_s * np.arange(1, n + 1)
    place = np.repeat(np.arange(len(stages)), per)
    since_min = (np.tile(np.arange(per), len(stages)) + 0.5) * row_s / 60.0
    channels = {}
    for key in dict.fromkeys(name for one in stages for name in one):
        values = np.array([one.get(key, np.nan) for one in stages], dtype=np.float64)[place]
        if key == "vo2_ml_min":
            values = values + trend_ml_min2 * (since_min - (stage_s - 30.0) / 60.0)
        if noise and key not in {"work_rate_w", "speed_km_h", "grade_percent"}:
            values = values * (1 + noise * random.standard_normal(n))
        channels[key] = values
    series = Series(
        end_s=end,
        duration_s=np.full(n, row_s),
        channels=channels,
        phase=np.full(n, PHASES.index("exercise"), np.int8),
        stage=place.astype(np.int64) + 1,
        excluded=np.zeros(n, np.bool_),
    )
    notes = tuple(
        StageNote(stage=number, phase="exercise", time_s=None, lactate_mmol_l=value)
        for number, value in enumerate(lactates or [], start=1)
    )
    return TestInput(
        series=series,
        **{
            "mode": "cycle",
            "person": PERSON,
            "shape": "step",
            "notes": notes,
            "stop_reason": "legs",
            **fields,
        },
    )


def ride(watts: list[float], **more: Any) -> TestInput:
    """A cycle test at those work rates: 10 mL/min/W, a ratio rising from 0.82, heart rate 80 + 0.4 a watt."""
    stages = [
        {
            "work_rate_w": w,
            "vo2_ml_min": 450.0 + 10.0 * w,
            "vco2_ml_min": (0.82 + 0.0006 * w) * (450.0 + 10.0 * w),
            "ve_l_min": 10.0 + 0.25 * w,
            "heart_rate_bpm": 80.0 + 0.4 * w,
        }
        for w in watts
    ]
    return stage_test(stages, **more)
