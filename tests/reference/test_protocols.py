"""Standard protocols: complete, plausible, and equal to the printed stage tables."""

import pint
import pytest

from service.analysis.references import REFERENCES
from service.methods.metabolic_equations import acsm_running, acsm_walking
from service.methods.method import COMMON_PRACTICE
from service.quantities import QUANTITIES
from service.reference.protocols import STANDARD_PROTOCOLS, load_protocols

ALL = list(STANDARD_PROTOCOLS.values())


@pytest.mark.parametrize("protocol", ALL, ids=lambda protocol: protocol.id)
def test_a_protocol_is_complete(protocol):
    assert protocol.source in REFERENCES or protocol.source == COMMON_PRACTICE
    assert protocol.purpose == (
        "submaximal" if protocol.family in {"ymca_cycle", "astrand_cycle"} else "maximal"
    )
    exercise = [stage for stage in protocol.stages if stage.phase == "exercise"]
    assert exercise
    for stage in protocol.stages:
        assert stage.duration_s > 0
        for name in ("work_rate_w", "speed_km_h", "grade_percent", "cadence_per_min"):
            value = getattr(stage, name)
            assert value is None or QUANTITIES[name].possible(value)
    if protocol.mode in {"treadmill", "run"}:
        assert all(stage.speed_km_h and stage.grade_percent is not None for stage in exercise)
    else:
        assert all(stage.work_rate_w is not None for stage in exercise)
    assert (protocol.shape == "ramp") == any(stage.ramp_w_per_min for stage in exercise)


@pytest.mark.parametrize("protocol", ALL, ids=lambda protocol: protocol.id)
def test_the_load_never_falls_during_exercise(protocol):
    exercise = [stage for stage in protocol.stages if stage.phase == "exercise"]
    if protocol.mode in {"treadmill", "run"}:
        cost = [acsm_walking(stage.speed_km_h, stage.grade_percent) for stage in exercise]
    else:
        cost = [stage.work_rate_w for stage in exercise]
    assert cost == sorted(set(cost))


def test_ids_are_unique_and_the_resource_has_its_fields():
    assert len(load_protocols()) == len(STANDARD_PROTOCOLS)
    assert set(STANDARD_PROTOCOLS["bruce"].as_dict()) == {
        "id",
        "name",
        "family",
        "mode",
        "shape",
        "purpose",
        "source",
        "stages",
    }


def test_the_printed_stages_of_bruce():
    # Published: 3 min each, mph and per cent; the stages after the seventh circulate.
    printed = [
        (1.7, 10),
        (2.5, 12),
        (3.4, 14),
        (4.2, 16),
        (5.0, 18),
        (5.5, 20),
        (6.0, 22),
        (6.5, 24),
        (7.0, 26),
        (7.5, 28),
    ]
    mile = pint.UnitRegistry()("1 mile").to("km").magnitude
    for protocol_id, first in (("bruce", 0), ("modified_bruce", 2)):
        stages = STANDARD_PROTOCOLS[protocol_id].stages[first:]
        assert [stage.speed_km_h for stage in stages] == pytest.approx([mph * mile for mph, _ in printed])
        assert [stage.grade_percent for stage in stages] == [grade for _, grade in printed]
        assert {stage.duration_s for stage in stages} == {180}


def test_the_computed_cost_of_the_stages_of_bruce():
    # Arithmetic from the ACSM equations, METs: walking to stage 3, running from stage 4.
    stages = STANDARD_PROTOCOLS["bruce"].stages[:7]
    walked = [acsm_walking(stage.speed_km_h, stage.grade_percent) / 3.5 for stage in stages[:3]]
    run = [acsm_running(stage.speed_km_h, stage.grade_percent) / 3.5 for stage in stages[3:]]
    assert [*walked, *run] == pytest.approx([4.6, 7.1, 10.2, 12.1, 14.9, 17.0, 19.3], abs=0.06)


def test_balke_and_ware_rise_by_a_per_cent_a_minute():
    # Published: 3.3 mph, 0 % in minute 1, 2 % in minute 2, then 1 % a minute; at 25 % 0.2 mph a minute.
    stages = STANDARD_PROTOCOLS["balke_ware_men"].stages
    assert [stage.grade_percent for stage in stages[:5]] == [0, 2, 3, 4, 5]
    assert stages[24].grade_percent == 25
    assert stages[25].speed_km_h - stages[24].speed_km_h == pytest.approx(0.2 * 1.609344)


@pytest.mark.parametrize("rate", [10, 15, 20, 25, 30])
def test_ramps(rate):
    protocol = STANDARD_PROTOCOLS[f"cycle_ramp_{rate}"]
    assert protocol.family == "cycle_ramp"
    assert [stage.ramp_w_per_min for stage in protocol.stages if stage.phase == "exercise"] == [rate]


@pytest.mark.parametrize(
    ("second", "heart_rate"), [(750, "below 80"), (600, "80 to 89"), (450, "90 to 100"), (300, "above 100")]
)
def test_the_branches_of_the_ymca_test(second, heart_rate):
    # Published: first stage 150 kgm/min, the second by heart rate; then 150 kgm/min a stage (value from memory).
    protocol = STANDARD_PROTOCOLS[f"ymca_cycle_{second}"]
    assert heart_rate in protocol.notes
    assert {stage.duration_s for stage in protocol.stages} == {180}
    per_watt = pint.UnitRegistry()("1 W").to("kilogram_force * meter / minute").magnitude
    assert [stage.work_rate_w * per_watt for stage in protocol.stages] == pytest.approx(
        [150, second, second + 150, second + 300]
    )


def test_astrand_and_ryhming_hold_one_load_for_six_minutes():
    loads = {int(one.id.rpartition("_")[2]): one for one in ALL if one.family == "astrand_cycle"}
    assert set(loads) == {300, 450, 600, 900}
    for kgm, protocol in loads.items():
        (stage,) = protocol.stages
        assert (stage.duration_s, stage.cadence_per_min) == (360, 50)
        assert stage.work_rate_w == pytest.approx(kgm * 9.80665 / 60)


def test_the_shuttle_run_grows_by_half_a_kilometre_an_hour():
    # Published: 8 + 0.5 n km/h in stage n, a minute each.
    stages = STANDARD_PROTOCOLS["shuttle_20m"].stages
    assert [stage.speed_km_h for stage in stages] == [8 + 0.5 * n for n in range(1, 22)]
    assert {stage.duration_s for stage in stages} == {60}


@pytest.mark.parametrize("step", [20, 40])
def test_rowing_in_steps_is_common_practice(step):
    protocol = STANDARD_PROTOCOLS[f"row_step_{step}w_3min"]
    assert protocol.source == COMMON_PRACTICE
    exercise = [stage for stage in protocol.stages if stage.phase == "exercise"]
    assert {stage.duration_s for stage in exercise} == {180}
