"""Work on several cores gives what one process gives, in the same order."""

import json
import os
import shutil

import pytest
import sqlalchemy as sa

from service.batches.workflow import FileAt, jobs_of_manifest, run_jobs
from service.db.models import Analysis, ExerciseTest, Interval, Result, Subject
from service.db.transactions import Store
from service.errors import InvalidContent
from service.imports.workflow import Source
from service.upkeep.workflow import reanalyse_tests, run_checks
from service.workers import cores, done_by_all
from tests.proofs.hostile_files import csv_of, good

PEOPLE = 4


def _double(store: Store, number: int) -> tuple[int, int]:
    assert store.settings is not None
    return 2 * number, os.getpid()


def _refuses_three(store: Store, number: int) -> int:
    del store
    if number == 3:
        raise InvalidContent("three is refused")
    return number


def test_answers_come_in_the_order_of_the_items_from_processes_of_their_own(store):
    answers = list(done_by_all(store, _double, list(range(40)), processes=2))
    assert [one for one, _ in answers] == [2 * number for number in range(40)]
    assert os.getpid() not in {process for _, process in answers}


@pytest.mark.parametrize(("items", "processes"), [([5], 4), ([5, 6], 1), ([], 4)])
def test_what_one_process_can_do_needs_no_other(store, items, processes):
    answers = list(done_by_all(store, _double, items, processes=processes))
    assert {process for _, process in answers} <= {os.getpid()}
    assert [one for one, _ in answers] == [2 * number for number in items]


@pytest.mark.parametrize("processes", [1, 2])
def test_what_an_item_raises_is_raised_here_with_its_words(store, processes):
    answers = done_by_all(store, _refuses_three, list(range(6)), processes=processes)
    assert [next(answers) for _ in range(3)] == [0, 1, 2]
    with pytest.raises(InvalidContent, match="three is refused"):
        next(answers)


def test_there_is_a_core():
    assert cores() >= 1


def _manifest(folder) -> list:
    """Two tests each of some people, one row with a fault, one file that is none."""
    lines = ["subject,sex,birth_date,date,mode,body_mass_kg,file"]
    for person in range(PEOPLE):
        for year in (2024, 2025):
            name = f"{person}-{year}.csv"
            rows = good()
            rows[3][1] = float(rows[3][1]) + person + year
            (folder / name).write_bytes(csv_of(rows) if (person, year) != (2, 2025) else b"no test at all")
            lines.append(f"P-{person},male,1990-06-15,{year}-03-14,treadmill,{70 + person},{name}")
    lines.insert(3, "P-9,male,1990-06-15,no day,treadmill,70,1-2024.csv")
    text = "\n".join(lines).encode()
    return jobs_of_manifest(Source(text, "manifest.csv"), lambda name: FileAt(folder / name))


def _record(store: Store) -> dict:
    """What was stored of each person, without ids and instants."""
    with store.read() as session:
        rows = session.execute(
            sa.select(Subject.code, ExerciseTest.id, Analysis.document)
            .join(Analysis, Analysis.test_id == ExerciseTest.id)
            .join(Result, Result.test_id == ExerciseTest.id)
            .join(Subject, Subject.id == Result.subject_id)
            .distinct()
        ).all()
        answer = {}
        for code, test_pk, document in rows:
            intervals = session.execute(
                sa.select(Interval.end_s, Interval.vo2_ml_min)
                .where(Interval.test_id == test_pk)
                .order_by(Interval.seq)
            ).all()
            told = {name: value for name, value in json.loads(document).items() if name != "test_id"}
            answer.setdefault(code, []).append((told, [tuple(row) for row in intervals]))
        for tests in answer.values():
            tests.sort(key=lambda one: json.dumps(one[0]))
        return answer


def test_a_batch_by_two_processes_stores_what_one_stores(make_store, tmp_path, migrated_file):
    jobs = _manifest(tmp_path)
    told, kept = [], []
    for processes in (1, 2):
        path = tmp_path / f"{processes}.db"
        shutil.copy(migrated_file, path)
        settings = make_store().settings.model_copy(update={"database_url": f"sqlite:///{path}"})
        store = Store(settings)
        outcomes = list(run_jobs(store, "test", jobs, processes=processes))
        assert [one.name for one in outcomes] == [job.name for job in jobs]
        told.append([(one.stored, one.refused, one.peak, one.reason) for one in outcomes])
        kept.append(_record(store))
        again = list(run_jobs(store, "test", jobs, processes=processes))
        assert not any(one.stored for one in again)
        store.close()
        assert all(one.passed for one in run_checks(settings))
    assert told[0] == told[1]
    assert sum(refused for _, refused, _, _ in told[0]) == 2
    assert kept[0] == kept[1]
    assert sum(map(len, kept[0].values())) == 2 * PEOPLE - 1


def test_tests_are_analysed_anew_by_two_processes_as_by_one(store, tmp_path):
    list(run_jobs(store, "test", _manifest(tmp_path)))
    before = _record(store)
    anew = list(reanalyse_tests(store, "test", everything=True, processes=2))
    assert len(anew) == 2 * PEOPLE - 1
    assert {one.of for one in anew} == {len(anew)}
    assert not any(one.changed for one in anew)
    assert _record(store) == before
    assert all(one.passed for one in run_checks(store.settings))
