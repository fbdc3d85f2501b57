"""What comes before a test: protocol, questions, cautions that are read, and the planned test that follows."""

import re

import pytest

from service.analysis.screening import QUESTIONS
from service.reference.protocols import STANDARD_PROTOCOLS

#: Every question answered so that no published list names an answer.
QUIET = {f"question_{name}": "no" for name, one in QUESTIONS.items() if "no" in one.choices} | {
    "question_regular_activity": "yes",
    "question_intended_intensity": "vigorous",
    "resting_systolic_mmhg": "124",
    "resting_diastolic_mmhg": "78",
}


@pytest.fixture
def visit(laboratory):
    return laboratory.visit(laboratory.subject()["id"])


@pytest.fixture
def desk(browser, tester_key, visit, typed_in):
    """Sends the form of the visit as its page before holds it, with what was typed over it."""
    one = browser(tester_key)
    address = f"/visits/{visit['id']}/prepare"

    def send(before=None, *, step="look", **typed):
        held = typed_in(before if before is not None else one.get(address).text)
        return one.post(address, data=held | {"step": step} | typed)

    send.browser, send.address = one, address
    return send


def read(laboratory, visit):
    return laboratory.client.get(f"/v1/visits/{visit['id']}").json()


def the_test(laboratory, visit):
    (test_id,) = read(laboratory, visit)["tests"]
    return laboratory.client.get(f"/v1/tests/{test_id}").json()


def test_nothing_is_chosen_or_answered_at_the_start(desk):
    text = desk.browser.get(desk.address).text
    assert "Choose the mode first" in text
    assert "Nothing is answered yet" in text
    for name, question in QUESTIONS.items():
        assert question.text in text
        assert f'name="question_{name}" value="" checked' in text
    assert "<script" not in text.split("<main")[1]


@pytest.mark.parametrize("mode", ["cycle", "treadmill", "row"])
def test_protocols_of_the_mode_with_their_proposal_stages_and_source(desk, laboratory, visit, mode):
    text = desk(mode=mode).text
    proposed = laboratory.client.post(
        "/v1/protocols/propose", json={"subject_id": visit["subject_id"], "mode": mode}
    ).json()["items"]
    for one in proposed:
        assert one["reason"].replace("'", "&#39;") in text
        assert f'name="protocol" value="{one["id"]}"' in text
    assert proposed[0]["caution"] in text
    for one in STANDARD_PROTOCOLS.values():
        assert (f'name="protocol" value="{one.id}"' in text) == (one.mode == mode)
    assert "Buchfuhrer" in text


def test_without_a_rule_or_a_body_mass_it_says_why_nothing_is_proposed(desk, laboratory, visit):
    assert "there is no rule to propose by" in desk(mode="ski").text
    laboratory.client.patch(f"/v1/visits/{visit['id']}", json={"body_mass_kg": None})
    assert "the record has no body_mass_kg" in desk(mode="cycle").text


def test_the_proposal_is_for_the_body_mass_of_this_visit(desk, laboratory, visit):
    laboratory.visit(visit["subject_id"], started_at="2026-05-14T09:30:00+01:00", body_mass_kg=None)
    assert "the record has no" not in desk(mode="treadmill").text
    later = laboratory.visit(visit["subject_id"], started_at="2026-06-14T09:30:00+01:00", body_mass_kg=50.0)
    told = {
        mass: desk.browser.get(f"/visits/{of['id']}/prepare?mode=treadmill").text
        for mass, of in ((75.0, visit), (50.0, later))
    }
    reckoned = {
        mass: float(re.search(r"age, sex and body mass, (\d+) mL/min", text)[1])
        for mass, text in told.items()
    }
    assert reckoned[50.0] < 0.85 * reckoned[75.0]


def test_the_mode_of_the_last_test_stands_in_the_form(desk, laboratory, visit):
    laboratory.planned(visit["id"], mode="cycle", shape="ramp", ergometer="bicycle 2")
    text = desk.browser.get(desk.address).text
    assert '<option value="cycle" selected>' in text
    assert '<option value="bicycle 2">' in text
    assert "This visit has a test that waits" in text
    assert '<option value="treadmill" selected>' in desk.browser.get(f"{desk.address}?mode=treadmill").text


def test_a_planned_test_is_made_with_all_that_was_chosen(desk, laboratory, visit):
    answer = desk(
        step="make",
        mode="cycle",
        protocol="cycle_ramp_20",
        reason_for_test="training ranges",
        ergometer="bicycle 2",
        analyser="analyser 1",
        interface="mask",
        rpe_scale="6-20",
        consent_given_at="2026-03-14T09:20",
        cleared_by="the physician of the day",
        **QUIET,
    )
    test = the_test(laboratory, visit)
    assert answer.status_code == 303
    assert answer.headers["location"] == f"/tests/{test['id']}/record"
    expected = {
        "mode": "cycle",
        "protocol_id": "cycle_ramp_20",
        "shape": "ramp",
        "purpose": "maximal",
        "status": "planned",
        "reason_for_test": "training ranges",
        "ergometer": "bicycle 2",
        "analyser": "analyser 1",
        "interface": "mask",
        "handrail_support": None,
        "rpe_scale": "6-20",
        "cautions_acknowledged_by": None,
    }
    assert {name: test[name] for name in expected} == expected
    stored = read(laboratory, visit)
    assert stored["resting_systolic_mmhg"] == 124.0
    assert stored["pre_test"]["consent_given_at"] == "2026-03-14T08:20:00Z"
    assert stored["pre_test"]["cleared_by"] == "the physician of the day"
    assert {one["question"]: one["answer"] for one in stored["pre_test"]["answers"]} == {
        name.removeprefix("question_"): word for name, word in QUIET.items() if name.startswith("question_")
    }
    assert [one for one in stored["cautions"] if one["severity"] == "warning"] == []


def test_a_warning_is_shown_and_must_be_read_before_the_test_is_made(desk, laboratory, visit, at_field):
    typed = {"mode": "treadmill", "protocol": "bruce", **QUIET, "question_symptoms": "yes"}
    unseen = desk(step="make", acknowledged="true", acknowledged_by="Kim", **typed)
    assert unseen.status_code == 422
    assert "read them as they are now" in at_field(unseen.text, "acknowledged")
    assert read(laboratory, visit)["tests"] == []
    looked = desk(unseen.text, acknowledged="")
    assert "Symptoms were answered yes" in looked.text
    assert "recommends stopping exercise and medical clearance" in looked.text
    unread = desk(looked.text, step="make")
    assert unread.status_code == 422
    assert "tick this" in at_field(unread.text, "acknowledged")
    nobody = desk(looked.text, step="make", acknowledged="true", acknowledged_by="")
    assert "who read" in at_field(nobody.text, "acknowledged_by")
    assert read(laboratory, visit)["tests"] == []
    made = desk(looked.text, step="make", acknowledged="true", acknowledged_by="Kim")
    test = the_test(laboratory, visit)
    assert made.headers["location"] == f"/tests/{test['id']}/record"
    assert test["cautions_acknowledged_by"] == "Kim"
    assert test["cautions_acknowledged_at"].endswith("Z")
    assert "screening_symptoms" in test["cautions_acknowledged"]


def test_what_was_read_is_only_what_was_shown(desk, laboratory, visit, at_field):
    typed = {"mode": "treadmill", **QUIET, "question_symptoms": "yes"}
    looked = desk(**typed)
    answer = desk(
        looked.text,
        step="make",
        acknowledged="true",
        acknowledged_by="Kim",
        question_unstable_angina="yes",
    )
    assert "read them as they are now" in at_field(answer.text, "acknowledged")
    assert "Unstable angina of high risk" in answer.text
    assert read(laboratory, visit)["tests"] == []
    assert desk(answer.text, step="make").status_code == 303


def test_answers_are_kept_without_a_test_and_stand_there_again(desk, laboratory, visit, typed_in):
    other = {"question": "last cigarette", "answer": "yesterday <script>"}
    odd = {"question": "impairment", "answer": "perhaps the left knee"}
    body = {"answers": [other, odd], "consent_given_at": "2026-03-14T08:20:30Z", "cleared_by": "B"}
    laboratory.client.put(f"/v1/visits/{visit['id']}/pre-test", json=body)
    kept = desk(step="keep", question_known_disease="yes", resting_heart_rate_bpm="61")
    assert kept.headers["location"] == f"{desk.address}#cautions"
    stored = read(laboratory, visit)
    assert stored["tests"] == []
    assert stored["resting_heart_rate_bpm"] == 61.0
    assert stored["pre_test"]["consent_given_at"] == "2026-03-14T08:20:30Z"
    assert stored["pre_test"]["answers"] == [
        {"question": "known_disease", "answer": "yes"},
        odd,
        other,
    ]
    text = desk.browser.get(desk.address).text
    held = typed_in(text)
    assert held["question_known_disease"] == "yes"
    assert held["question_impairment"] == "perhaps the left knee"
    assert held["resting_heart_rate_bpm"] == "61"
    assert held["cleared_by"] == "B"
    assert "A disease is known" in text
    assert "yesterday &lt;script&gt;" in text


def test_the_open_reasons_not_to_start_are_answered_no_at_once_and_only_they(desk, typed_in):
    answered = typed_in(desk(step="no_absolute", question_endocarditis="unknown").text)
    for name, one in QUESTIONS.items():
        expected = "no" if one.group == "absolute" else ""
        if name == "endocarditis":
            expected = "unknown"
        assert answered[f"question_{name}"] == expected


def test_a_medication_that_limits_the_heart_rate_is_taken_into_account(desk, laboratory, visit):
    assert "No medication is recorded" in desk().text
    laboratory.client.patch(
        f"/v1/visits/{visit['id']}",
        json={"medications": [{"name": "a beta blocker", "dose": "50 mg", "limits_heart_rate": True}]},
    )
    text = desk().text
    assert "a beta blocker, 50 mg" in text
    assert "go by perceived exertion and symptoms" in text.replace("\n", " ")
    assert f"/visits/{visit['id']}/edit" in text


def test_a_proposed_protocol_is_kept_with_the_test_that_follows_it(desk, laboratory, visit):
    proposed = laboratory.client.post(
        "/v1/protocols/propose", json={"subject_id": visit["subject_id"], "mode": "treadmill"}
    ).json()["items"][1]
    for _ in range(2):
        answer = desk(step="make", mode="treadmill", protocol=proposed["id"], **QUIET)
        assert answer.status_code == 303, answer.text
    feed = laboratory.client.get("/v1/changes").json()["items"]
    told = [(one["kind"], one["action"]) for one in feed if one["kind"] in {"protocol", "test"}]
    assert told == [("protocol", "created"), ("test", "created"), ("test", "created")]
    first, second = (
        laboratory.client.get(f"/v1/tests/{test_id}").json() for test_id in read(laboratory, visit)["tests"]
    )
    assert first["protocol_id"] == second["protocol_id"] == proposed["id"]
    assert first["shape"] == "step"
    stored = laboratory.client.get(f"/v1/protocols/{proposed['id']}").json()
    assert stored["stages"] == proposed["stages"]
    own = [one["id"] for one in laboratory.client.get("/v1/protocols").json()["items"]]
    assert len(own) == len(STANDARD_PROTOCOLS) + 1


def test_a_proposal_under_the_id_of_another_gets_one_of_its_own(desk, laboratory, visit):
    proposed = laboratory.client.post(
        "/v1/protocols/propose", json={"subject_id": visit["subject_id"], "mode": "treadmill"}
    ).json()["items"][1]
    fields = ("id", "name", "family", "mode", "shape", "purpose", "source")
    shorter = {name: proposed[name] for name in fields} | {"stages": proposed["stages"][:2]}
    assert laboratory.client.post("/v1/protocols", json=shorter).status_code == 201
    assert desk(step="make", mode="treadmill", protocol=proposed["id"], **QUIET).status_code == 303
    test = the_test(laboratory, visit)
    assert test["protocol_id"] == f"{proposed['id']}_2"
    stored = laboratory.client.get(f"/v1/protocols/{test['protocol_id']}").json()
    assert stored["stages"] == proposed["stages"]


def test_the_purpose_is_that_of_the_protocol_unless_it_is_chosen(desk, laboratory, visit):
    assert desk(step="make", mode="cycle", protocol="ymca_cycle_300", **QUIET).status_code == 303
    assert the_test(laboratory, visit)["purpose"] == "submaximal"


def test_a_verification_bout_names_what_it_verifies(desk, laboratory, visit):
    main = laboratory.complete(visit["id"])
    text = desk.browser.get(desk.address).text
    assert f'<option value="{main["id"]}">' in text
    typed = {"mode": "treadmill", "purpose": "verification", "verifies_test_id": main["id"]}
    made = desk(step="make", **typed, **QUIET).headers["location"]
    test = laboratory.client.get(made.replace("/tests", "/v1/tests").removesuffix("/record")).json()
    assert (test["purpose"], test["verifies_test_id"]) == ("verification", main["id"])


REFUSED = [
    ({"mode": ""}, "mode", "choose one"),
    ({"mode": "flying"}, "mode", "treadmill"),
    ({"purpose": "<script>"}, "purpose", "maximal"),
    ({"resting_systolic_mmhg": "1240"}, "resting_systolic_mmhg", "not possible"),
    ({"resting_heart_rate_bpm": "slow"}, "resting_heart_rate_bpm", "must be a number"),
    ({"consent_given_at": "today"}, "consent_given_at", "such as"),
    ({"consent_given_at": "2026-13-14T09:20"}, "consent_given_at", "date"),
    ({"cleared_by": "c" * 201}, "cleared_by", "at most 200"),
    ({"ergometer": "e" * 201}, "ergometer", "at most 200"),
    ({"reason_for_test": "r" * 10_001}, "reason_for_test", "at most"),
    ({"handrail_support": "a little"}, "handrail_support", "yes or no"),
    ({"rpe_scale": "1-5"}, "rpe_scale", "6-20"),
]


def test_what_is_refused_is_told_at_its_field(desk, laboratory, visit, at_field):
    before = read(laboratory, visit)
    for typed, name, told in REFUSED:
        answer = desk(step="make", **{"mode": "treadmill", "analyser": "kept"} | QUIET | typed)
        assert answer.status_code == 422, typed
        assert told in at_field(answer.text, name)
        assert 'value="kept"' in answer.text
        assert "Nothing is answered yet" not in answer.text
        assert 'name="question_regular_activity" value="yes" checked' in answer.text
        assert "<script" not in answer.text.split("<main")[1]
        assert read(laboratory, visit) == before


def test_a_choice_that_is_not_offered_is_refused(desk, laboratory, visit):
    before = read(laboratory, visit)
    for typed, told in (
        ({"protocol": "cycle_ramp_20"}, "none of the protocols of this mode"),
        ({"protocol": "<b>"}, "none of the protocols of this mode"),
        ({"question_symptoms": "a bit"}, "choose one of the answers"),
        ({"verifies_test_id": "nothing"}, "no other test"),
        ({"step": "start"}, "no such step"),
    ):
        answer = desk(**{"mode": "treadmill", "step": "make"} | QUIET | typed)
        assert answer.status_code == 422, typed
        assert told in answer.text
        assert read(laboratory, visit) == before


def test_a_record_that_changed_in_between_is_not_written(desk, laboratory, visit):
    opened = desk(mode="treadmill", **QUIET).text
    laboratory.client.patch(f"/v1/visits/{visit['id']}", json={"body_mass_kg": 80.0})
    answer = desk(opened, step="make")
    assert answer.status_code == 412
    assert "changed since you opened the form" in answer.text
    assert read(laboratory, visit)["tests"] == []


def test_nothing_says_that_a_test_is_safe(desk):
    for text in (desk(mode="cycle", **QUIET).text, desk(mode="cycle", question_symptoms="yes").text):
        words = text.split("<main")[1].lower()
        assert "safe" not in words
        assert "no answer is a clearance" in words


def test_who_may_not_write_prepares_nothing(browser, reader_key, store, make_key, visit, laboratory):
    address = f"/visits/{visit['id']}/prepare"
    one = browser(reader_key)
    assert one.get(address).status_code == 403
    assert address not in one.get(f"/people/{visit['subject_id']}").text
    other = laboratory.subject(code="X-9")
    coach = browser(make_key(store, "coach", "tester", subject_codes=[other["code"]]))
    assert coach.get(address).status_code == 404
