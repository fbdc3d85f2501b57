"""Cautions name what was answered or noted, the list it is on, and who decides; they clear and diagnose nothing."""

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis.references import citation, cited_keys
from service.analysis.screening import (
    DECIDES,
    QUESTIONS,
    STOP_SIGNS,
    RestingValues,
    cautions_before,
    cautions_of_test,
)
from service.analysis.series import StageNote

QUIET = RestingValues(124.0, 78.0, 98.0)
NO = {name: "no" for name, one in QUESTIONS.items() if "no" in one.choices} | {
    "regular_activity": "yes",
    "intended_intensity": "vigorous",
}


def before(resting=QUIET, purpose="maximal", **changed):
    answers = [
        {"question": name, "answer": word} for name, word in {**NO, **changed}.items() if word is not None
    ]
    return cautions_before(answers, resting, purpose=purpose)


def codes(cautions, severity="warning"):
    return [one.code for one in cautions if one.severity == severity]


def decent(cautions):
    for one in cautions:
        assert one.text.endswith(DECIDES)
        assert not re.search(
            r"\bsafe|\bdiagnos|\bnormal|\babnormal|\bhealthy\b|\bfit for\b", one.text, re.IGNORECASE
        )
        assert cited_keys(one.source)
        assert citation(one.source)
        assert set(one.as_dict()) == {"text", "source", "severity", "code", "listed"}
    return cautions


def test_no_answer_on_a_list_is_no_clearance():
    (one,) = decent(before())
    assert one.severity == "info"
    assert "no clearance" in one.text


@pytest.mark.parametrize("name", [name for name, one in QUESTIONS.items() if one.group != "screening"])
@pytest.mark.parametrize("answer", ["yes", "unknown"])
def test_each_reason_not_to_start(name, answer):
    # The lists of the scientific statement, in own words (methods of the trade; from memory where the reference says so).
    found = decent(before(**{name: answer}))
    (one,) = [caution for caution in found if caution.severity == "warning"]
    assert one.listed == QUESTIONS[name].group
    assert QUESTIONS[name].text in one.text
    assert one.code == (name if answer == "yes" else f"unknown_{name}")


def test_the_absolute_ones_come_first():
    found = before(moderate_valve_stenosis="yes", aortic_dissection="yes")
    assert [one.listed for one in found] == ["absolute", "relative"]


# Published: screening of 2015 by activity, disease, symptoms and intensity (value from memory).
@pytest.mark.parametrize(
    ("changed", "code", "severity", "said"),
    [
        ({"symptoms": "yes"}, "screening_symptoms", "warning", "stopping exercise"),
        ({"symptoms": "yes", "regular_activity": "no"}, "screening_symptoms", "warning", "recommends medical clearance"),
        ({"symptoms": "yes", "known_disease": "yes", "intended_intensity": "light"}, "screening_symptoms", "warning", "any"),
        ({"known_disease": "yes", "regular_activity": "no", "intended_intensity": "light"},
         "screening_disease_inactive", "warning", "any intensity"),
        ({"known_disease": "yes"}, "screening_disease_vigorous", "warning", "none is recorded"),
        ({"known_disease": "yes", "cleared_within_12_months": "yes"}, "screening_disease_vigorous", "info", "answered yes"),
        ({"known_disease": "yes", "intended_intensity": "moderate"}, "screening_disease_active", "info", "does not ask"),
        ({"regular_activity": "no"}, "screening_inactive_vigorous", "warning", "begin with light to moderate"),
        ({"known_disease": "unknown"}, "screening_unknown", "warning", "known_disease"),
    ],
)  # fmt: skip
def test_the_published_screening(changed, code, severity, said):
    (one,) = [caution for caution in decent(before(**changed)) if caution.code.startswith("screening_")]
    assert (one.code, one.severity) == (code, severity)
    assert said in one.text
    assert one.source.startswith("riebe_2015")


def test_a_maximal_test_is_vigorous_exercise():
    changed = {"known_disease": "yes", "intended_intensity": None}
    assert "screening_disease_vigorous" in codes(before(**changed))
    assert "screening_disease_vigorous" not in codes(before(purpose="submaximal", **changed))


@pytest.mark.parametrize(
    ("resting", "expected"),
    [
        (RestingValues(201, 80, 98), ["resting_systolic_above_limit"]),
        (RestingValues(200, 110, 98), []),
        (RestingValues(150, 111, 98), ["resting_diastolic_above_limit"]),
        (RestingValues(120, 80, 85), ["resting_saturation_at_limit"]),
        (RestingValues(120, 80, 86), []),
        (RestingValues(120, 80, None), []),
    ],
)
def test_resting_values_against_published_limits(resting, expected):
    assert codes(decent(before(resting))) == expected


def test_what_was_not_measured_or_asked_is_said():
    found = decent(cautions_before([], None))
    assert {"no_resting_systolic", "no_resting_diastolic", "questions_not_answered"} <= set(
        codes(found, "info")
    )
    assert codes(found) == []


def test_a_medication_that_limits_the_heart_rate_is_no_caution_against_the_test_but_is_told():
    """That exertion and not heart rate guides exercise under a beta blocker: common practice, acsm_2021 from memory."""
    answers = [{"question": name, "answer": word} for name, word in NO.items()]
    without, with_it = (cautions_before(answers, QUIET, limits_heart_rate=limits) for limits in (False, True))
    decent(with_it)
    assert set(codes(with_it, "info")) - set(codes(without, "info")) == {"heart_rate_limited"}
    assert codes(with_it) == codes(without) == []


def test_words_that_are_no_answer_are_left_to_the_reader():
    found = decent(before(symptoms="sometimes", endocarditis="YES.", favourite_colour="green"))
    assert set(codes(found)) == {"not_understood_symptoms", "endocarditis"}
    assert "other_questions" in codes(found, "info")


def test_the_last_answer_to_a_question_counts():
    answers = [
        {"question": "Unstable angina", "answer": "yes"},
        {"question": "unstable-angina", "answer": "no"},
    ]
    assert "unstable_angina" not in codes(cautions_before(answers, QUIET))


@given(
    st.lists(
        st.fixed_dictionaries({"question": st.text(max_size=20), "answer": st.text(max_size=20)}), max_size=6
    )
)
@settings(max_examples=50, deadline=None)
def test_any_answers_give_decent_cautions(answers):
    decent(cautions_before(answers, RestingValues()))


# -- the record of a test ---------------------------------------------------------------------------------------------


def stage(n, **fields):
    return StageNote(
        n, fields.pop("phase", "exercise"), fields.pop("time_s", None), work_rate_w=50.0 * n, **fields
    )


@pytest.fixture
def noted(simulated_test):
    def make(*notes, **fields):
        return decent(cautions_of_test(replace(simulated_test(), notes=notes, **fields)))

    return make


def test_a_quiet_record_has_none(noted):
    first = stage(1, systolic_mmhg=140, diastolic_mmhg=80, heart_rate_bpm=110, symptoms="none")
    second = stage(2, systolic_mmhg=165, heart_rate_bpm=140, symptoms="no chest pain, no dizziness")
    notes = (first, second)
    assert noted(*notes) == ()
    assert noted() == ()


@pytest.mark.parametrize(
    ("pressures", "expected"),
    [
        ([(150, 80), (139, 80)], ["systolic_fall"]),
        ([(150, 80), (140, 80)], []),
        ([(240, 90), (251, 90)], ["systolic_above_stop_limit"]),
        ([(240, 90), (250, 115)], []),
        ([(200, 90), (210, 116)], ["diastolic_above_stop_limit"]),
    ],
)
def test_pressures_in_exercise(noted, pressures, expected):
    notes = [stage(n, systolic_mmhg=s, diastolic_mmhg=d) for n, (s, d) in enumerate(pressures, 1)]
    assert codes(noted(*notes)) == expected


def test_a_fall_below_the_resting_pressure(noted, simulated_test):
    person = replace(simulated_test().person, resting_systolic_mmhg=145.0)
    (one,) = noted(stage(1, systolic_mmhg=130), person=person)
    assert one.code == "systolic_fall"
    assert one.listed == "relative"


def test_a_fall_with_chest_pain_is_among_the_absolute_reasons(noted):
    found = noted(stage(1, systolic_mmhg=160), stage(2, systolic_mmhg=140, symptoms="chest pain, mild"))
    assert {one.code: one.listed for one in found} == {
        "systolic_fall": "absolute",
        "symptom_chest_pain": "absolute",
    }


def test_a_fall_after_exercise_is_none(noted):
    assert noted(stage(2, systolic_mmhg=190), stage(2, systolic_mmhg=150, phase="recovery")) == ()


@pytest.mark.parametrize(
    ("words", "code", "listed"),
    [
        ("Chest tightness", "symptom_chest_pain", "absolute"),
        ("left chest pain radiating to arm", "symptom_chest_pain", "absolute"),
        ("felt dizzy", "symptom_nervous_system", "absolute"),
        ("light-headed", "symptom_nervous_system", "absolute"),
        ("near fainting", "symptom_nervous_system", "absolute"),
        ("very pale", "symptom_poor_perfusion", "absolute"),
        ("nausea at the end", "symptom_nausea", "absolute"),
        ("palpitations", "symptom_rhythm", "absolute"),
        ("wheezing", "symptom_breath", "relative"),
        ("calf pain", "symptom_legs", "relative"),
        ("Schwindel", "symptom_other", None),
        ("no dizziness; chest pain", "symptom_chest_pain", "absolute"),
    ],
)
def test_symptoms_against_the_published_lists(noted, words, code, listed):
    (one,) = noted(stage(3, symptoms=words))
    assert (one.code, one.listed, one.severity) == (code, listed, "warning")
    assert words in one.text
    assert "in stage 3" in one.text


@pytest.mark.parametrize(
    "words", ["none", "No symptoms", "-", "  ", "denies chest pain", "without dizziness", "nil"]
)
def test_a_negation_is_no_symptom(noted, words):
    assert noted(stage(3, symptoms=words)) == ()


def test_symptoms_after_exercise_count_too(noted):
    (one,) = noted(StageNote(None, "recovery", 1000.0, symptoms="faint"))
    assert "in recovery" in one.text


def test_stopped_by_a_symptom_that_nobody_wrote_down(noted):
    assert codes(noted(stop_reason="symptom")) == ["stopped_by_symptom"]
    assert codes(noted(stage(3, symptoms="dizzy"), stop_reason="symptom")) == ["symptom_nervous_system"]


@pytest.mark.parametrize(
    ("beats", "expected"), [((120, 150, 138), ["heart_rate_falls"]), ((120, 150, 145), [])]
)
def test_a_heart_rate_that_falls_as_the_load_rises(noted, beats, expected):
    assert codes(noted(*(stage(n, heart_rate_bpm=beat) for n, beat in enumerate(beats, 1)))) == expected


def test_a_lower_load_may_lower_the_heart_rate(noted):
    assert noted(StageNote(1, "exercise", None, work_rate_w=150, heart_rate_bpm=160),
                 StageNote(2, "exercise", None, work_rate_w=50, heart_rate_bpm=120)) == ()  # fmt: skip


@pytest.mark.parametrize(("value", "n"), [(80.0, 1), (81.0, 0), (70.0, 1)])
def test_a_saturation_in_exercise(noted, simulated_test, with_series, value, n):
    assert len(noted(stage(3, spo2_percent=value))) == n
    test = simulated_test()
    values = np.full(len(test.series), 97.0)
    values[50:53] = value
    assert len(cautions_of_test(with_series(test, channels={"spo2_percent": values}))) == n


def test_notes_without_intervals_are_enough(make_test, no_intervals):
    test = make_test(no_intervals, notes=(stage(1, systolic_mmhg=160), stage(2, systolic_mmhg=262)))
    assert codes(cautions_of_test(test)) == ["systolic_above_stop_limit"]


def test_questions_are_in_the_form_of_a_catalogue():
    for name, one in QUESTIONS.items():
        told = one.as_dict()
        alone = {caution["answer"]: caution for caution in told.pop("cautions")}
        assert told == {
            "id": name,
            "text": one.text,
            "group": one.group,
            "choices": list(one.choices),
            "source": one.source,
            "judged": told["judged"],
        }
        # What an answer alone brings is what it brings in a visit.
        for answer, caution in alone.items():
            found = cautions_before([{"question": name, "answer": answer}])
            assert {key: value for key, value in caution.items() if key != "answer"} in [
                one.as_dict() for one in found
            ]
        assert sorted(alone) == ([] if one.group == "screening" else ["unknown", "yes"])
        assert one.text.endswith("?")
    groups = [one.group for one in QUESTIONS.values()]
    assert (groups.count("screening"), groups.count("absolute"), groups.count("relative")) == (5, 10, 8)


def test_a_stop_sign_is_read_again_as_what_it_is(make_test, no_intervals):
    """Written down with one touch, it is among the cautions of the record under its own name."""
    for sign in STOP_SIGNS:
        assert cited_keys(sign.source)
        if sign.written_as != "symptoms":
            continue
        (caution,) = cautions_of_test(make_test(no_intervals, notes=(stage(2, symptoms=sign.label),)))
        assert (caution.code, caution.listed) == (f"symptom_{sign.code}", sign.listed)


def test_the_stop_signs_are_those_of_the_published_lists():
    """Absolute and relative indications of the AHA's statement on exercise standards, 2013 (as quoted in published texts)."""
    of = {
        listed: {sign.code for sign in STOP_SIGNS if sign.listed == listed}
        for listed in ("absolute", "relative")
    }
    assert of["absolute"] >= {
        *(
            "chest_pain",
            "nervous_system",
            "poor_perfusion",
            "rhythm",
            "ecg",
            "monitoring_fails",
            "asks_to_stop",
        ),
    }
    assert of["relative"] >= {"systolic_fall", "pressure_above_limit", "breath", "legs"}
    order = [sign.listed for sign in STOP_SIGNS]
    assert order == sorted(order)
    assert len({sign.code for sign in STOP_SIGNS}) == len(STOP_SIGNS)
