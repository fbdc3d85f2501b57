"""The demonstration record: invented people and tests, loaded by the same steps as anybody's."""

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

import service
from service.analyses.queries import refresh_visit_results
from service.analyses.workflow import Edit, Target, record
from service.analysis.series import ReportedValue, StageNote
from service.cohorts import queries as cohorts
from service.cohorts.schemas import MemberIn
from service.db.models import Subject, Visit
from service.db.transactions import Store, Transaction, now
from service.exercise_tests import workflow as tests
from service.exercise_tests.queries import get as get_test
from service.exercise_tests.schemas import CalibrationIn, ReportedResultIn, StageNoteIn, TestIn, TestPatch
from service.imports.schemas import ImportOptions
from service.imports.workflow import Beside, Source, import_file
from service.protocols import queries as protocols
from service.protocols.schemas import ProtocolIn
from service.subjects.schemas import SubjectIn
from service.visits import queries as visits
from service.visits.schemas import MeasurementIn, VisitIn

ACTOR = "demonstration"


def seed_folder() -> Path:
    """Where the demonstration data lies: in the wheel beside the package's own files, in a checkout beside `service`."""
    package = Path(service.__file__).parent
    shipped = package / "_seed_data"
    return shipped if shipped.is_dir() else package.parent / "seed_data"


def load(store: Store, *, told: Callable[[int, int], object] | None = None) -> int:
    """Load the demonstration record into an empty database.

    Parameters
    ----------
    store : Store
    told : callable, optional
        Called with the tests done and their number, for a progress bar.

    Returns
    -------
    int
        How many tests were stored.
    """
    folder = seed_folder()
    data = json.loads((folder / "record.json").read_text(encoding="utf-8"))
    with store.write(ACTOR) as transaction:
        for protocol in data["protocols"]:
            stored = protocols.add(transaction.session, ProtocolIn.model_validate(protocol))
            transaction.changed("protocol", stored.id, action="created")
    total = sum(len(visit["tests"]) for subject in data["subjects"] for visit in subject["visits"])
    done = 0
    subject_ids: dict[str, str] = {}
    for subject in data["subjects"]:
        target = _add_subject(store, {name: value for name, value in subject.items() if name != "visits"})
        subject_ids[subject["code"]] = target.subject_id
        made: dict[str, str] = {}
        for visit in subject["visits"]:
            visit_target = _add_visit(store, target, visit)
            for test in visit["tests"]:
                made[test["ref"]] = _add_test(store, visit_target, test, made, folder)
                done += 1
                if told is not None:
                    told(done, total)
    with store.write(ACTOR) as transaction:
        for cohort in data["cohorts"]:
            row = cohorts.add(transaction.session, cohort["name"], cohort.get("notes"))
            members = [
                MemberIn.model_validate(
                    {
                        "subject_id": subject_ids[one["code"]],
                        **{name: value for name, value in one.items() if name != "code"},
                    }
                )
                for one in cohort["members"]
            ]
            cohorts.replace_members(transaction.session, row.id, members)
            transaction.changed("cohort", row.public_id, action="created")
    return done


def _add_subject(store: Store, fields: dict[str, Any]) -> Target:
    body = SubjectIn.model_validate_json(json.dumps(fields))
    with store.write(ACTOR) as transaction:
        row = Subject(**body.model_dump(), created_at=now(), revision=1)
        transaction.session.add(row)
        transaction.session.flush()
        transaction.changed("subject", row.public_id, action="created", subject_id=row.public_id)
        return Target(row.id, row.public_id)


def _add_visit(store: Store, target: Target, fields: dict[str, Any]) -> Target:
    other = {"ref", "tests", "measurements"}
    body = VisitIn.model_validate_json(
        json.dumps({name: value for name, value in fields.items() if name not in other})
    )
    measurements = TypeAdapter(list[MeasurementIn]).validate_json(json.dumps(fields["measurements"]))
    visits.check_measurements(measurements)
    with store.write(ACTOR) as transaction:
        row = Visit(subject_id=target.subject_pk, **visits.columns_of(body.model_dump()))
        transaction.session.add(row)
        transaction.session.flush()
        visits.replace_measurements(transaction.session, row.id, measurements)
        refresh_visit_results(transaction.session, row.id)
        transaction.changed("visit", row.public_id, action="created", subject_id=target.subject_id)
        return Target(target.subject_pk, target.subject_id, row.id)


def _add_test(
    store: Store, target: Target, fields: dict[str, Any], made: dict[str, str], folder: Path
) -> str:
    """Add one test with all that is known of it, so that it is judged once; its public id."""
    notes = tests.notes_of(
        TypeAdapter(list[StageNoteIn]).validate_json(json.dumps(fields.get("stage_notes") or []))
    )
    if fields["file"] is None:
        test_id = _add_reported(store, target, fields, notes)
    else:
        options = dict(fields["import_options"])
        if fields.get("verifies"):
            options["verifies_test_id"] = made[fields["verifies"]]
        details = TestPatch.model_validate_json(json.dumps(fields.get("details") or {}))
        calibrations = TypeAdapter(list[CalibrationIn]).validate_json(
            json.dumps(fields.get("calibrations") or [])
        )
        path = folder / fields["file"]
        test_id = import_file(
            store,
            ACTOR,
            target,
            Source(path.read_bytes(), path.name),
            ImportOptions.model_validate_json(json.dumps(options)),
            beside=Beside(
                _columns(details.model_dump(exclude_unset=True)),
                tuple(notes),
                calibrations=tuple(row.model_dump() for row in calibrations),
            ),
            respond=lambda imported: imported.answer.test_id or "",
        )
    return test_id


def _columns(values: dict[str, Any]) -> dict[str, Any]:
    """Wire fields as columns of a test."""
    if "protocol_id" in values:
        values["protocol_key"] = values.pop("protocol_id")
    return values


def _add_reported(store: Store, target: Target, fields: dict[str, Any], notes: Sequence[StageNote]) -> str:
    """A test whose results came without a file; planned where there are none."""
    values = _columns(TestIn.model_validate_json(json.dumps(fields["details"])).model_dump())
    rows = TypeAdapter(list[ReportedResultIn]).validate_json(json.dumps(fields.get("reported_results") or []))
    reported = tuple(ReportedValue(row.quantity, row.value, row.method, row.source) for row in rows)
    values["status"] = "complete" if reported else "planned"

    def answer(transaction: Transaction, test_pk: int | None) -> str:
        test_id = get_test(transaction.session, test_pk or 0).public_id
        transaction.changed("test", test_id, action="created", subject_id=target.subject_id)
        return test_id

    return record(
        store,
        ACTOR,
        target,
        Edit(test=values, notes=notes or None, reported=reported or None, new_test=True),
        answer=answer,
    )
