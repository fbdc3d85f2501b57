"""Years of old files in one go: each reported, the good ones stored, the refused ones listed with reasons.

Run again it doubles nothing: a subject is known by its code, a visit by its day, a file by its bytes.
"""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from pydantic import ValidationError
from sqlalchemy.orm import Session

from service.analyses import queries as analyses
from service.analyses.workflow import Edit, Target, record
from service.analysis.series import ReportedValue
from service.db.models import ExerciseTest, Measurement, Subject, Visit
from service.db.transactions import Store, Transaction, now
from service.errors import FileAlreadyImported, InvalidContent, Place, UpslopeError
from service.exercise_tests.queries import check_protocol
from service.imports.schemas import ImportOptions
from service.imports.workflow import Beside, Source, import_file, limits_of, read_options
from service.intake.manifest import ManifestRow, read_manifest
from service.intake.reading import read_test_file
from service.quantities import QUANTITIES
from service.subjects.queries import bump, by_code
from service.subjects.schemas import SubjectIn
from service.visits import queries as visits
from service.visits.schemas import MeasurementIn, VisitIn

ACTOR = "command line"


@dataclass(frozen=True, slots=True)
class Job:
    """One test to be imported.

    Attributes
    ----------
    name : str
        For messages: the file, or the row of the manifest.
    subject, visit : mapping
        Fields of the subject and the visit, in the names of the wire.
    path : Path, optional
    options : mapping
        Of the import.
    results : tuple of ReportedValue
        Where there is no file.
    measurements : tuple of (str, float)
        Other fitness measurements of the visit.
    notes : str, optional
        Of the test.
    findings : tuple of dict
        Of the row of a manifest, kept with the test.
    fault : str, optional
        Why this job cannot be done at all.
    """

    name: str
    subject: Mapping[str, Any]
    visit: Mapping[str, Any]
    path: Path | None = None
    options: Mapping[str, Any] = field(default_factory=dict)
    results: tuple[ReportedValue, ...] = ()
    measurements: tuple[tuple[str, float], ...] = ()
    notes: str | None = None
    findings: tuple[dict[str, Any], ...] = ()
    fault: str | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a job."""

    name: str
    stored: bool = False
    refused: bool = False
    test_id: str | None = None
    headline: str = ""
    reason: str = ""

    @property
    def line(self) -> str:
        """One line for a person."""
        if self.refused:
            return f"{self.name}: refused"
        what = "" if self.test_id is None else f" as test {self.test_id}"
        return f"{self.name}: {'stored' if self.stored else 'known already'}{what}{self.headline}"


def jobs_of_files(
    files: Sequence[Path],
    *,
    subject: str,
    visit: datetime,
    mode: str,
    body_mass_kg: float | None,
    sex: str | None,
    birth_date: date | None,
    columns: Mapping[str, Any] | None,
    protocol_id: str | None,
    stop_reason: str | None,
) -> list[Job]:
    """Jobs for some files of one visit."""
    options = _given(mode=mode, columns=columns, protocol_id=protocol_id, stop_reason=stop_reason)
    person = _given(code=subject, sex=sex, birth_date=None if birth_date is None else birth_date.isoformat())
    day = _given(started_at=_instant(visit), body_mass_kg=body_mass_kg)
    return [Job(path.name, person, day, path, options) for path in files]


def jobs_of_manifest(manifest: Path) -> list[Job]:
    """Jobs for each row of a manifest; a faulty row is a job with its fault."""
    return [_job_of_row(row, manifest) for row in read_manifest(manifest.read_bytes(), manifest.name)]


def _job_of_row(row: ManifestRow, manifest: Path) -> Job:
    """One row as a job; files are named relative to the manifest."""
    name = f"row {row.row} ({row.subject}, {row.date or 'no date'}{', ' + row.file if row.file else ''})"
    if row.faults or row.date is None:
        faults = "; ".join(
            _told(place.row, place.column, place.location, place.message) for place in row.faults
        )
        return Job(name, {}, {}, fault=faults)
    known = {"shape", "purpose", "stop_reason", "protocol_id", "exercise_start_s", "exercise_end_s"}
    options = {"mode": row.mode, **{key: value for key, value in row.test.items() if key in known}}
    person = _given(
        code=row.subject,
        sex=row.sex,
        birth_date=None if row.birth_date is None else row.birth_date.isoformat(),
        birth_year=row.birth_year,
    )
    told = {key: row.texts[key] for key in ("round", "site", "tester") if key in row.texts}
    visit = {
        "started_at": _instant(datetime(row.date.year, row.date.month, row.date.day, tzinfo=UTC)),
        **told,
        **row.visit,
    }
    measured = {key: value for key, value in row.results.items() if "measurement" in QUANTITIES[key].kinds}
    source = row.texts.get("source", f"{manifest.name}, row {row.row}")
    results = tuple(
        ReportedValue(key, value, row.texts.get("method"), source)
        for key, value in row.results.items()
        if key not in measured
    )
    if row.file is not None and results:
        names = ", ".join(result.quantity for result in results)
        return Job(
            name,
            {},
            {},
            fault=f"The row has a file and results of its own ({names}): put them in a row without a file, or leave them out.",
        )
    if row.file is not None:
        options |= _reading(row)
    return Job(
        name,
        person,
        visit,
        None if row.file is None else manifest.parent / row.file,
        options,
        results,
        measurements=tuple(measured.items()),
        notes=row.texts.get("notes"),
        findings=tuple(remark.as_dict() for remark in row.findings),
    )


def _reading(row: ManifestRow) -> dict[str, Any]:
    """How the file of a row is to be read, in the names of the wire."""
    told = row.read_options
    columns = {
        header: None if choice is None else {"quantity": choice.quantity, "unit": choice.unit}
        for header, choice in told.columns.items()
    }
    return _given(
        columns=columns or None,
        sheet=told.sheet,
        time_marks=told.time_marks,
        volume_condition=told.volume_condition,
        decimal_mark=told.decimal_mark,
        rows=None if told.rows is None else list(told.rows),
    )


def _given(**values: Any) -> dict[str, Any]:
    return {name: value for name, value in values.items() if value is not None}


def _instant(moment: datetime) -> str:
    # A day without a clock time is noon, so that no offset moves it to another day.
    if moment.hour == 0 and moment.minute == 0:
        moment = moment.replace(hour=12)
    return moment.replace(tzinfo=UTC).isoformat()


def run_jobs(store: Store, jobs: Iterable[Job], *, replace: bool = False) -> Iterator[Outcome]:
    """Do the jobs one by one; a refused one leaves nothing behind and stops no other."""
    for job in jobs:
        try:
            yield _run(store, job, replace=replace)
        except FileAlreadyImported as error:
            yield Outcome(job.name, refused=True, reason=error.detail)
        except UpslopeError as error:
            places = [
                _told(place.row, place.column, place.location, place.message) for place in error.errors[:5]
            ]
            yield Outcome(
                job.name,
                refused=True,
                reason=" ".join([error.detail, *(place for place in places if place not in error.detail)]),
            )
        except ValidationError as error:
            faults = "; ".join(
                f"{'.'.join(str(part) for part in fault['loc'])}: {fault['msg']}" for fault in error.errors()
            )
            yield Outcome(job.name, refused=True, reason=faults)


def _told(row: int | None, column: str | None, location: str, message: str) -> str:
    where = (
        ", ".join([f"row {row}"] * (row is not None) + [f"column {column}"] * (column is not None))
        or location
    )
    return f"[{where}: {message}]"


def _run(store: Store, job: Job, *, replace: bool) -> Outcome:
    if job.fault is not None:
        return Outcome(job.name, refused=True, reason=job.fault)
    if job.path is not None and not job.path.is_file():
        return Outcome(job.name, refused=True, reason=f"There is no file {job.path}.")
    subject = SubjectIn.model_validate_json(_json(job.subject))
    visit = VisitIn.model_validate_json(_json(job.visit))
    options = ImportOptions.model_validate_json(_json(job.options))
    source = None if job.path is None else Source(job.path.read_bytes(), job.path.name)
    with store.read() as session:
        known = _known_visit(session, subject, visit)
    if source is not None and known is None:
        # A refused file leaves nothing behind: it is read before its subject or visit is made.
        read_test_file(source.data, source.name, read_options(options, visit), limits_of(store.settings))
    made: list[str] = []
    target = _target(store, subject, visit, job.measurements, made)
    try:
        if source is None and not job.results:
            return Outcome(job.name, stored=bool(made))
        if source is None:
            return _report(store, job, options, target)
        return _import(store, job, source, options, target, replace=replace)
    except Exception:
        _take_back(store, target, made)
        raise


def _json(fields: Mapping[str, Any]) -> str:
    return json.dumps(dict(fields), default=str)


def _known_visit(session: Session, subject: SubjectIn, visit: VisitIn) -> Visit | None:
    person = by_code(session, subject.code)
    return None if person is None else _visit_on(session, person.id, visit.started_at)


def _target(
    store: Store,
    subject: SubjectIn,
    visit: VisitIn,
    measurements: Sequence[tuple[str, float]],
    made: list[str],
) -> Target:
    """The subject by its code and the visit by its day, made where there is none, completed where it says less."""
    values = visits.columns_of(visit.model_dump())
    with store.write(ACTOR) as transaction:
        session = transaction.session
        person = by_code(session, subject.code)
        if person is None:
            person = Subject(**subject.model_dump(), created_at=now(), revision=1)
            session.add(person)
            session.flush()
            transaction.changed("subject", person.public_id, action="created", subject_id=person.public_id)
            made.append("subject")
        visits.check_after_birth(person, values["started_at"], values["utc_offset_minutes"])
        day = _visit_on(session, person.id, visit.started_at)
        if day is None:
            bump(session, person.id)
            day = Visit(subject_id=person.id, **values)
            session.add(day)
            session.flush()
            visits.replace_measurements(
                session,
                day.id,
                [MeasurementIn(quantity=quantity, value=value) for quantity, value in measurements],
            )
            analyses.refresh_visit_results(session, day.id)
            transaction.changed("visit", day.public_id, action="created", subject_id=person.public_id)
            made.append("visit")
            missing_of_visit: dict[str, Any] = {}
            unlike: list[Place] = []
        else:
            missing_of_visit, unlike = _compared(visit, day, f"the visit of {visit.started_at:%Y-%m-%d}")
            unlike += _measured(transaction, person, day, measurements, made)
        missing_of_subject, unlike_subject = _compared(subject, person, f"subject {subject.code}")
        target = Target(person.id, person.public_id, day.id)
        unlike += unlike_subject
        if unlike:
            raise InvalidContent(
                "What is said here differs from the record; correct the one or the other.", tuple(unlike)
            )
    _complete(store, target, missing_of_subject, missing_of_visit)
    return target


def _measured(
    transaction: Transaction,
    person: Subject,
    day: Visit,
    given: Sequence[tuple[str, float]],
    made: list[str],
) -> list[Place]:
    """Add measurements that the visit has not; where the two differ is answered."""
    session = transaction.session
    kept = {
        row.quantity: row.value
        for row in session.scalars(sa.select(Measurement).where(Measurement.visit_id == day.id))
    }
    fresh = [(quantity, value) for quantity, value in given if quantity not in kept]
    if fresh:
        bump(session, person.id)
        session.add_all(
            Measurement(visit_id=day.id, quantity=quantity, value=value) for quantity, value in fresh
        )
        session.flush()
        analyses.refresh_visit_results(session, day.id)
        transaction.changed("visit", day.public_id, action="changed", subject_id=person.public_id)
        made.append("measurements")
    return [
        Place(quantity, f"is {kept[quantity]:g} in the record for that visit, {value:g} here", value=value)
        for quantity, value in given
        if kept.get(quantity, value) != value
    ]


def _compared(
    given: SubjectIn | VisitIn, row: Subject | Visit, where: str
) -> tuple[dict[str, Any], list[Place]]:
    """What the record lacks of what is given, and where the two differ."""
    missing: dict[str, Any] = {}
    unlike: list[Place] = []
    for name in given.model_fields_set - {"started_at", "code"}:
        value, kept = getattr(given, name), getattr(row, name)
        if value is None or value == kept:
            continue
        if kept is None:
            missing[name] = value
        else:
            unlike.append(Place(name, f"is {kept} in the record for {where}, {value} here", value=value))
    return missing, unlike


def _complete(
    store: Store, target: Target, of_subject: Mapping[str, Any], of_visit: Mapping[str, Any]
) -> None:
    """Add what the record lacked; the tests that rest on it are judged again."""

    def answer(transaction: Transaction, _: int | None) -> None:
        session = transaction.session
        if of_visit:
            visit_id = session.scalars(sa.select(Visit.public_id).where(Visit.id == target.visit_pk)).one()
            transaction.changed("visit", visit_id, action="changed", subject_id=target.subject_id)
        if of_subject:
            transaction.changed("subject", target.subject_id, action="changed", subject_id=target.subject_id)

    if of_subject or of_visit:
        record(store, ACTOR, target, Edit(subject=of_subject, visit=of_visit), answer=answer)


def _visit_on(session: Session, subject_pk: int, started_at: datetime) -> Visit | None:
    """The visit of that day, as the clock of its place showed it."""
    near = session.scalars(
        sa.select(Visit)
        .where(
            Visit.subject_id == subject_pk,
            Visit.started_at > started_at - timedelta(days=2),
            Visit.started_at < started_at + timedelta(days=2),
        )
        .order_by(Visit.started_at)
    )
    return next((one for one in near if visits.in_own_offset(one).date() == started_at.date()), None)


def _take_back(store: Store, target: Target, made: list[str]) -> None:
    """Take away the visit and the subject that were made for a test that could not be stored."""
    if not made:
        return
    with store.write(ACTOR) as transaction:
        session = transaction.session
        if "visit" in made:
            visit_id = session.scalar(sa.select(Visit.public_id).where(Visit.id == target.visit_pk))
            bump(session, target.subject_pk)
            session.execute(sa.delete(Visit).where(Visit.id == target.visit_pk))
            transaction.changed("visit", visit_id or "", action="deleted", subject_id=target.subject_id)
        if "subject" in made:
            session.execute(sa.delete(Subject).where(Subject.id == target.subject_pk))
            transaction.changed("subject", target.subject_id, action="deleted", subject_id=target.subject_id)


def _import(
    store: Store, job: Job, source: Source, options: ImportOptions, target: Target, *, replace: bool
) -> Outcome:
    imported = import_file(
        store,
        ACTOR,
        target,
        source,
        options,
        replace=replace,
        beside=Beside({} if job.notes is None else {"notes": job.notes}, findings=job.findings),
        respond=lambda answer: answer,
    )
    test_id = imported.answer.test_id
    assert test_id is not None  # noqa: S101 what was imported has an id
    stored = not imported.answer.existing
    return Outcome(job.name, stored=stored, test_id=test_id, headline=_headline(store, test_id))


def _values(results: Iterable[ReportedValue]) -> set[tuple[str, float]]:
    """What results are known by: their values, not the row of the list they came from."""
    return {(result.quantity, result.value) for result in results}


def _report(store: Store, job: Job, options: ImportOptions, target: Target) -> Outcome:
    """Store results that came without a file as a test of their own; the same results again are known."""
    mode = options.mode
    with store.read() as session:
        known = session.scalars(
            sa.select(ExerciseTest).where(
                ExerciseTest.visit_id == target.visit_pk,
                ExerciseTest.mode == mode,
                ExerciseTest.status == "complete",
            )
        ).all()
        wanted = _values(job.results)
        for test in known:
            if _values(analyses.read_reported(session, test.id)) == wanted:
                return Outcome(job.name, test_id=test.public_id)
    values = {
        "mode": mode,
        "purpose": options.purpose or "maximal",
        "status": "complete",
        "stop_reason": options.stop_reason,
        "protocol_key": options.protocol_id,
        "shape": options.shape,
        "notes": job.notes,
        "source_findings": list(job.findings),
    }

    def answer(transaction: Any, test_pk: int | None) -> str:
        test_id: str = transaction.session.scalars(
            sa.select(ExerciseTest.public_id).where(ExerciseTest.id == test_pk)
        ).one()
        transaction.changed("test", test_id, action="created", subject_id=target.subject_id)
        return test_id

    test_id = record(
        store,
        ACTOR,
        target,
        Edit(test=values, reported=job.results, new_test=True),
        answer=answer,
        check=lambda session: _check_protocol(session, options.protocol_id),
    )
    return Outcome(job.name, stored=True, test_id=test_id, headline=_headline(store, test_id))


def _check_protocol(session: Session, protocol_id: str | None) -> None:
    if protocol_id is not None:
        check_protocol(session, protocol_id, where="options")


def _headline(store: Store, test_id: str) -> str:
    """The peak in a few words, for the line of a file."""
    with store.read() as session:
        test_pk = session.scalars(sa.select(ExerciseTest.id).where(ExerciseTest.public_id == test_id)).one()
        values = analyses.indexed(session, test_pk)
    for quantity in ("vo2_peak_ml_kg_min", "vo2_peak_ml_min"):
        if quantity in values:
            return f", VO2peak {QUANTITIES[quantity].show(values[quantity])}"
    return ""
