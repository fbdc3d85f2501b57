"""The clock of a recording: its marks, what they set in the test, and where a test is at a moment."""

import json
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.recordings.queries import Mark
from service.recordings.schemas import StepOut
from service.recordings.workflow import standing

ZERO = datetime(2026, 3, 14, 9, 40, tzinfo=UTC)
CASES = json.loads((Path(__file__).parents[1] / "pages" / "standing_cases.json").read_text())


def at(seconds: float) -> str:
    """A moment on the clock of the tests below, in the offset of the laboratory."""
    moment = (ZERO + timedelta(seconds=seconds)).isoformat(timespec="milliseconds")
    return moment.replace("+00:00", "Z")


def mark(kind: str, seconds: float, **fields):
    return {"kind": kind, "at": at(seconds), **fields}


BEGUN = [mark("clock_started", 0), mark("stage_started", 0, phase="warm_up")]
IN_EXERCISE = [*BEGUN, mark("stage_started", 180.5, phase="exercise", stage=1)]
ENDED = [*IN_EXERCISE, mark("exercise_ended", 840.25, stop_reason="legs", stop_note="heavy legs")]


@pytest.fixture
def test(laboratory):
    visit = laboratory.visit(laboratory.subject()["id"])
    return laboratory.planned(visit["id"], protocol_id="bruce", stop_reason=None)


@pytest.fixture
def send_marks(client, test):
    def send(marks, **more):
        return client.post(f"/v1/tests/{test['id']}/marks", json=marks, **more)

    return send


def test_marks_set_begin_end_and_reason(client, test, send_marks):
    assert send_marks(BEGUN).json()["status"] == "recording"
    answer = send_marks(ENDED)
    assert answer.status_code == 200
    told = answer.json()
    assert (told["exercise_start_s"], told["exercise_end_s"]) == (180.5, 840.25)
    assert (told["stop_reason"], told["stop_note"]) == ("legs", "heavy legs")
    stored = client.get(f"/v1/tests/{test['id']}").json()
    assert datetime.fromisoformat(stored["started_at"]) == ZERO
    assert [stored[name] for name in ("exercise_start_s", "exercise_end_s", "stop_reason")] == [
        180.5,
        840.25,
        "legs",
    ]
    assert [(one["kind"], one["time_s"], one["by"]) for one in told["marks"]] == [
        ("clock_started", 0.0, "tester"),
        ("stage_started", 0.0, "tester"),
        ("stage_started", 180.5, "tester"),
        ("exercise_ended", 840.25, "tester"),
    ]
    assert client.get(f"/v1/tests/{test['id']}/recording").json()["marks"] == told["marks"]


def test_a_mark_keeps_the_offset_it_was_given_with(send_marks):
    told = send_marks([{"kind": "clock_started", "at": "2026-03-14T10:40:00.125+01:00"}]).json()
    assert told["marks"][0]["at"] == "2026-03-14T10:40:00.125000+01:00"
    assert told["clock_started_at"] == "2026-03-14T10:40:00.125000+01:00"


def test_a_mark_taken_back_stays_and_no_longer_counts(client, test, send_marks):
    send_marks(ENDED)
    told = send_marks([mark("exercise_ended", 840.25, counts=False)]).json()
    assert (told["exercise_end_s"], told["stop_reason"], told["stop_note"]) == (None, None, None)
    assert [one["counts"] for one in told["marks"]] == [True, True, True, False]
    assert told["marks"][-1]["stop_reason"] == "legs"
    again = send_marks([mark("exercise_ended", 900, stop_reason="exhaustion")]).json()
    assert (again["exercise_end_s"], again["stop_reason"]) == (900.0, "exhaustion")


def test_the_reason_may_follow_the_end(client, test, send_marks):
    send_marks([*IN_EXERCISE, mark("exercise_ended", 700)])
    told = send_marks([mark("exercise_ended", 700, stop_reason="breath")]).json()
    assert (told["exercise_end_s"], told["stop_reason"], len(told["marks"])) == (700.0, "breath", 4)


def test_what_was_set_by_hand_stays_where_no_mark_speaks_of_it(client, test, send_marks):
    client.patch(f"/v1/tests/{test['id']}", json={"exercise_end_s": 900.0, "stop_reason": "tester"})
    told = send_marks(IN_EXERCISE).json()
    assert (told["exercise_start_s"], told["exercise_end_s"], told["stop_reason"]) == (180.5, 900.0, "tester")


def test_sent_again_stores_nothing(client, test, send_marks):
    send_marks(ENDED)
    feed = client.get("/v1/changes").json()["next_since"]
    tag = client.get(f"/v1/tests/{test['id']}").headers["etag"]
    assert send_marks(ENDED).status_code == 200
    assert client.get("/v1/changes").json()["next_since"] == feed
    assert client.get(f"/v1/tests/{test['id']}").headers["etag"] == tag


def test_without_an_instant_it_is_now(client, send_marks):
    before = datetime.now(UTC)
    told = send_marks([{"kind": "clock_started"}]).json()
    started = datetime.fromisoformat(told["clock_started_at"])
    assert before <= started <= datetime.fromisoformat(told["server_time"])


@pytest.mark.parametrize(
    ("stored", "sent", "told"),
    [
        ([], [mark("stage_started", 0, phase="exercise", stage=1)], "start the clock first"),
        (BEGUN, [mark("clock_started", 3)], "was started at"),
        (BEGUN, [mark("stage_started", -5, phase="rest")], "before the start of the clock"),
        (BEGUN, [mark("exercise_ended", 60)], "has not begun"),
        (IN_EXERCISE, [mark("exercise_ended", 100)], "has not begun"),
        (ENDED, [mark("exercise_ended", 841)], "was ended at"),
        (ENDED, [mark("stage_started", 850, phase="exercise", stage=2)], "take that mark back"),
        (IN_EXERCISE, [mark("clock_started", 0, counts=False)], "start the clock first"),
    ],
)
def test_marks_that_contradict_each_other_are_a_conflict(client, test, send_marks, stored, sent, told):
    if stored:
        send_marks(stored)
    before = client.get(f"/v1/tests/{test['id']}/recording").json()["marks"]
    answer = send_marks(sent)
    assert answer.status_code == 409
    assert told in answer.json()["detail"]
    assert client.get(f"/v1/tests/{test['id']}/recording").json()["marks"] == before


@pytest.mark.parametrize(
    ("sent", "told"),
    [
        ({"kind": "stage_started"}, "needs its phase"),
        ({"kind": "clock_started", "phase": "rest"}, "belongs to the kind stage_started"),
        (
            {"kind": "stage_started", "phase": "rest", "stop_reason": "legs"},
            "belongs to the kind exercise_ended",
        ),
        ({"kind": "clock_started", "at": "2026-03-14T09:40:00"}, "instant with its offset"),
        ({"kind": "clock_started", "at": "2190-03-14T09:40:00Z"}, "ahead of the clock"),
        ({"kind": "paused"}, "clock_started"),
        ({"kind": "stage_started", "phase": "exercise", "work_rate_w": 1e7}, "s not possible"),
        ({"kind": "clock_started", "counts": 1}, "boolean"),
        ({"kind": "clock_started", "colour": "x"}, "not permitted"),
    ],
)
def test_a_mark_that_says_nothing_sound_is_refused(send_marks, sent, told):
    answer = send_marks([sent])
    assert answer.status_code == 422
    assert told in json.dumps(answer.json())


def test_a_void_test_takes_no_marks(client, test, send_marks):
    client.patch(f"/v1/tests/{test['id']}", json={"status": "void"})
    assert send_marks(BEGUN).status_code == 409


def test_a_test_with_marks_is_not_deleted(client, test, send_marks):
    send_marks(BEGUN)
    answer = client.delete(f"/v1/tests/{test['id']}")
    assert answer.status_code == 409
    assert answer.json()["holds"]["recording_marks"] == 2


def test_marks_go_with_their_person(test, send_marks, store):
    send_marks(BEGUN)
    with store.write("test") as transaction:
        transaction.session.connection().exec_driver_sql("delete from subject")
    with store.read() as session:
        assert session.connection().exec_driver_sql("select count(*) from recording_mark").scalar() == 0


def test_the_steps_of_the_protocol_are_numbered_as_notes_are(client, laboratory, test, send_marks):
    told = client.get(f"/v1/tests/{test['id']}/recording").json()
    assert told["protocol_name"] == "Bruce"
    assert [step["stage"] for step in told["steps"]][:3] == [1, 2, 3]
    # Bruce and others 1973: 3 min at 1.7 mi/h and 10 %, then 2.5 mi/h and 12 %.
    assert [(step["duration_s"], step["grade_percent"]) for step in told["steps"]][:2] == [
        (180, 10),
        (180, 12),
    ]
    bare = laboratory.planned(test["visit_id"])
    assert client.get(f"/v1/tests/{bare['id']}/recording").json()["steps"] == []


def test_two_senders_of_one_key_store_one_entry(client, test, store, tester_key, open_client):
    """As a screen does that sends its queue again, not knowing that the first time came through."""
    note = [
        {
            "phase": "exercise",
            "rpe": 13,
            "rpe_scale": "6-20",
            "note": "no stage and no time: a new note each time",
        }
    ]
    bare = [{"note": "names no place"}]

    def send(body):
        one = open_client(store, tester_key)
        return one.post(
            f"/v1/tests/{test['id']}/stage-notes", json=body, headers={"Idempotency-Key": f"k{len(body[0])}"}
        )

    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(send, [bare] * 4 + [note] * 4))
    assert {answer.status_code for answer in answers} == {200}
    notes = client.get(f"/v1/tests/{test['id']}/stage-notes").json()["items"]
    assert sorted(one["note"] for one in notes) == sorted([bare[0]["note"], note[0]["note"]])


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_where_a_test_is_at_a_moment(case):
    """Tables of cases by hand; the browser is held to the same."""
    marks = [Mark(**{**one, "at": ZERO + timedelta(seconds=one["at"])}) for one in case["marks"]]
    empty = dict.fromkeys(StepOut.model_fields)
    steps = [StepOut(**{**empty, **step}) for step in case["steps"]]
    for seconds, expected in case["expected"]:
        found = standing(marks, steps, ZERO + timedelta(seconds=seconds))
        told = {name: getattr(found, name, None) for name in expected if name != "next"}
        if "stage_began_s" in expected:
            told["stage_began_s"] = (found.stage_began_at - ZERO).total_seconds()
        if "next" in expected:
            told["next"] = None if found.following is None else [found.following.phase, found.following.stage]
        assert told == expected, seconds
