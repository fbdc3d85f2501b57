"""From the bytes of a file to a judged test, in one write transaction."""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from dataclasses import replace as changed
from typing import Any, TypeVar

import numpy as np
from sqlalchemy.orm import Session

from service.analyses.queries import read_notes
from service.analyses.workflow import Edit, Target, record
from service.analysis.alignment import Alignment, propose
from service.analysis.marks import Marks, find_marks
from service.analysis.series import Person, Series, StageNote, TestInput
from service.db.models import ExerciseTest
from service.db.transactions import Claim, Store, Transaction
from service.errors import Conflict, FileAlreadyImported, InvalidContent, Place
from service.exercise_tests import queries as tests
from service.imports import queries
from service.imports.schemas import ImportOptions, ImportOut
from service.intake.options import ColumnChoice, ReadLimits, ReadOptions
from service.intake.reading import ReadColumn, TestFile, first_rows, read_test_file
from service.recordings.queries import clock_started_at, read_marks
from service.settings import Settings

T = TypeVar("T")

_LOADS = ("work_rate_w", "speed_km_h", "grade_percent")


@dataclass(frozen=True, slots=True)
class Source:
    """A file as it came.

    Attributes
    ----------
    data : bytes
    name : str
        For messages and the record; never used as a path.
    """

    data: bytes
    name: str

    @property
    def sha256(self) -> str:
        """What the bytes are known by."""
        return hashlib.sha256(self.data).hexdigest()


@dataclass(frozen=True, slots=True)
class Imported:
    """What became of a file."""

    answer: ImportOut
    status: int


@dataclass(frozen=True, slots=True)
class Beside:
    """What else is known of a test than its file says, stored with it in the same transaction.

    Attributes
    ----------
    test : mapping
        Columns of the test.
    notes : tuple of StageNote
        They win over those of the file for the same stage and time.
    findings : tuple of dict
        Kept with those of reading.
    calibrations : tuple of mapping
        Before and after the test.
    """

    test: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[StageNote, ...] = ()
    findings: tuple[dict[str, Any], ...] = ()
    calibrations: tuple[Mapping[str, Any], ...] = ()


def limits_of(settings: Settings) -> ReadLimits:
    """How much of a file is read."""
    return ReadLimits(max_bytes=settings.max_upload_mib * 1024 * 1024, max_rows=settings.max_import_rows)


def read_options(options: ImportOptions, visit: Any) -> ReadOptions:
    """What intake must know, with the mass and conditions of the visit."""
    columns = {
        header: None if column is None else ColumnChoice(column.quantity, column.unit)
        for header, column in (options.columns or {}).items()
    }
    return ReadOptions(
        columns=columns,
        sheet=options.sheet,
        time_marks=options.time_marks,
        volume_condition=options.volume_condition,
        rows=options.rows,
        body_mass_kg=visit.body_mass_kg,
        barometric_pressure_mmhg=visit.barometric_pressure_mmhg,
        temperature_c=visit.temperature_c,
        relative_humidity_percent=visit.relative_humidity_percent,
        offset_s=options.offset_s or 0.0,
        decimal_mark=options.decimal_mark,
    )


def column_dict(column: ReadColumn) -> dict[str, Any]:
    """What became of a column, as it goes over the wire."""
    return {
        "header": column.header,
        "index": column.index,
        "quantity": column.quantity,
        "unit": column.unit,
        "from": column.from_,
        "factor": column.factor,
    }


def _columns_told(file: TestFile, body_mass_kg: float | None) -> list[dict[str, Any]]:
    """What became of each column, with the body mass where the values of one were multiplied by it."""
    multiplied = {one.column for one in file.findings if one.code == "uptake_from_body_mass"}
    return [
        column_dict(column) | ({"body_mass_kg": body_mass_kg} if column.header in multiplied else {})
        for column in file.columns
    ]


def _told(file: TestFile, *, test_id: str | None, existing: bool, body_mass_kg: float | None) -> ImportOut:
    return ImportOut(
        test_id=test_id,
        existing=existing,
        columns=_columns_told(file, body_mass_kg),
        rows=len(file.series),
        findings=[remark.as_dict() for remark in file.findings],
        analysis_url=None if test_id is None else f"/v1/tests/{test_id}/analysis",
    )


@dataclass(frozen=True, slots=True)
class Sheet:
    """What was written down during the test that a file is to be attached to.

    Attributes
    ----------
    notes : tuple of StageNote
    exercise_start_s, exercise_end_s : float or None
    zero_of_day_s : float or None
        Seconds after midnight, on the clock of the place, when the clock of the sheet was started.
    """

    notes: tuple[StageNote, ...]
    exercise_start_s: float | None
    exercise_end_s: float | None
    zero_of_day_s: float | None


@dataclass(frozen=True, slots=True)
class Look:
    """A file as it would be read, and the sheet that it would go with."""

    told: ImportOut
    file: TestFile
    sheet: Sheet | None


def look(store: Store, visit_pk: int, source: Source, options: ImportOptions) -> Look:
    """What would be read, and beside what; nothing is stored."""
    with store.read() as session:
        reading = read_options(options, queries.visit(session, visit_pk))
        sheet = None
        if options.test_id is not None:
            sheet = _sheet(session, queries.attached(session, visit_pk, options.test_id))
    file = read_test_file(source.data, source.name, reading, limits_of(store.settings))
    told = _told(file, test_id=None, existing=False, body_mass_kg=reading.body_mass_kg)
    return Look(told.model_copy(update={"first_rows": first_rows(file)}), file, sheet)


def _sheet(session: Session, test: ExerciseTest) -> Sheet:
    zero = clock_started_at(read_marks(session, test.id))
    midnight = None if zero is None else zero.replace(hour=0, minute=0, second=0, microsecond=0)
    return Sheet(
        tuple(read_notes(session, test.id)),
        test.exercise_start_s,
        test.exercise_end_s,
        None if zero is None or midnight is None else (zero - midnight).total_seconds(),
    )


def alignments(seen: Look, offset_s: float) -> tuple[Alignment, ...]:
    """What tells how far the clock of the file is off that of the sheet; nothing where there is no sheet.

    Parameters
    ----------
    seen : Look
    offset_s : float
        That the file was read with.
    """
    if seen.sheet is None:
        return ()
    series = changed(seen.file.series, end_s=seen.file.series.end_s - offset_s)
    return propose(
        series,
        seen.sheet.notes,
        in_file=exercise_in(series),
        sheet_start_s=seen.sheet.exercise_start_s,
        sheet_end_s=seen.sheet.exercise_end_s,
        file_zero_s=seen.file.zero_of_day_s,
        sheet_zero_s=seen.sheet.zero_of_day_s,
    )


def exercise_in(series: Series) -> Marks | None:
    """Where exercise was by phases or load of a file; None where it has neither."""
    loads = [series.channel(name) for name in _LOADS if series.has(name)]
    loaded = any(np.nanmax(load) > np.nanmin(load) for load in loads if np.isfinite(load).any())
    if not len(series) or not (loaded or (series.phase >= 0).any()):
        return None
    # Mode and person decide nothing about where exercise was.
    return find_marks(TestInput(series=series, mode="cycle", person=Person(sex=None)))


def preview(store: Store, visit_pk: int, source: Source, options: ImportOptions) -> ImportOut:
    """What would be read; nothing is stored."""
    return look(store, visit_pk, source, options).told


def import_file(
    store: Store,
    actor: str,
    target: Target,
    source: Source,
    options: ImportOptions,
    *,
    replace: bool = False,
    claim: Claim | None = None,
    beside: Beside | None = None,
    read_already: TestFile | None = None,
    respond: Callable[[Imported], T],
) -> T:
    """Import a file into a visit.

    Parameters
    ----------
    store, actor
    target : Target
        The visit.
    source : Source
    options : ImportOptions
    replace : bool
        Read the file into the test that it became before.
    claim : Claim, optional
    beside : Beside, optional
        What else is known of the test.
    read_already : TestFile, optional
        The source as it was read already, with these options and what the visit says.
    respond : callable
        Makes the answer; called before the commit.

    Raises
    ------
    RefusedFile, TooLarge, UnsupportedMediaType
        By intake.
    FileAlreadyImported
        The same bytes became a test of this visit with other options.
    Conflict
        The test to attach to has intervals, or is void.
    """
    chosen = options.model_dump(mode="json", exclude_none=True)
    assert target.visit_pk is not None  # noqa: S101 an import is into a visit
    visit_pk = target.visit_pk
    with store.read() as session:
        reading = read_options(options, queries.visit(session, visit_pk))
        known = _known(session, visit_pk, source, options, chosen, replace=replace)
        existing = (
            None
            if known is None
            else (known.id, known.public_id, known.source_options == chosen and not replace)
        )
        if existing is not None and existing[2]:
            told = ImportOut(
                test_id=existing[1],
                existing=True,
                columns=known.source_columns or [] if known is not None else [],
                rows=tests.count_intervals(session, existing[0]),
                findings=known.source_findings or [] if known is not None else [],
                analysis_url=f"/v1/tests/{existing[1]}/analysis",
            )
            return respond(Imported(told, 200))
        attach = _attachable(session, visit_pk, options, replace=replace)
    file = read_already or read_test_file(source.data, source.name, reading, limits_of(store.settings))
    into = attach if attach is not None else (existing[0] if existing is not None else None)
    where = Target(target.subject_pk, target.subject_id, visit_pk, into, target.revision)

    def edit(session: Session) -> Edit:
        own = beside or Beside()
        notes = _merged((*own.notes, *(read_notes(session, attach) if attach is not None else ())), file)
        values = _columns(
            session, target.subject_pk, source, options, chosen, file, into, reading.body_mass_kg
        )
        values |= own.test
        values["source_findings"] += own.findings
        calibrations = own.calibrations or None
        return Edit(
            test=values, series=file.series, notes=notes, calibrations=calibrations, new_test=into is None
        )

    def check(session: Session) -> None:
        # Another import of the same bytes may have come between.
        if into is None and _known(session, visit_pk, source, options, chosen, replace=replace) is not None:
            raise Conflict("The same file was imported at the same moment; read the visit again.")
        if into is not None:
            tests.refuse_void(session, into)

    def answer(transaction: Transaction, test_pk: int | None) -> T:
        assert test_pk is not None  # noqa: S101 the edit made or named it
        test = tests.get(transaction.session, test_pk)
        action: Any = "created" if into is None else "changed"
        transaction.changed(
            "test",
            test.public_id,
            action=action,
            subject_id=target.subject_id,
            payload={"file": source.sha256, "options": chosen},
        )
        status = 201 if into is None else 200
        return respond_and_keep(
            transaction,
            Imported(
                _told(file, test_id=test.public_id, existing=False, body_mass_kg=reading.body_mass_kg),
                status,
            ),
        )

    def respond_and_keep(transaction: Transaction, imported: Imported) -> T:
        return transaction.answer(respond(imported), subject_pk=target.subject_pk)

    return record(store, actor, where, edit, answer=answer, claim=claim, check=check)


def known_test(
    session: Session, visit_pk: int, source: Source, options: ImportOptions
) -> ExerciseTest | None:
    """The test of a visit that the same bytes with the same options became.

    Raises
    ------
    FileAlreadyImported
        They became one with other options.
    """
    chosen = options.model_dump(mode="json", exclude_none=True)
    return _known(session, visit_pk, source, options, chosen, replace=False)


def _known(
    session: Session,
    visit_pk: int,
    source: Source,
    options: ImportOptions,
    chosen: dict[str, Any],
    *,
    replace: bool,
) -> ExerciseTest | None:
    """The test that the same bytes became; other `rows` of the same file are another test."""
    same_part = [
        test
        for test in queries.of_same_bytes(session, visit_pk, source.sha256)
        if (test.source_options or {}).get("rows") == chosen.get("rows")
    ]
    alike = next((test for test in same_part if test.source_options == chosen), None)
    if options.test_id is not None:
        return None if replace else alike
    if not same_part:
        return None
    if alike is not None or replace:
        return alike or same_part[0]
    raise FileAlreadyImported(
        "This file is a test of this visit already, read with other options. Import with replace=true to read it anew "
        "into that test, or name other rows of it for another test.",
        (Place("file", "is in the record already, with other options"),),
        extra={"test_id": same_part[0].public_id},
    )


def _attachable(session: Session, visit_pk: int, options: ImportOptions, *, replace: bool) -> int | None:
    if options.test_id is None:
        return None
    test = queries.attached(session, visit_pk, options.test_id)
    tests.refuse_void(session, test.id)
    if options.mode is not None and options.mode != test.mode:
        message = f"is {options.mode}, but the test is {test.mode}"
        raise InvalidContent(f"mode {message}.", (Place("options.mode", message, value=options.mode),))
    if tests.count_intervals(session, test.id) and not replace:
        raise Conflict(
            "The test has intervals; import with replace=true to put the file in their place.",
            extra={"test_id": test.public_id},
        )
    return test.id


def _merged(own: Sequence[StageNote], file: TestFile) -> tuple[StageNote, ...]:
    """Notes of the file; those that are there already, or were given, stay and win for the same stage and time."""
    taken = {(note.stage, note.phase, note.time_s) for note in own}
    return (*own, *(note for note in file.stage_notes if (note.stage, note.phase, note.time_s) not in taken))


def _columns(
    session: Session,
    subject_pk: int,
    source: Source,
    options: ImportOptions,
    chosen: dict[str, Any],
    file: TestFile,
    into: int | None,
    body_mass_kg: float | None,
) -> dict[str, Any]:
    values: dict[str, Any] = {
        "status": "complete",
        "source_hash": source.sha256,
        "source_name": source.name[:200],
        "source_options": chosen,
        "source_columns": _columns_told(file, body_mass_kg),
        "source_findings": [remark.as_dict() for remark in file.findings],
    }
    if options.protocol_id is not None:
        tests.check_protocol(session, options.protocol_id, where="options")
        values["protocol_key"] = options.protocol_id
    if options.verifies_test_id is not None:
        values["verifies_test_id"] = tests.linked_test(
            session, subject_pk, options.verifies_test_id, but=into, where="options"
        )
    values |= {name: chosen[name] for name in ("mode", "purpose", *_TAKEN_BACK) if name in chosen}
    if into is None:
        values.setdefault("purpose", "verification" if options.verifies_test_id is not None else "maximal")
    else:
        values |= _taken_back(tests.get(session, into), chosen)
    return values


#: Options that a test keeps, and that an import without them takes back.
_TAKEN_BACK = ("shape", "exercise_start_s", "exercise_end_s", "stop_reason")


def _taken_back(test: ExerciseTest, chosen: dict[str, Any]) -> dict[str, None]:
    """What the options of the import before had set, and these leave out; what was set by hand stays."""
    before = test.source_options or {}
    return {
        name: None
        for name in _TAKEN_BACK
        if name in before and name not in chosen and getattr(test, name) == before[name]
    }
