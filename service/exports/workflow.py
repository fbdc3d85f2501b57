"""A research export from one state of the record: read, coarsened where it is asked for, written, and noted in the audit."""

import json
import math
import random
import secrets
import shutil
import zipfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import IO, Any
from uuid import UUID

from sqlalchemy.orm import Session

from service import __version__
from service.analyses import queries as analyses
from service.analyses.workflow import age_on, analysis_of
from service.analysis.series import PHASES
from service.analysis.summary import ANALYSIS_VERSION
from service.db.transactions import Store, now
from service.errors import Conflict, NotFound
from service.exports import queries
from service.outlets.data_package import (
    About,
    Folder,
    Format,
    Piece,
    Target,
    Written,
    Zip,
    descriptor,
    evenly,
    in_pieces,
    readme,
    write_table,
    write_text,
)
from service.outlets.deidentify import FROM_AGE_KEY, SUBJECT_KEY, Deidentifier, Life
from service.outlets.tables import (
    DICTIONARY,
    Profile,
    Table,
    dictionary_rows,
    quantity_rows,
    tables_of,
)
from service.privacy.queries import left_out
from service.quantities import QUANTITIES

Row = dict[str, Any]
_PHASES: Mapping[int | None, str | None] = {None: None, **dict(enumerate(PHASES))}
_DAYS_PER_YEAR = 365.2425
_OLDEST_YEARS = 90.0


@dataclass(frozen=True, slots=True)
class Question:
    """What is to be exported.

    Attributes
    ----------
    cohort_pk : int or None
        None is the whole record.
    subject_pk : int, optional
        One person alone: their own copy, which nothing is left out of.
    profile : {"identified", "coded", "deidentified"}
    form : {"csv", "parquet", "datapackage"}
    """

    cohort_pk: int | None
    profile: Profile = "coded"
    form: Format = "datapackage"
    subject_pk: int | None = None


@dataclass(frozen=True, slots=True)
class Exported:
    """What became of it.

    Attributes
    ----------
    id : str
        Of this export: in its descriptor, its text and the audit.
    rows : mapping of str to int
        By table.
    smallest_group : int or None
        Of a de-identified export: how many people share sex and age group with the person who shares them with the fewest.
    left_out : mapping of str to int
        How many people of the cohort are not in it, by reason.
    cohort_id : str, optional
    labels : mapping
        What the labels of a de-identified export stand for; for the audit alone.
    """

    id: str
    rows: Mapping[str, int]
    smallest_group: int | None = None
    left_out: Mapping[str, int] = field(default_factory=dict)
    cohort_id: str | None = None
    labels: Mapping[str, Any] = field(default_factory=dict)


class _OneState(Store):
    """A store of which every reader sees the state that one session sees."""

    def __init__(self, store: Store, session: Session) -> None:
        self.settings = store.settings
        self._session = session

    @contextmanager
    def read(self) -> Iterator[Session]:
        """The one session."""
        yield self._session


@dataclass(slots=True)
class _Reading:
    """One export while it is read."""

    state: Store
    session: Session
    question: Question
    people: list[int]
    told: Callable[[int, int], object]
    deidentifier: Deidentifier | None = None
    versions: Counter[str] = field(default_factory=Counter)
    site_revision: int = 0
    protocols: list[Row] = field(default_factory=list)
    steps: int = 0
    of_steps: int = 0

    def pieces(self, table: Table) -> Iterator[Piece]:
        """The rows of a table as the profile has them, in pieces to write."""
        if table.name == "intervals" and self.deidentifier is None:
            return evenly(self._interval_pieces())
        return in_pieces(table.of_profile(self.question.profile), self.rows(table))

    def rows(self, table: Table) -> Iterator[Row]:
        """The rows of a table as the profile has them."""
        for raw in self._raw(table.name):
            if self.deidentifier is None:
                yield raw
            else:
                row = self.deidentifier.row(table, raw)
                if row is not None:
                    yield row

    def _raw(self, name: str) -> Iterable[Row]:
        session, people, cohort = self.session, self.people, self.question.cohort_pk
        if name in queries.BELOW_TESTS:
            model, key = queries.BELOW_TESTS[name]
            return _with_unit(queries.of_tests(session, people, model, key), name)
        makers: dict[str, Callable[[], Iterable[Row]]] = {
            "quantities": quantity_rows,
            "subjects": lambda: queries.subjects(session, people),
            "cohorts": lambda: queries.cohorts(session, cohort, of_person=self.question.subject_pk),
            "cohort_members": lambda: queries.members(session, people, cohort),
            "visits": self._visits,
            "medications": self._medications,
            "pre_test_answers": self._answers,
            "measurements": lambda: _with_unit(queries.measurements(session, people), name),
            "protocols": lambda: self.protocols,
            "protocol_stages": self._protocol_stages,
            "tests": lambda: queries.tests(session, people),
            "intervals": self._intervals,
            "analyses": self._analyses,
            "results": self._results,
            "findings": self._findings,
            "norms_used": self._norms_used,
            "events": lambda: queries.events(session, people, of_site=self._has_site_events()),
        }
        return makers[name]()

    def _has_site_events(self) -> bool:
        return self.deidentifier is None and self.question.subject_pk is None

    def _visits(self) -> Iterator[Row]:
        coded = self.question.profile == "coded"
        for row in queries.visits(self.session, self.people):
            day = analyses.local_date(row["started_at"], row["utc_offset_minutes"])
            age = age_on(row, row, day)
            years = age["age_years"]
            if coded and years is not None:
                # A little more than the last digit, so that an age given in tenths stays what it is.
                years = math.floor(years * 10 + 1e-6) / 10
            if self.deidentifier is not None:
                self.deidentifier.seen(row[SUBJECT_KEY], row["sex"], years)
            yield row | {"date": day, "age_years": years, "age_basis": age["age_basis"]}

    def _medications(self) -> Iterator[Row]:
        for row in queries.visits(self.session, self.people):
            for seq, one in enumerate(row["medications"] or ()):
                taken_at = one.get("taken_at")
                yield {
                    **one,
                    "visit_id": row["visit_id"],
                    "seq": seq,
                    "taken_at": None if taken_at is None else datetime.fromisoformat(taken_at),
                    SUBJECT_KEY: row[SUBJECT_KEY],
                }

    def _answers(self) -> Iterator[Row]:
        for row in queries.visits(self.session, self.people):
            for seq, one in enumerate(row["pre_test_answers"] or ()):
                yield {**one, "visit_id": row["visit_id"], "seq": seq}

    def _protocol_stages(self) -> Iterator[Row]:
        for protocol in self.protocols:
            for seq, stage in enumerate(protocol["stages"]):
                yield {"seq": seq, **stage, "protocol_id": protocol["protocol_id"]}

    def _interval_pieces(self) -> Iterator[Piece]:
        for run in queries.in_runs(self.people):
            tests = {pk: (test_id, subject) for pk, test_id, subject in queries.test_keys(self.session, run)}
            for of_test, *columns in queries.intervals(self.session, run):
                piece = dict(zip(queries.INTERVAL_NAMES, columns, strict=True))
                piece["phase"] = [_PHASES[phase] for phase in piece["phase"]]
                piece["test_id"] = [tests[pk][0] for pk in of_test]
                piece[SUBJECT_KEY] = [tests[pk][1] for pk in of_test]
                yield piece
            self.steps += len(tests)
            self.told(self.steps, self.of_steps)

    def _intervals(self) -> Iterator[Row]:
        for piece in self._interval_pieces():
            for values in zip(*piece.values(), strict=True):
                yield dict(zip(piece, values, strict=True))

    def _stored(self, **parts: str) -> Iterator[tuple[Row, Row]]:
        """Of each test with an analysis the columns that say which it is, and those of the analysis."""
        for row in queries.analyses(self.session, self.people, **parts):
            if row["analysis_version"] is not None:
                yield {name: row[name] for name in ("test_id", SUBJECT_KEY)}, row
            self.steps += 1
            self.told(self.steps, self.of_steps)

    def _analyses(self) -> Iterator[Row]:
        parts = {
            "peak_basis": "peak.basis",
            "peak_label": "peak.label",
            "effort_verdict": "effort.verdict",
            "plateau_verdict": "plateau.verdict",
        }
        for of_test, stored in self._stored(**parts):
            self.versions[stored["analysis_version"]] += 1
            yield {
                **of_test,
                **stored["settings"],
                "analysis_version": stored["analysis_version"],
                "input_sha256": stored["input_hash"],
                "computed_at": stored["computed_at"],
                **{name: stored[name] for name in parts},
            }

    def _findings(self) -> Iterator[Row]:
        for of_test, stored in self._stored(findings="findings"):
            for seq, one in enumerate(json.loads(stored["findings"])):
                yield {**one, **of_test, "seq": seq}

    def _norms_used(self) -> Iterator[Row]:
        for of_test, stored in self._stored(ranks="ranks"):
            for one in self._ranks(stored):
                yield {**one, **of_test}

    def _ranks(self, stored: Row) -> list[Row]:
        """The standing as it is served: worked out anew where the site has changed its tables since."""
        if stored["site_revision"] == self.site_revision:
            ranks: list[Row] = json.loads(stored["ranks"])
            return ranks
        anew: list[Row] = analysis_of(self.state, stored["pk"], {}, where="query")["ranks"]
        # What was loaded for this test is not needed again.
        self.session.expunge_all()
        return anew

    def _results(self) -> Iterator[Row]:
        for number, row in enumerate(queries.results(self.session, self.people), start=1):
            yield row | {
                "result_no": number,
                "unit": QUANTITIES[row["quantity"]].unit,
                "own_method": None if row["basis"] == "reported" else row["method"],
                FROM_AGE_KEY: row["basis"] == "estimated",
            }


def _with_unit(rows: Iterable[Row], name: str) -> Iterator[Row]:
    """Rows of a long table with the unit of their quantity beside the value."""
    for row in rows:
        known = QUANTITIES.get(row.get("quantity", ""))
        yield row if known is None or name == "calibrations" else row | {"unit": known.unit}


def _lives(session: Session, people: Sequence[int]) -> dict[int, Life]:
    """Day 0 of each person, and whether anything of the record would tell an age over 89."""
    origins: dict[int, date] = {}
    for row in queries.first_test_days(session, people):
        origins.setdefault(
            row[SUBJECT_KEY], analyses.local_date(row["started_at"], row["utc_offset_minutes"])
        )
    last: dict[int, date] = {}
    for row in queries.last_days(session, people):
        for name, day in row.items():
            if name != SUBJECT_KEY and day is not None:
                last[row[SUBJECT_KEY]] = max(day, last.get(row[SUBJECT_KEY], day))
    ages: dict[int, list[tuple[date, float]]] = {}
    for row in queries.visits(session, people):
        subject = row[SUBJECT_KEY]
        day = analyses.local_date(row["started_at"], row["utc_offset_minutes"])
        origins.setdefault(subject, day)
        last[subject] = max(day, last.get(subject, day))
        oldest = age_on(row, row, day)["age_high_years"]
        if oldest is not None:
            ages.setdefault(subject, []).append((day, oldest))
    return {
        subject: Life(
            origin=origins.get(subject),
            eldest=any(
                age + max(0, (last[subject] - day).days) / _DAYS_PER_YEAR >= _OLDEST_YEARS
                for day, age in ages.get(subject, ())
            ),
        )
        for subject in people
    }


def export(
    store: Store,
    actor: str,
    question: Question,
    target: Target,
    *,
    told: Callable[[int, int], object] | None = None,
) -> Exported:
    """Write an export, and note it in the audit.

    Parameters
    ----------
    store : Store
    actor : str
        Who asks.
    question : Question
    target : Target
        Where the files go.
    told : callable, optional
        Called with the steps done and their number.

    Returns
    -------
    Exported

    Raises
    ------
    NotFound
        The cohort was deleted.
    Conflict
        There is nobody to export.
    """
    made = write_tables(store, question, target, told=told)
    with store.write(actor) as transaction:
        transaction.changed(
            "export",
            made.id,
            action="created",
            payload={
                "cohort_id": made.cohort_id,
                "profile": question.profile,
                "format": question.form,
                "rows": made.rows,
                "left_out": made.left_out,
                "labels": made.labels,
            },
        )
    return made


def write_tables(
    store: Store, question: Question, target: Target, *, told: Callable[[int, int], object] | None = None
) -> Exported:
    """Write the tables of an export, and note nothing: as `export`."""
    at = now()
    export_id = str(UUID(bytes=secrets.token_bytes(16), version=4))
    deidentified = question.profile == "deidentified"
    with store.read() as session:
        queries.one_state(session)
        cohort_id, title = _named(session, question)
        people, not_in_it = _people(session, question)
        reading = _Reading(_OneState(store, session), session, question, people, told or _silent)
        reading.site_revision = analyses.site(session).revision
        reading.protocols = queries.protocol_rows(session, people)
        reading.of_steps = 4 * queries.count_tests(session, people)
        if deidentified:
            reading.deidentifier = Deidentifier(_lives(session, people))
            # The order in which people were entered would tell who is who.
            random.SystemRandom().shuffle(people)
        written = [
            write_table(target, table, question.profile, reading.pieces(table), question.form)
            for table in tables_of(question.profile)
        ]
    written.append(
        write_table(
            target,
            DICTIONARY,
            question.profile,
            in_pieces(DICTIONARY.of_profile(question.profile), dictionary_rows(question.profile)),
            "csv" if question.form == "parquet" else question.form,
        )
    )
    smallest = None if reading.deidentifier is None else reading.deidentifier.smallest_group
    about = About(
        id=export_id,
        profile=question.profile,
        title=title,
        created=None if deidentified else at,
        program_version=__version__,
        analysis_version=ANALYSIS_VERSION,
        analysis_versions=dict(reading.versions),
        smallest_group=smallest,
        notes=tuple(f"Left out of this export: {count}. {reason}" for reason, count in not_in_it.items()),
    )
    _write_texts(target, question, about, written)
    return Exported(
        export_id,
        {one.table.name: one.rows for one in written},
        smallest,
        not_in_it,
        cohort_id,
        {} if reading.deidentifier is None else reading.deidentifier.labels,
    )


def _people(session: Session, question: Question) -> tuple[list[int], dict[str, int]]:
    """Who is in an export, and how many are not, by reason."""
    if question.subject_pk is not None:
        return [question.subject_pk], {}
    people = queries.subjects_of(session, question.cohort_pk)
    if not people:
        raise Conflict("There is nobody to export: the cohort has no members, or the record no subjects.")
    reasons = left_out(session, people)
    kept = [subject_pk for subject_pk in people if subject_pk not in reasons]
    if not kept:
        raise Conflict(
            f"There is nobody to export: the data of all {len(people)} people are restricted, or consent to research was "
            "withdrawn."
        )
    return kept, dict(Counter(reasons.values()))


def _silent(done: int, of: int) -> None:
    del done, of


def _named(session: Session, question: Question) -> tuple[str | None, str]:
    """Id of the cohort, and the title of the export."""
    if question.subject_pk is not None:
        return None, "Exercise tests of one person"
    if question.cohort_pk is None:
        return None, "Exercise tests of the whole record"
    cohort = queries.cohort_by_pk(session, question.cohort_pk)
    if cohort is None:
        raise NotFound("The cohort was deleted in the meantime.")
    named = "a cohort" if question.profile == "deidentified" else f"the cohort {cohort.name}"
    return cohort.public_id, f"Exercise tests of {named}"


def _write_texts(target: Target, question: Question, about: About, written: Sequence[Written]) -> None:
    if question.form == "datapackage":
        package = json.dumps(descriptor(about, written), indent=1, ensure_ascii=False) + "\n"
        write_text(target, "datapackage.json", package)
    write_text(target, "README.md", readme(about, written))


def export_zip(store: Store, actor: str, question: Question, stream: IO[bytes]) -> Exported:
    """The same as one zip archive, written to `stream` in pieces."""
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        return export(store, actor, question, Zip(archive))


def export_folder(
    store: Store,
    actor: str,
    question: Question,
    folder: Path,
    *,
    told: Callable[[int, int], object] | None = None,
) -> Exported:
    """The same as a folder, made where there is none; what was begun is taken away where it fails.

    Raises
    ------
    Conflict
        The folder is not empty.
    """
    existed = folder.is_dir()
    if folder.exists() and not (existed and not any(folder.iterdir())):
        raise Conflict(f"{folder} is not an empty folder; name a new one, so that nothing is mixed or lost.")
    folder.mkdir(parents=True, exist_ok=True)
    try:
        return export(store, actor, question, Folder(folder), told=told)
    except BaseException:
        for file in folder.iterdir():
            file.unlink()
        if not existed:
            shutil.rmtree(folder, ignore_errors=True)
        raise
