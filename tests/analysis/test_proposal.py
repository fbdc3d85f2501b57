"""Proposed protocols last 8 to 12 minutes when walked through load by load, and say what they reckon with."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.proposal import LastPeak, propose
from service.analysis.references import citation
from service.analysis.series import Person
from service.errors import InvalidContent
from service.quantities import QUANTITIES
from service.reference.protocols import STANDARD_PROTOCOLS

MAN = Person(sex="male", age_years=35.0, body_mass_kg=75.0, height_cm=180.0)
WOMAN = Person(sex="female", age_years=68.0, body_mass_kg=70.0, height_cm=160.0)

people = st.builds(
    Person,
    sex=st.sampled_from(["female", "male"]),
    age_years=st.floats(18, 90),
    body_mass_kg=st.floats(42, 130),
    height_cm=st.floats(145, 205),
)


def ends_after_s(proposal, mode, mass):
    """Seconds of exercise until the load asks for the peak, load by load, by the printed equations."""
    peak, elapsed = proposal.expected_peak_vo2_ml_min, 0.0
    for stage in proposal.protocol.stages:
        if stage.phase != "exercise":
            continue
        if mode == "treadmill":
            metres, grade = stage.speed_km_h * 1000 / 60, stage.grade_percent / 100
            walks = stage.speed_km_h <= 6.0
            cost = 3.5 + (
                0.1 * metres + 1.8 * metres * grade if walks else 0.2 * metres + 0.9 * metres * grade
            )
            uptake = (0.869 * cost - 0.07) * mass
        else:
            per_watt = 10 if mode == "cycle" else 14
            at = stage.work_rate_w
            if stage.ramp_w_per_min:
                watts = (peak - 150 - 6 * mass) / per_watt - at
                return elapsed + watts / stage.ramp_w_per_min * 60
            uptake = 150 + 6 * mass + per_watt * at
        elapsed += stage.duration_s
        if uptake >= peak - 1e-6:
            return elapsed
    raise AssertionError("the protocol ends before the load that should end the test")


def tries(mode, person, last):
    try:
        return propose(mode, person, last)
    except InvalidContent:
        return ()  # what is refused has its own test


@given(people, st.one_of(st.none(), st.floats(12, 80)), st.sampled_from(["cycle", "treadmill", "row"]))
@settings(max_examples=150, deadline=None)
def test_exercise_should_last_eight_to_twelve_minutes(person, relative, mode):
    last = None if relative is None else LastPeak(relative * person.body_mass_kg)
    proposals = tries(mode, person, last)
    for proposal, shape in zip(proposals, ("ramp", "step"), strict=bool(proposals)):
        assert proposal.protocol.shape == shape
        assert 480 <= proposal.expected_duration_s <= 720
        seconds = ends_after_s(proposal, mode, person.body_mass_kg)
        held = [
            s.duration_s for s in proposal.protocol.stages if s.phase == "exercise" and not s.ramp_w_per_min
        ]
        longest = max(held, default=1.0)
        # The end falls somewhere in the stage that asks for the peak.
        assert seconds - longest - 1 <= proposal.expected_duration_s <= seconds + 1
        for stage in proposal.protocol.stages:
            for name in ("work_rate_w", "speed_km_h", "grade_percent"):
                value = getattr(stage, name)
                assert value is None or QUANTITIES[name].possible(value)
            if mode == "treadmill":
                assert stage.grade_percent <= 25
                assert stage.speed_km_h <= 30


@pytest.mark.parametrize("mode", ["cycle", "treadmill", "row"])
@pytest.mark.parametrize("person", [MAN, WOMAN], ids=["man of 35", "woman of 68"])
def test_a_proposal_has_the_form_of_a_protocol_and_its_sources(mode, person):
    for proposal in propose(mode, person):
        answer = proposal.as_dict()
        assert set(STANDARD_PROTOCOLS["bruce"].as_dict()) <= set(answer)
        assert answer["mode"] == mode
        assert answer["purpose"] == "maximal"
        assert len(answer["id"]) <= 64
        assert "Reckoned with" in answer["reason"]
        assert "local rules" in answer["caution"]
        assert "buchfuhrer_1983" in answer["sources"]
        for source in answer["sources"]:
            assert citation(source)
        phases = [stage["phase"] for stage in answer["stages"]]
        assert phases.index("warm_up") < phases.index("exercise") < phases.index("recovery")
        loads = [
            (stage["work_rate_w"] or 0, stage["speed_km_h"] or 0, stage["grade_percent"] or 0)
            for stage in answer["stages"]
            if stage["phase"] == "exercise"
        ]
        assert loads == sorted(set(loads))


def test_the_published_rule_for_the_cycle():
    # Value from memory: (height - age) x 20 is 2900; unloaded 150 + 6 x 75 is 600; 2300/100 is 23 W/min, near 25.
    ramp, steps = propose("cycle", MAN)
    assert ramp.expected_peak_vo2_ml_min == 2900
    assert ramp.protocol == STANDARD_PROTOCOLS["cycle_ramp_25"]
    assert ramp.expected_duration_s == pytest.approx(230 / 25 * 60)
    assert ramp.expected_work_rate_w == pytest.approx(230)
    assert steps.protocol.stages[0].phase == "warm_up"


def test_the_last_peak_wins_over_the_predicted_one():
    measured, _ = propose("cycle", MAN, LastPeak(4600.0))
    assert "measured peak of the last test, 4600" in measured.reason
    assert measured.protocol.stages[2].ramp_w_per_min == 40
    by_load, _ = propose("cycle", MAN, LastPeak(work_rate_w=400.0))
    assert by_load.protocol == measured.protocol
    assert "400 W" in by_load.reason
    estimated, _ = propose("cycle", MAN, LastPeak(4600.0, basis="estimated"))
    assert "estimated peak" in estimated.reason
    # What an ergometer says of a watt says nothing of a treadmill.
    assert "predicted peak" in propose("treadmill", MAN, LastPeak(work_rate_w=400.0))[0].reason


def test_the_weak_walk_and_the_strong_run():
    walk, _ = propose("treadmill", WOMAN)
    run, _ = propose("treadmill", MAN, LastPeak(4500.0))
    assert {stage.speed_km_h for stage in walk.protocol.stages if stage.phase == "exercise"} <= {
        2.4,
        3.2,
        4.0,
    }
    assert {stage.grade_percent for stage in run.protocol.stages if stage.phase == "exercise"} == {1.0}
    assert walk.protocol.family == "treadmill_walk_ramp"
    assert run.protocol.family == "treadmill_run_ramp"


def test_rowing_goes_by_steps_of_three_minutes():
    ramp, steps = propose("row", MAN)
    assert {stage.duration_s for stage in ramp.protocol.stages if stage.phase == "exercise"} == {30}
    assert {stage.duration_s for stage in steps.protocol.stages if stage.phase == "exercise"} == {180}
    assert any("default of this project" in source for source in steps.sources)


@pytest.mark.parametrize(
    ("mode", "person", "last", "location"),
    [
        ("ski", MAN, None, "mode"),
        ("arm", MAN, None, "mode"),
        ("run", MAN, None, "mode"),
        ("cycle", replace(MAN, body_mass_kg=None), LastPeak(3000.0), "person.body_mass_kg"),
        ("cycle", replace(MAN, height_cm=None), None, "person.height_cm"),
        ("treadmill", replace(MAN, sex=None), None, "person.sex"),
        ("treadmill", replace(MAN, age_years=None), None, "person.age_years"),
        ("cycle", replace(MAN, age_years=12.0), None, "person.age_years"),
        ("cycle", MAN, LastPeak(300.0), "last_peak"),
        ("cycle", MAN, LastPeak(9000.0), "last_peak"),
        ("cycle", replace(MAN, body_mass_kg=150.0), LastPeak(1210.0), "last_peak"),
    ],
)
def test_what_cannot_be_proposed_names_what_is_missing(mode, person, last, location):
    with pytest.raises(InvalidContent) as refusal:
        propose(mode, person, last)
    assert [place.location for place in refusal.value.errors] == [location]
    assert str(refusal.value).startswith("No protocol can be proposed")


def test_a_child_with_a_last_peak_gets_a_proposal():
    assert len(propose("cycle", replace(MAN, age_years=12.0, body_mass_kg=40.0), LastPeak(1800.0))) == 2
