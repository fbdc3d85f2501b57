"""Reads and writes of what an analysis rests on, and of its answer; nothing is committed here."""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, timezone
from typing import Any, cast

import numpy as np
import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analysis.series import ReportedValue, Series, StageNote
from service.db.models import (
    Analysis,
    Base,
    Calibration,
    Exclusion,
    ExerciseTest,
    Interval,
    IntervalExtra,
    LoadedNorm,
    Measurement,
    Protocol,
    ReportedResult,
    Result,
    Site,
    Subject,
    TesterThreshold,
    Visit,
)
from service.db.models import StageNote as StageNoteRow
from service.db.transactions import now
from service.quantities import EXTRA_CHANNELS, QUANTITIES, STORED_CHANNELS
from service.reference.protocols import STANDARD_PROTOCOLS
from service.reference.tables import NormTable, builtin_norms

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class TestRows:
    """One test and all that its analysis rests on, as stored.

    Attributes
    ----------
    subject, visit, test : mapping
        Columns of the rows.
    series : Series
    notes, reported : tuple
    protocol_family : str or None
    calibrations : tuple of mapping
        ``when``, ``kind``, ``expected``, ``measured``, ``unit``, ``device``, in the order they were given.
    tester_thresholds : tuple of mapping
        ``threshold``, ``vo2_ml_min``, ``time_s``, ``by``, ``reason``, by threshold.
    """

    __test__ = False

    subject: Row
    visit: Row
    test: Row
    series: Series
    notes: tuple[StageNote, ...]
    reported: tuple[ReportedValue, ...]
    protocol_family: str | None
    calibrations: tuple[Row, ...] = ()
    tester_thresholds: tuple[Row, ...] = ()


_NOTE_FIELDS = tuple(StageNote.__dataclass_fields__)


def _table(model: type[Base]) -> sa.Table:
    """The bare table of a model: rows in bulk need no entities."""
    return cast("sa.Table", model.__table__)


def read_series(session: Session, test_pk: int) -> Series:
    """The intervals of a test, with what was taken out, or kept, by hand."""
    columns = [
        Interval.__table__.c[name] for name in ("end_s", "duration_s", "phase", "stage", *STORED_CHANNELS)
    ]
    rows = session.execute(
        sa.select(*columns).where(Interval.test_id == test_pk).order_by(Interval.seq)
    ).all()
    excluded, kept = (np.zeros(len(rows), dtype=np.bool_) for _ in range(2))
    decided = session.execute(
        sa.select(Exclusion.seq, Exclusion.excluded).where(
            Exclusion.test_id == test_pk, Exclusion.seq < len(rows)
        )
    )
    for seq, is_excluded in decided:
        (excluded if is_excluded else kept)[seq] = True
    table = np.array([tuple(row) for row in rows], dtype=np.float64).reshape(
        len(rows), 4 + len(STORED_CHANNELS)
    )
    channels = {
        name: table[:, 4 + place]
        for place, name in enumerate(STORED_CHANNELS)
        if np.isfinite(table[:, 4 + place]).any()
    }
    extra_columns = [IntervalExtra.__table__.c[name] for name in ("seq", *EXTRA_CHANNELS)]
    extra = session.execute(sa.select(*extra_columns).where(IntervalExtra.test_id == test_pk)).all()
    if extra:
        extra_table = np.array([tuple(row) for row in extra], dtype=np.float64)
        places = extra_table[:, 0].astype(np.int64)
        for place, name in enumerate(EXTRA_CHANNELS, start=1):
            values = np.full(len(rows), np.nan)
            values[places] = extra_table[:, place]
            if np.isfinite(values).any():
                channels[name] = values
    return Series(
        end_s=table[:, 0],
        duration_s=table[:, 1],
        channels=channels,
        phase=np.nan_to_num(table[:, 2], nan=-1).astype(np.int8),
        stage=np.nan_to_num(table[:, 3], nan=-1).astype(np.int64),
        excluded=excluded,
        kept=kept,
    )


def write_series(session: Session, test_pk: int, series: Series, *, first_seq: int = 0) -> None:
    """Store intervals from `first_seq` on."""
    count = len(series)
    if not count:
        return

    def column(values: np.ndarray[Any, Any]) -> list[float | None]:
        return [None if value != value else value for value in values.tolist()]  # noqa: PLR0124 NaN is a missing value

    def codes(values: np.ndarray[Any, Any]) -> list[int | None]:
        return [None if value < 0 else value for value in values.tolist()]

    seqs = range(first_seq, first_seq + count)
    names = ("test_id", "seq", "end_s", "duration_s", "phase", "stage", *STORED_CHANNELS)
    stored = zip(
        [test_pk] * count,
        seqs,
        column(series.end_s),
        column(series.duration_s),
        codes(series.phase),
        codes(series.stage),
        *(column(series.channel(name)) for name in STORED_CHANNELS),
        strict=True,
    )
    session.execute(sa.insert(_table(Interval)), [dict(zip(names, row, strict=True)) for row in stored])
    if any(series.has(name) for name in EXTRA_CHANNELS):
        extra_names = ("test_id", "seq", *EXTRA_CHANNELS)
        extra = zip(
            [test_pk] * count, seqs, *(column(series.channel(name)) for name in EXTRA_CHANNELS), strict=True
        )
        session.execute(
            sa.insert(_table(IntervalExtra)), [dict(zip(extra_names, row, strict=True)) for row in extra]
        )


def no_series() -> Series:
    """The intervals of a test that has none yet."""
    none = np.zeros(0)
    return Series(
        end_s=none,
        duration_s=none,
        channels={},
        phase=none.astype(np.int8),
        stage=none.astype(np.int64),
        excluded=none.astype(np.bool_),
        kept=none.astype(np.bool_),
    )


def replace_series(session: Session, test_pk: int, series: Series) -> None:
    """Store these intervals in the place of what the test has; exclusions go with the old ones."""
    for table in (Interval, IntervalExtra, Exclusion):
        session.execute(sa.delete(table).where(table.test_id == test_pk))
    write_series(session, test_pk, series)


def append_series(session: Session, test_pk: int, series: Series) -> None:
    """Store these intervals after those the test has."""
    last = session.scalar(sa.select(sa.func.max(Interval.seq)).where(Interval.test_id == test_pk))
    write_series(session, test_pk, series, first_seq=0 if last is None else last + 1)


def replace_notes(session: Session, test_pk: int, notes: Sequence[StageNote], *, new: bool = False) -> None:
    """Store these stage notes in the place of what the test has; a new one has none."""
    if not new:
        session.execute(sa.delete(StageNoteRow).where(StageNoteRow.test_id == test_pk))
    if notes:
        session.execute(
            sa.insert(_table(StageNoteRow)),
            [
                {"test_id": test_pk, "seq": seq, **{name: getattr(note, name) for name in _NOTE_FIELDS}}
                for seq, note in enumerate(notes)
            ],
        )


def replace_reported(session: Session, test_pk: int, reported: Sequence[ReportedValue]) -> None:
    """Store these reported results in the place of what the test has."""
    session.execute(sa.delete(ReportedResult).where(ReportedResult.test_id == test_pk))
    if reported:
        session.execute(
            sa.insert(_table(ReportedResult)),
            [
                {
                    "test_id": test_pk,
                    "quantity": one.quantity,
                    "value": one.value,
                    "method": one.method,
                    "source": one.source,
                }
                for one in reported
            ],
        )


def read_notes(session: Session, test_pk: int) -> tuple[StageNote, ...]:
    """The stage notes of a test, in the order they were written."""
    columns = [StageNoteRow.__table__.c[name] for name in _NOTE_FIELDS]
    rows = session.execute(
        sa.select(*columns).where(StageNoteRow.test_id == test_pk).order_by(StageNoteRow.seq)
    )
    return tuple(StageNote(**row._mapping) for row in rows)  # noqa: SLF001 SQLAlchemy's public name for it


def read_reported(session: Session, test_pk: int) -> tuple[ReportedValue, ...]:
    """The reported results of a test."""
    rows = session.execute(
        sa.select(ReportedResult.quantity, ReportedResult.value, ReportedResult.method, ReportedResult.source)
        .where(ReportedResult.test_id == test_pk)
        .order_by(ReportedResult.quantity)
    )
    return tuple(ReportedValue(*row) for row in rows)


def read_calibrations(session: Session, test_pk: int) -> tuple[Row, ...]:
    """The calibrations of a test, in the order they were given (``when`` is a word of SQL)."""
    return read_calibrations_of(session, [test_pk]).get(test_pk, ())


def read_calibrations_of(session: Session, test_pks: Iterable[int]) -> dict[int, tuple[Row, ...]]:
    """The same of some tests; a test without any is not in it."""
    answer: dict[int, tuple[Row, ...]] = {}
    for row in session.scalars(
        sa.select(Calibration)
        .where(Calibration.test_id.in_(list(test_pks)))
        .order_by(Calibration.test_id, Calibration.seq)
    ):
        told = {
            "when": row.moment,
            **{name: getattr(row, name) for name in ("kind", "expected", "measured", "unit", "device")},
        }
        answer[row.test_id] = (*answer.get(row.test_id, ()), told)
    return answer


def replace_calibrations(session: Session, test_pk: int, calibrations: Sequence[Row]) -> None:
    """Store these calibrations in the place of what the test has."""
    session.execute(sa.delete(Calibration).where(Calibration.test_id == test_pk))
    for seq, row in enumerate(calibrations):
        values = {name: value for name, value in row.items() if name != "when"}
        session.add(Calibration(test_id=test_pk, seq=seq, moment=row["when"], **values))
    session.flush()


_THRESHOLD_FIELDS = ("threshold", "vo2_ml_min", "time_s", "by", "reason")


def read_tester_thresholds(session: Session, test_pk: int) -> tuple[Row, ...]:
    """The tester's own thresholds, by threshold."""
    rows = session.scalars(
        sa.select(TesterThreshold)
        .where(TesterThreshold.test_id == test_pk)
        .order_by(TesterThreshold.threshold)
    )
    return tuple({name: getattr(row, name) for name in _THRESHOLD_FIELDS} for row in rows)


def replace_tester_thresholds(session: Session, test_pk: int, thresholds: Sequence[Row]) -> None:
    """Store these thresholds of the tester in the place of what the test has."""
    session.execute(sa.delete(TesterThreshold).where(TesterThreshold.test_id == test_pk))
    session.add_all(TesterThreshold(test_id=test_pk, at=now(), **row) for row in thresholds)
    session.flush()


def family_of(session: Session, protocol_key: str | None) -> str | None:
    """The family of a stored or standard protocol; never inferred."""
    if protocol_key is None:
        return None
    standard = STANDARD_PROTOCOLS.get(protocol_key)
    if standard is not None:
        return standard.family
    return session.scalar(sa.select(Protocol.family).where(Protocol.key == protocol_key))


def _mapping(entity: Any) -> Row:
    return {column.key: getattr(entity, column.key) for column in sa.inspect(type(entity)).columns}


def load_tests(session: Session, test_pks: Iterable[int]) -> dict[int, TestRows]:
    """Everything the analyses of these tests rest on."""
    answer: dict[int, TestRows] = {}
    for test_pk in test_pks:
        test, visit, subject = session.execute(
            sa.select(ExerciseTest, Visit, Subject)
            .join(Visit, Visit.id == ExerciseTest.visit_id)
            .join(Subject, Subject.id == Visit.subject_id)
            .where(ExerciseTest.id == test_pk)
        ).one()
        answer[test_pk] = TestRows(
            subject=_mapping(subject),
            visit=_mapping(visit),
            test=_mapping(test),
            series=read_series(session, test_pk),
            notes=read_notes(session, test_pk),
            reported=read_reported(session, test_pk),
            protocol_family=family_of(session, test.protocol_key),
            calibrations=read_calibrations(session, test_pk),
            tester_thresholds=read_tester_thresholds(session, test_pk),
        )
    return answer


def complete_tests_of_subject(session: Session, subject_pk: int) -> list[int]:
    """Tests that have, or should have, an analysis."""
    return list(
        session.scalars(
            sa.select(ExerciseTest.id)
            .join(Visit, Visit.id == ExerciseTest.visit_id)
            .where(Visit.subject_id == subject_pk, ExerciseTest.status == "complete")
            .order_by(ExerciseTest.id)
        )
    )


def complete_tests_of_visit(session: Session, visit_pk: int) -> list[int]:
    """The same for one visit, with tests of other visits that are linked to one of it."""
    own = sa.select(ExerciseTest.id).where(ExerciseTest.visit_id == visit_pk)
    linked = sa.select(ExerciseTest.verifies_test_id).where(ExerciseTest.visit_id == visit_pk)
    statement = sa.select(ExerciseTest.id).where(
        ExerciseTest.status == "complete", sa.or_(ExerciseTest.id.in_(own), ExerciseTest.id.in_(linked))
    )
    return list(session.scalars(statement.order_by(ExerciseTest.id)))


def complete_tests_on(session: Session, test_pk: int) -> list[int]:
    """The same for one test, with the test that it verifies."""
    verified = sa.select(ExerciseTest.verifies_test_id).where(ExerciseTest.id == test_pk)
    statement = sa.select(ExerciseTest.id).where(
        ExerciseTest.status == "complete", sa.or_(ExerciseTest.id == test_pk, ExerciseTest.id.in_(verified))
    )
    return list(session.scalars(statement.order_by(ExerciseTest.id)))


def verifications_of(session: Session, test_pks: Iterable[int]) -> dict[int, list[int]]:
    """The complete verification bouts of each test."""
    wanted = list(test_pks)
    if not wanted:
        return {}
    rows = session.execute(
        sa.select(ExerciseTest.verifies_test_id, ExerciseTest.id)
        .where(ExerciseTest.verifies_test_id.in_(wanted), ExerciseTest.status == "complete")
        .order_by(ExerciseTest.id)
    )
    answer: dict[int, list[int]] = {}
    for main, bout in rows:
        if main is not None:
            answer.setdefault(main, []).append(bout)
    return answer


def read_analysis(session: Session, test_pk: int) -> Analysis | None:
    """The stored analysis."""
    return session.get(Analysis, test_pk)


def stored_settings(session: Session, test_pks: Iterable[int]) -> dict[int, dict[str, Any]]:
    """The settings that the stored analyses were made with."""
    wanted = list(test_pks)
    if not wanted:
        return {}
    rows = session.execute(sa.select(Analysis.test_id, Analysis.settings).where(Analysis.test_id.in_(wanted)))
    return {test_pk: settings for test_pk, settings in rows}  # noqa: C416 rows are not pairs to the type checker


def when_tested(session: Session, test_pk: int) -> tuple[int, date]:
    """The subject of a test, and its date in the visit's own offset."""
    subject_pk, started_at, offset = session.execute(
        sa.select(Visit.subject_id, Visit.started_at, Visit.utc_offset_minutes)
        .join(ExerciseTest, ExerciseTest.visit_id == Visit.id)
        .where(ExerciseTest.id == test_pk)
    ).one()
    return subject_pk, local_date(started_at, offset)


#: There is one row of what the site has set, by this key.
_THE_SITE = 1


def site(session: Session) -> Site:
    """What the site has set; a site that has set nothing has the defaults."""
    return session.get(Site, _THE_SITE) or Site(id=_THE_SITE, revision=0, settings={})


def bump_site(session: Session) -> int:
    """Count a change of what the site has set."""
    row = session.get(Site, _THE_SITE)
    if row is None:
        row = Site(id=_THE_SITE, revision=0, settings={})
        session.add(row)
    row.revision += 1
    session.flush()
    return row.revision


def norm_tables(session: Session) -> tuple[NormTable, ...]:
    """The published tables and the site's own."""
    documents = session.scalars(sa.select(LoadedNorm.document).order_by(LoadedNorm.id)).all()
    return (*builtin_norms(), *(NormTable.from_document(document) for document in documents))


def local_date(started_at: datetime, utc_offset_minutes: int) -> date:
    """The date in the visit's own offset."""
    return started_at.astimezone(timezone(timedelta(minutes=utc_offset_minutes))).date()


def write_analysis(
    session: Session,
    test_pk: int,
    *,
    version: str,
    input_hash: str,
    site_revision: int,
    settings: dict[str, Any],
    document: dict[str, Any],
) -> None:
    """Store the one current analysis of a test that has none."""
    values = {
        "analysis_version": version,
        "input_hash": input_hash,
        "site_revision": site_revision,
        "settings": settings,
        "document": json.dumps(document, allow_nan=False, separators=(",", ":")),
        "computed_at": now(),
    }
    session.execute(sa.insert(_table(Analysis)), {"test_id": test_pk, **values})


def drop_analysis(session: Session, test_pk: int) -> None:
    """Take the analysis and the results of a test away: others take their place, or it was voided."""
    session.execute(sa.delete(Analysis).where(Analysis.test_id == test_pk))
    session.execute(sa.delete(Result).where(Result.test_id == test_pk))


def indexed(session: Session, test_pk: int) -> dict[str, float]:
    """The values of a test in the results index."""
    rows = session.execute(sa.select(Result.quantity, Result.value).where(Result.test_id == test_pk))
    return {quantity: value for quantity, value in rows}  # noqa: C416 rows are not pairs to the type checker


def write_results(session: Session, test_pk: int, rows: Sequence[Row]) -> None:
    """Store these rows of the results index for a test that has none."""
    if rows:
        session.execute(sa.insert(_table(Result)), [{**row, "test_id": test_pk} for row in rows])


#: What a visit itself gives to the results index.
VISIT_QUANTITIES = (
    "body_mass_kg",
    "resting_heart_rate_bpm",
    "resting_systolic_mmhg",
    "resting_diastolic_mmhg",
    "resting_spo2_percent",
)


def refresh_visit_results(session: Session, visit_pk: int) -> None:
    """Bring the results of a visit itself (mass, resting values, measurements) up to date."""
    visit = session.get(Visit, visit_pk, populate_existing=True)
    assert visit is not None  # noqa: S101 its row was just written
    session.execute(sa.delete(Result).where(Result.visit_id == visit_pk, Result.test_id.is_(None)))
    found: list[tuple[str, float, str]] = [
        (
            name,
            getattr(visit, name),
            (visit.body_mass_source or "source not recorded")
            if name == "body_mass_kg"
            else "recorded at the visit",
        )
        for name in VISIT_QUANTITIES
        if getattr(visit, name) is not None
    ]
    found += [
        (row.quantity, row.value, "measured at the visit")
        for row in session.scalars(sa.select(Measurement).where(Measurement.visit_id == visit_pk))
        if row.quantity in QUANTITIES
    ]
    if found:
        session.execute(
            sa.insert(Result),
            [
                {
                    "subject_id": visit.subject_id,
                    "visit_id": visit_pk,
                    "test_id": None,
                    "quantity": quantity,
                    "value": value,
                    "method": method,
                    "method_version": "1",
                    "occurred_at": visit.started_at,
                    "date": local_date(visit.started_at, visit.utc_offset_minutes),
                    "basis": "measured",
                    "has_error": False,
                }
                for quantity, value, method in found
            ],
        )
