"""Checks of a record, and analyses by a newer version."""

import hashlib
import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analyses import queries
from service.analyses.workflow import Judged, Target, judge, reanalyse, standing_choices
from service.analysis.choice import differing
from service.analysis.summary import ANALYSIS_VERSION, AnalysisSettings
from service.backups.queries import note_backup
from service.db.migrate import schema_state
from service.db.models import Analysis, Base, Change, ChangePayload, ExerciseTest, Subject, Visit
from service.db.transactions import Store, Transaction, chained_hash, payload_digest
from service.effort_rules.queries import own_rule_sets
from service.errors import UpslopeError
from service.reference.tables import builtin_norms
from service.settings import Settings
from service.workers import done_by_all


@dataclass(frozen=True, slots=True)
class Outcome:
    """One check."""

    name: str
    passed: bool
    detail: str


def run_checks(settings: Settings) -> list[Outcome]:
    """Check a record; may run beside a server.

    Returns
    -------
    list of Outcome
        Schema, integrity, foreign keys, audit chain, analyses, catalogues. After a schema that is not this
        program's nothing more can be asked.
    """
    state = schema_state(settings)
    if state.current != state.newest:
        told = "newer than this program" if not state.known else "not the newest; run 'upslope migrate'"
        return [Outcome("schema", passed=False, detail=f"{state.current or 'empty'}: {told}")]
    outcomes = [Outcome("schema", passed=True, detail=f"{state.newest}, the newest")]
    store = Store(settings)
    try:
        with store.read() as session:
            outcomes += [_guarded(name, check, session) for name, check in _CHECKS]
    finally:
        store.close()
    return outcomes


#: What can be checked without judging every test again.
QUICK = ("integrity", "foreign keys", "tables", "audit chain")


def quick_checks(session: Session) -> list[Outcome]:
    """Those checks of a record that a page can wait for."""
    return [_guarded(name, check, session) for name, check in _CHECKS if name in QUICK]


def note_copy(settings: Settings, path: Path, begun_at: datetime) -> str | None:
    """Note in the record that a checked copy of it was made by hand; why not, where it cannot be.

    A copy counts without the note: it is often made of a record that an older program wrote, or that cannot be written.
    """
    try:
        state = schema_state(settings)
        if state.current != state.newest:
            return "it is not at the newest schema."
        store = Store(settings)
        try:
            with store.write("command line") as transaction:
                note_backup(transaction, path, begun_at)
        finally:
            store.close()
    except (UpslopeError, sa.exc.SQLAlchemyError) as error:
        return f"{error}."
    return None


def _guarded(name: str, check: Callable[[Session], Outcome], session: Session) -> Outcome:
    """One check; what is so damaged that it cannot be checked has failed it, and the others go on."""
    try:
        return check(session)
    except Exception as error:  # noqa: BLE001 whatever a damaged record does, it is told
        return Outcome(name, passed=False, detail=f"could not be checked: {type(error).__name__}: {error}")


def _integrity(session: Session) -> Outcome:
    if session.get_bind().dialect.name != "sqlite":
        return Outcome("integrity", passed=True, detail="PostgreSQL checks its own pages")
    found = list(session.scalars(sa.text("PRAGMA integrity_check")))
    return Outcome("integrity", passed=found == ["ok"], detail="; ".join(str(line) for line in found[:3]))


def _foreign_keys(session: Session) -> Outcome:
    if session.get_bind().dialect.name != "sqlite":
        return Outcome("foreign keys", passed=True, detail="held by PostgreSQL")
    broken = session.execute(sa.text("PRAGMA foreign_key_check")).fetchall()
    return Outcome("foreign keys", passed=not broken, detail=f"{len(broken)} rows without their parent")


def _models(session: Session) -> Outcome:
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    differences = compare_metadata(MigrationContext.configure(session.connection()), Base.metadata)
    return Outcome("tables", passed=not differences, detail=f"{len(differences)} differences from the models")


def _chain(session: Session) -> Outcome:
    previous = ""
    count = 0
    emptied: dict[str | None, int] = {}
    rows = session.execute(
        sa.select(Change, ChangePayload.salt, ChangePayload.payload)
        .outerjoin(ChangePayload, ChangePayload.seq == Change.seq)
        .order_by(Change.seq)
    )
    for change, salt, payload in rows:
        expected = chained_hash(
            previous,
            at=change.at,
            actor=change.actor,
            kind=change.kind,
            id=change.id,
            subject_id=change.subject_id,
            action=change.action,
            digest=change.payload_digest,
        )
        # An erasure empties the payload and its salt; the digest, and so the chain, stays.
        altered = bool(salt) and payload_digest(salt, payload) != change.payload_digest
        if expected != change.hash or altered:
            return Outcome("audit chain", passed=False, detail=f"broken at entry {change.seq}")
        if not salt:
            emptied.setdefault(change.subject_id, change.seq)
        if change.kind == "subject" and change.action == "deleted":
            emptied.pop(change.subject_id, None)
        previous = change.hash
        count += 1
    if emptied:
        first = min(emptied.values())
        return Outcome(
            "audit chain", passed=False, detail=f"entry {first} was emptied, and nobody was erased"
        )
    return Outcome("audit chain", passed=True, detail=f"{count} entries, the last {previous[:12] or 'none'}")


def _analyses(session: Session) -> Outcome:
    """Every complete test has an analysis, and each rests on the inputs as they are now."""
    complete = list(session.scalars(sa.select(ExerciseTest.id).where(ExerciseTest.status == "complete")))
    stored = {row.test_id: row for row in session.scalars(sa.select(Analysis))}
    missing = [pk for pk in complete if pk not in stored]
    stale = [
        pk
        for pk in complete
        if pk in stored
        and stored[pk].analysis_version == ANALYSIS_VERSION
        and stored[pk].input_hash != judged_now(session, pk).input_hash
    ]
    older = sum(stored[pk].analysis_version != ANALYSIS_VERSION for pk in complete if pk in stored)
    detail = f"{len(complete)} complete tests, {len(missing)} without analysis, {len(stale)} whose inputs changed since"
    if older:
        detail += f", {older} by an older version (upslope reanalyse)"
    if others := len(made_with_other_settings(session)):
        # No fault: stored analyses keep their settings until somebody analyses them anew.
        detail += f", {others} with settings that the site or a cohort has changed since (upslope reanalyse)"
    return Outcome("analyses", passed=not missing and not stale, detail=detail)


def judged_now(session: Session, test_pk: int) -> Judged:
    """The analysis of a stored test from its rows as they are, with the settings it was stored with."""
    rows = queries.load_tests(session, [test_pk])[test_pk]
    bouts = queries.verifications_of(session, [test_pk]).get(test_pk, [])
    stored = queries.stored_settings(session, [test_pk])
    subject_pk, day = queries.when_tested(session, test_pk)
    standing = standing_choices(session, subject_pk)
    settings = (
        AnalysisSettings(**stored[test_pk]) if test_pk in stored else standing.settings(subject_pk, day, {})
    )
    bout_rows = queries.load_tests(session, bouts)
    return judge(
        rows,
        [bout_rows[bout] for bout in bouts],
        settings,
        queries.norm_tables(session),
        own_rule_sets=own_rule_sets(session),
        cohort_rules=standing.of_cohorts.get(subject_pk, ()),
    )


def made_with_other_settings(session: Session) -> list[int]:
    """Complete tests whose analysis would be made with other settings now: the site or a cohort chose anew since."""
    standing = standing_choices(session)
    rows = session.execute(
        sa.select(
            Analysis.test_id,
            Analysis.settings,
            Visit.subject_id,
            Visit.started_at,
            Visit.utc_offset_minutes,
        )
        .join(ExerciseTest, ExerciseTest.id == Analysis.test_id)
        .join(Visit, Visit.id == ExerciseTest.visit_id)
        .where(ExerciseTest.status == "complete")
        .order_by(Analysis.test_id)
    )
    return [
        test_pk
        for test_pk, stored, subject_pk, started_at, offset in rows
        if differing(stored, standing.settings(subject_pk, queries.local_date(started_at, offset), stored))
    ]


def _catalogues(session: Session) -> Outcome:
    tables = queries.norm_tables(session)
    digest = hashlib.sha256(repr([table.as_document() for table in builtin_norms()]).encode()).hexdigest()[
        :12
    ]
    return Outcome(
        "catalogues", passed=True, detail=f"{len(tables)} reference tables, published ones {digest}"
    )


_CHECKS: tuple[tuple[str, Callable[[Session], Outcome]], ...] = (
    ("integrity", _integrity),
    ("foreign keys", _foreign_keys),
    ("tables", _models),
    ("audit chain", _chain),
    ("analyses", _analyses),
    ("catalogues", _catalogues),
)


@dataclass(frozen=True, slots=True)
class Reanalysed:
    """One test analysed anew."""

    test_id: str
    of: int
    changed: list[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class ToAnalyse:
    """A complete test."""

    target: Target
    test_id: str


def reanalyse_tests(
    store: Store, actor: str, *, everything: bool, processes: int = 1
) -> Iterator[Reanalysed]:
    """Analyse tests anew: those of an older version and those whose settings were changed since, or all.

    Yields
    ------
    Reanalysed
        As of `analyse_each`.
    """
    yield from analyse_each(store, actor, to_analyse(store, everything=everything), processes=processes)


def analyse_each(
    store: Store, actor: str, wanted: Sequence[ToAnalyse], *, processes: int = 1
) -> Iterator[Reanalysed]:
    """Analyse these tests anew; those of one person stand together and are analysed by one process.

    Yields
    ------
    Reanalysed
        As those of each person are stored.
    """
    of_person = [list(tests) for _, tests in itertools.groupby(wanted, lambda one: one.target.subject_pk)]
    for changes in done_by_all(store, partial(_analysed, actor=actor), of_person, processes=processes):
        for test_id, changed in changes:
            yield Reanalysed(test_id, len(wanted), changed)


def to_analyse(store: Store, *, everything: bool) -> list[ToAnalyse]:
    """Complete tests that `reanalyse_tests` would analyse, person by person."""
    statement = (
        sa.select(
            ExerciseTest.id,
            ExerciseTest.public_id,
            Visit.id.label("visit_pk"),
            Subject.id.label("subject_pk"),
            Subject.public_id.label("subject_id"),
        )
        .join(Visit, Visit.id == ExerciseTest.visit_id)
        .join(Subject, Subject.id == Visit.subject_id)
        .outerjoin(Analysis, Analysis.test_id == ExerciseTest.id)
        .where(ExerciseTest.status == "complete")
        .order_by(Subject.id, ExerciseTest.id)
    )
    with store.read() as session:
        if not everything:
            older = sa.func.coalesce(Analysis.analysis_version, "") != ANALYSIS_VERSION
            pks = set(made_with_other_settings(session)).union(
                session.scalars(
                    sa.select(ExerciseTest.id)
                    .outerjoin(Analysis, Analysis.test_id == ExerciseTest.id)
                    .where(ExerciseTest.status == "complete", older)
                )
            )
        return [
            ToAnalyse(Target(row.subject_pk, row.subject_id, row.visit_pk, row.id), row.public_id)
            for row in session.execute(statement)
            if everything or row.id in pks
        ]


def _analysed(
    store: Store, tests: Sequence[ToAnalyse], *, actor: str
) -> list[tuple[str, list[dict[str, Any]]]]:
    """Analyse tests of one person anew; what changed of each."""
    answer = []
    for one in tests:

        def noted(
            transaction: Transaction,
            _: dict[str, Any],
            changed: list[dict[str, Any]],
            one: ToAnalyse = one,
        ) -> list[dict[str, Any]]:
            transaction.changed(
                "analysis",
                one.test_id,
                action="changed",
                subject_id=one.target.subject_id,
                payload={"changed": changed},
            )
            return changed

        answer.append((one.test_id, reanalyse(store, actor, one.target, {}, answer=noted)))
    return answer
