"""Efficiency and economy: from steady stages only, with arithmetic and reasons."""

from dataclasses import replace

import pytest

from service.analysis.loads import find_loads
from service.analysis.marks import find_marks
from service.analysis.steady_state import find_steady_state
from tests.analysis.stage_tests import PERSON, ride, stage_test


def steady_of(test):
    return find_steady_state(test, find_loads(test, find_marks(test)))


def worked(**more):
    """The worked example of four stages."""
    rows = ((50, 950, 0.85), (100, 1450, 0.88), (150, 1950, 0.91), (200, 2450, 0.95))
    return stage_test(
        [{"work_rate_w": w, "vo2_ml_min": vo2, "vco2_ml_min": r * vo2} for w, vo2, r in rows], **more
    )


def test_efficiency_of_four_steady_stages():
    found = steady_of(worked())
    # Arithmetic: gross 0.2230 at 150 W, delta 0.2834.
    assert found.gross_efficiency[2].gross_efficiency_percent == pytest.approx(22.30, abs=0.005)
    assert found.delta_efficiency_percent == pytest.approx(28.34, abs=0.005)
    assert found.delta_ci_low_percent < found.delta_efficiency_percent < found.delta_ci_high_percent
    assert "on an ergometer" in found.reasons["economy_ml_kg_km"]
    told = found.as_dict()
    assert told["gross_efficiency_work_rate_w"] == 200
    assert told["energy_equation"] == "weir_kcal_min"
    assert told["sources"]["delta_efficiency_percent"] == "gaesser_1975"


def test_only_steady_stages_count():
    # The last two stages pass a ratio of 1.0.
    found = steady_of(ride([100, 150, 200, 310, 340]))
    assert [one.work_rate_w for one in found.gross_efficiency] == [100, 150, 200]
    assert [one.steady for one in found.stages] == [True, True, True, False, False]


@pytest.mark.parametrize(
    ("test", "gross", "delta"),
    [
        (ride([100, 150, 200], stage_s=120), "lasted 120 s", "lasted 120 s"),
        (ride([310, 340, 370]), "exchange ratio", "exchange ratio"),
        (ride([100, 150]), None, "2 steady stages have work"),
        (ride([200, 150, 100]), None, "never rises"),
        (ride([100, 150, 200], row_s=60), "too few to tell", "too few to tell"),
    ],
)
def test_what_cannot_be_had_says_why(test, gross, delta):
    found = steady_of(test)
    assert found.delta_efficiency_percent is None
    assert delta in found.reasons["delta_efficiency_percent"]
    if gross is None:
        assert found.gross_efficiency
    else:
        assert not found.gross_efficiency
        assert gross in found.reasons["gross_efficiency_percent"]
    assert found.as_dict()["reason"]


def test_a_ramp_has_no_steady_state(simulated_test):
    found = steady_of(simulated_test())
    assert "no stages of constant load (ramp)" in found.reasons["gross_efficiency_percent"]


def test_economy_of_running():
    speeds = [10, 12, 14]
    stages = [
        {"speed_km_h": v, "grade_percent": 1.0, "vo2_ml_min": 75 * 3.4 * v, "vco2_ml_min": 0.9 * 75 * 3.4 * v}
        for v in speeds
    ]
    found = steady_of(stage_test(stages, mode="treadmill"))
    # 3.4 mL/kg/min for each km/h is 204 mL/kg/km at any speed.
    assert [one.economy_ml_kg_km for one in found.economy] == pytest.approx([204.0] * 3)
    assert [one.vo2_ml_kg_min for one in found.economy] == pytest.approx([34.0, 40.8, 47.6])
    assert {one.gait for one in found.economy} == {"running"}
    assert {one.grade_percent for one in found.economy} == {1.0}
    assert "work done is not known" in found.reasons["delta_efficiency_percent"]
    told = found.as_dict()
    assert told["economy_speed_km_h"] == 14
    light = stage_test(stages, mode="treadmill", person=replace(PERSON, body_mass_kg=None))
    assert "no body mass" in steady_of(light).reasons["economy_ml_kg_km"]
    held = stage_test(stages, mode="treadmill", handrail_support=True)
    assert "handrail" in steady_of(held).reasons["economy_ml_kg_km"]
