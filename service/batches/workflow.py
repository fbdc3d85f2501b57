"""Years of old files in one go: each reported, the good ones stored, the refused ones listed with reasons.

Run again it doubles nothing: a subject is known by its code, a visit by its day, a file by its bytes. What would become of
each can be looked at before.
"""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from dataclasses import replace as replaced
from datetime import UTC, date, datetime, timedelta
from functools import partial
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
from service.findings import Finding
from service.imports.schemas import ImportOptions
from service.imports.workflow import Beside, Source, import_file, known_test, limits_of, read_options
from service.intake.manifest import ManifestRow, read_manifest
from service.intake.reading import TestFile, read_test_file
from service.quantities import QUANTITIES
from service.subjects.queries import bump, by_code
from service.subjects.schemas import SubjectIn
from service.visits import queries as visits
from service.visits.schemas import MeasurementIn, VisitIn
from service.workers import done_by_all


@dataclass(frozen=True, slots=True)
class FileAt:
    """Reads a file of this machine when its turn comes."""

    path: Path

    def __call__(self) -> Source:
        """The file."""
        if not self.path.is_file():
            raise InvalidContent(f"There is no file {self.path}.")
        return Source(self.path.read_bytes(), self.path.name)


@dataclass(frozen=True, slots=True)
class Job:
    """One test to be imported.

    Attributes
    ----------
    name : str
        For messages: the file, or the row of the manifest.
    subject, visit : mapping
        Fields of the subject and the visit, in the names of the wire.
    read : callable, optional
        Gives the file; None where results came without one.
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
    read: Callable[[], Source] | None = None
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
    peak: tuple[str, float] | None = None
    reason: str = ""

    @property
    def headline(self) -> str:
        """The peak in a few words."""
        return "" if self.peak is None else f", VO2peak {QUANTITIES[self.peak[0]].show(self.peak[1])}"

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
    return [Job(path.name, person, day, FileAt(path), options) for path in files]


def jobs_of_manifest(manifest: Source, find: Callable[[str], Callable[[], Source]]) -> list[Job]:
    """Jobs for each row of a manifest; a faulty row is a job with its fault.

    Parameters
    ----------
    manifest : Source
    find : callable
        From the name of a file in the manifest to what reads it.
    """
    return [job_of_row(row, manifest.name, find) for row in read_manifest(manifest.data, manifest.name)]


def job_of_row(row: ManifestRow, manifest: str, find: Callable[[str], Callable[[], Source]]) -> Job:
    """One row as a job; `manifest` is the source of results that name none."""
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
    source = row.texts.get("source", f"{manifest}, row {row.row}")
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
        None if row.file is None else find(row.file),
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


def run_jobs(
    store: Store, actor: str, jobs: Sequence[Job], *, replace: bool = False, processes: int = 1
) -> Iterator[Outcome]:
    """Do the jobs, and tell what became of each in their order; a refused one leaves nothing behind and stops no other.

    Parameters
    ----------
    store, actor, jobs
    replace : bool
        Read a known file anew into its test.
    processes : int
        Jobs of one person are done in their order by one process; what is sent to another must be of functions and classes
        of modules.
    """
    of_person: dict[Any, list[int]] = {}
    for place, job in enumerate(jobs):
        of_person.setdefault(job.subject.get("code", place), []).append(place)
    parts = [[jobs[place] for place in places] for places in of_person.values()]
    done: dict[int, Outcome] = {}
    told = 0
    found = done_by_all(store, partial(_run_part, actor=actor, replace=replace), parts, processes=processes)
    for places, outcomes in zip(of_person.values(), found, strict=True):
        done.update(zip(places, outcomes, strict=True))
        while told in done:
            yield done.pop(told)
            told += 1


def _run_part(store: Store, jobs: Sequence[Job], *, actor: str, replace: bool) -> list[Outcome]:
    """What became of each of these jobs."""
    return [_outcome(store, actor, job, replace=replace) for job in jobs]


def _outcome(store: Store, actor: str, job: Job, *, replace: bool) -> Outcome:
    try:
        return _run(store, actor, job, replace=replace)
    except (UpslopeError, ValidationError) as error:
        return Outcome(job.name, refused=True, test_id=_known_by(error), reason=_reason(error))


def _known_by(error: UpslopeError | ValidationError) -> str | None:
    """The test that a file is already, read with other options."""
    return error.extra.get("test_id") if isinstance(error, FileAlreadyImported) else None


def _reason(error: UpslopeError | ValidationError) -> str:
    """Why a job was refused, with the places of its faults."""
    if isinstance(error, ValidationError):
        return "; ".join(
            f"{'.'.join(str(part) for part in fault['loc'])}: {fault['msg']}" for fault in error.errors()
        )
    if isinstance(error, FileAlreadyImported):
        return error.detail
    places = [_told(place.row, place.column, place.location, place.message) for place in error.errors[:5]]
    return " ".join([error.detail, *(place for place in places if place not in error.detail)])


@dataclass(frozen=True, slots=True)
class Outlook:
    """What would become of a job.

    Attributes
    ----------
    name : str
    reason : str
        Why it would be refused; empty where it would not.
    new_subject, new_visit : bool
        Whether the person, or the visit, is not in the record yet.
    intervals : int or None
        How many the file holds; None without a file.
    findings : tuple of Finding
        Of reading the file.
    test_id : str or None
        The test that is there already; of a refused job, the one that was read with other options.
    """

    name: str
    reason: str = ""
    new_subject: bool = False
    new_visit: bool = False
    intervals: int | None = None
    findings: tuple[Finding, ...] = ()
    test_id: str | None = None


def look_at_jobs(store: Store, jobs: Iterable[Job]) -> Iterator[Outlook]:
    """What would become of each job as the record is now; nothing is stored."""
    for job in jobs:
        try:
            yield _look(store, job)
        except (UpslopeError, ValidationError) as error:
            yield Outlook(job.name, reason=_reason(error), test_id=_known_by(error))


def _look(store: Store, job: Job) -> Outlook:
    if job.fault is not None:
        return Outlook(job.name, reason=job.fault)
    subject, visit, options = _bodies(job)
    source = None if job.read is None else job.read()
    values = visits.columns_of(visit.model_dump())
    with store.read() as session:
        person = by_code(session, subject.code)
        day = None if person is None else _visit_on(session, person.id, visit.started_at)
        visits.check_after_birth(
            person or Subject(**subject.model_dump()), values["started_at"], values["utc_offset_minutes"]
        )
        _check_protocol(session, options.protocol_id)
        unlike = [] if person is None else _compared(subject, person, f"subject {subject.code}")[1]
        if day is not None:
            unlike += _compared(visit, day, f"the visit of {visit.started_at:%Y-%m-%d}")[1]
            unlike += _differing(_kept(session, day), job.measurements)
        if unlike:
            raise _differs(unlike)
        there = None
        if day is not None:
            there = (
                _same_report(session, day.id, options.mode, job.results)
                if source is None
                else known_test(session, day.id, source, options)
            )
    told = Outlook(
        job.name,
        new_subject=person is None,
        new_visit=day is None,
        test_id=None if there is None else there.public_id,
    )
    if source is None or there is not None:
        return told
    # What the manifest leaves open of the visit may be in the record.
    about = visit if day is None else _completed(visit, day)
    file = read_test_file(source.data, source.name, read_options(options, about), limits_of(store.settings))
    return replaced(told, intervals=len(file.series), findings=file.findings)


def _completed(given: VisitIn, day: Visit) -> VisitIn:
    """What is said of a visit, with what its record says where this says nothing."""
    kept = {
        name: getattr(day, name)
        for name in VisitIn.model_fields
        if getattr(given, name) is None and getattr(day, name, None) is not None
    }
    return given.model_copy(update=kept)


def _bodies(job: Job) -> tuple[SubjectIn, VisitIn, ImportOptions]:
    """The parts of a job, as strictly checked as what comes over the wire."""
    return (
        SubjectIn.model_validate_json(_json(job.subject)),
        VisitIn.model_validate_json(_json(job.visit)),
        ImportOptions.model_validate_json(_json(job.options)),
    )


def _differs(unlike: Sequence[Place]) -> InvalidContent:
    return InvalidContent(
        "What is said here differs from the record; correct the one or the other.", tuple(unlike)
    )


def _told(row: int | None, column: str | None, location: str, message: str) -> str:
    where = (
        ", ".join([f"row {row}"] * (row is not None) + [f"column {column}"] * (column is not None))
        or location
    )
    return f"[{where}: {message}]"


def _run(store: Store, actor: str, job: Job, *, replace: bool) -> Outcome:
    if job.fault is not None:
        return Outcome(job.name, refused=True, reason=job.fault)
    source = None if job.read is None else job.read()
    subject, visit, options = _bodies(job)
    with store.read() as session:
        known = _known_visit(session, subject, visit)
    file = None
    if source is not None and known is None:
        # A refused file leaves nothing behind: it is read before its subject or visit is made.
        limits = limits_of(store.settings)
        file = read_test_file(source.data, source.name, read_options(options, visit), limits)
    made: list[str] = []
    target = _target(store, actor, subject, visit, job.measurements, made)
    try:
        if source is None and not job.results:
            return Outcome(job.name, stored=bool(made))
        if source is None:
            return _report(store, actor, job, options, target)
        return _import(store, actor, job, source, options, target, replace=replace, file=file)
    except Exception:
        _take_back(store, actor, target, made)
        raise


def _json(fields: Mapping[str, Any]) -> str:
    return json.dumps(dict(fields), default=str)


def _known_visit(session: Session, subject: SubjectIn, visit: VisitIn) -> Visit | None:
    person = by_code(session, subject.code)
    return None if person is None else _visit_on(session, person.id, visit.started_at)


def _target(
    store: Store,
    actor: str,
    subject: SubjectIn,
    visit: VisitIn,
    measurements: Sequence[tuple[str, float]],
    made: list[str],
) -> Target:
    """The subject by its code and the visit by its day, made where there is none, completed where it says less."""
    values = visits.columns_of(visit.model_dump())
    with store.write(actor) as transaction:
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
            raise _differs(unlike)
    _complete(store, actor, target, missing_of_subject, missing_of_visit)
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
    kept = _kept(session, day)
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
    return _differing(kept, given)


def _kept(session: Session, day: Visit) -> dict[str, float]:
    """Measurements that a visit has."""
    rows = session.scalars(sa.select(Measurement).where(Measurement.visit_id == day.id))
    return {row.quantity: row.value for row in rows}


def _differing(kept: Mapping[str, float], given: Sequence[tuple[str, float]]) -> list[Place]:
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
    store: Store, actor: str, target: Target, of_subject: Mapping[str, Any], of_visit: Mapping[str, Any]
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
        record(store, actor, target, Edit(subject=of_subject, visit=of_visit), answer=answer)


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


def _take_back(store: Store, actor: str, target: Target, made: list[str]) -> None:
    """Take away the visit and the subject that were made for a test that could not be stored."""
    if not made:
        return
    with store.write(actor) as transaction:
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
    store: Store,
    actor: str,
    job: Job,
    source: Source,
    options: ImportOptions,
    target: Target,
    *,
    replace: bool,
    file: TestFile | None,
) -> Outcome:
    imported = import_file(
        store,
        actor,
        target,
        source,
        options,
        replace=replace,
        read_already=file,
        beside=Beside({} if job.notes is None else {"notes": job.notes}, findings=job.findings),
        respond=lambda answer: answer,
    )
    test_id = imported.answer.test_id
    assert test_id is not None  # noqa: S101 what was imported has an id
    stored = not imported.answer.existing
    return Outcome(job.name, stored=stored, test_id=test_id, peak=_peak(store, test_id))


def _values(results: Iterable[ReportedValue]) -> set[tuple[str, float]]:
    """What results are known by: their values, not the row of the list they came from."""
    return {(result.quantity, result.value) for result in results}


def _same_report(
    session: Session, visit_pk: int | None, mode: str | None, results: Sequence[ReportedValue]
) -> ExerciseTest | None:
    """The test of a visit that has these results already."""
    known = session.scalars(
        sa.select(ExerciseTest).where(
            ExerciseTest.visit_id == visit_pk, ExerciseTest.mode == mode, ExerciseTest.status == "complete"
        )
    ).all()
    wanted = _values(results)
    alike = (test for test in known if wanted and _values(analyses.read_reported(session, test.id)) == wanted)
    return next(alike, None)


def _report(store: Store, actor: str, job: Job, options: ImportOptions, target: Target) -> Outcome:
    """Store results that came without a file as a test of their own; the same results again are known."""
    with store.read() as session:
        there = _same_report(session, target.visit_pk, options.mode, job.results)
        if there is not None:
            return Outcome(job.name, test_id=there.public_id)
    values = {
        "mode": options.mode,
        "purpose": options.purpose or "maximal",
        "status": "complete",
        "stop_reason": options.stop_reason,
        "protocol_key": options.protocol_id,
        "shape": options.shape,
        "notes": job.notes,
        "source_findings": list(job.findings),
    }

    def answer(transaction: Any, test_pk: int | None) -> str:
        # Protocols are the site's: none may be named that was deleted in the meantime.
        _check_protocol(transaction.session, options.protocol_id)
        test_id: str = transaction.session.scalars(
            sa.select(ExerciseTest.public_id).where(ExerciseTest.id == test_pk)
        ).one()
        transaction.changed("test", test_id, action="created", subject_id=target.subject_id)
        return test_id

    test_id = record(
        store,
        actor,
        target,
        Edit(test=values, reported=job.results, new_test=True),
        answer=answer,
        check=lambda session: _check_protocol(session, options.protocol_id),
    )
    return Outcome(job.name, stored=True, test_id=test_id, peak=_peak(store, test_id))


def _check_protocol(session: Session, protocol_id: str | None) -> None:
    if protocol_id is not None:
        check_protocol(session, protocol_id, where="options")


def _peak(store: Store, test_id: str) -> tuple[str, float] | None:
    """The peak with its quantity, for the line of a file."""
    with store.read() as session:
        test_pk = session.scalars(sa.select(ExerciseTest.id).where(ExerciseTest.public_id == test_id)).one()
        values = analyses.indexed(session, test_pk)
    for quantity in ("vo2_peak_ml_kg_min", "vo2_peak_ml_min"):
        if quantity in values:
            return quantity, values[quantity]
    return None
