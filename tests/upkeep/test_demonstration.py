"""The demonstration record, loaded as anybody's record is, passes every check."""

import json

import pytest
import sqlalchemy as sa

from service.db.models import Analysis, Cohort, ExerciseTest, Result, StageNote, Subject
from service.db.transactions import Store
from service.demonstration.workflow import load, seed_folder
from service.upkeep.workflow import reanalyse_tests, run_checks


@pytest.fixture(scope="module")
def demonstration(tmp_path_factory, migrated_file):
    from service.settings import Settings

    path = tmp_path_factory.mktemp("demonstration") / "demonstration.db"
    path.write_bytes(migrated_file.read_bytes())
    store = Store(Settings(database_url=f"sqlite:///{path}"))
    told: list[tuple[int, int]] = []
    load(store, told=lambda done, of: told.append((done, of)))
    yield store, told
    store.close()


@pytest.fixture(scope="module")
def described():
    return json.loads((seed_folder() / "record.json").read_text(encoding="utf-8"))


def count(session, model) -> int:
    return session.scalar(sa.select(sa.func.count()).select_from(model))


def test_all_of_it_is_loaded_and_counted_aloud(demonstration, described):
    store, told = demonstration
    tests = [test for one in described["subjects"] for visit in one["visits"] for test in visit["tests"]]
    assert told == [(number, len(tests)) for number in range(1, len(tests) + 1)]
    with store.read() as session:
        assert count(session, ExerciseTest) == len(tests)
        assert count(session, Subject) == len(described["subjects"])
        assert count(session, Cohort) == len(described["cohorts"])
        notes = sum(len(test.get("stage_notes") or []) for test in tests)
        assert count(session, StageNote) >= notes > 0
        kept = {test.notes for test in session.scalars(sa.select(ExerciseTest)) if test.notes}
    assert kept >= {(test.get("details") or {}).get("notes") for test in tests} - {None}


def test_it_passes_every_check(demonstration):
    store, _ = demonstration
    assert [one for one in run_checks(store.settings) if not one.passed] == []


def test_analysing_it_anew_changes_nothing(demonstration):
    store, _ = demonstration
    with store.read() as session:
        before = dict(session.execute(sa.select(Analysis.test_id, Analysis.document)).all())
        results = session.scalar(sa.select(sa.func.count()).select_from(Result))
        complete = session.scalar(
            sa.select(sa.func.count()).select_from(ExerciseTest).where(ExerciseTest.status == "complete")
        )
    anew = list(reanalyse_tests(store, "test", everything=True))
    assert len(anew) == complete == len(before)
    assert [one for one in anew if one.changed] == []
    with store.read() as session:
        after = dict(session.execute(sa.select(Analysis.test_id, Analysis.document)).all())
        assert session.scalar(sa.select(sa.func.count()).select_from(Result)) == results
    assert after == before


def test_nothing_is_left_to_analyse_of_this_version(demonstration):
    store, _ = demonstration
    assert list(reanalyse_tests(store, "test", everything=False)) == []
