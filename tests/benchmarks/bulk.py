"""What is done to many rows at once: a group's summary and change, an export of all intervals, the bytes of an interval.

Each is held against the least that the database's own driver needs for the same rows: one aggregate in SQL; rows fetched and
written as Parquet with the same columns; a table of the same columns alone. SQLite files only.
"""

import contextlib
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import sqlalchemy as sa

from service.cohorts.workflow import Wanted, change_of, summary_of
from service.db.models import Cohort, CohortMember, Interval, Subject
from service.db.transactions import Store, now
from service.exports import queries
from service.outlets.data_package import arrow_schema
from tests.benchmarks.exporting import INTERVALS, exported
from tests.benchmarks.filling import TESTS_EACH, FilledStore
from tests.benchmarks.rows import Row, in_turn, judged, milliseconds
from tests.proofs.served import environment_of

_MEMBERS = 10_000
_QUANTITY = "vo2_peak_ml_kg_min"
_ROWS_AT_ONCE = 5000


@dataclass(frozen=True, slots=True)
class Case:
    """What is measured, and its floor; both answer the figure that is compared.

    Attributes
    ----------
    name, size, floor_name : str
    work, floor : callable
    at_least, at_most : float, optional
        Goal of the ratio; at_least is a part of the floor's speed.
    """

    name: str
    size: str
    floor_name: str
    work: Callable[[], float]
    floor: Callable[[], float]
    at_least: float | None = None
    at_most: float | None = None

    def row(self) -> Row:
        """Measured in turn with its floor, after once each unmeasured."""
        self.floor()
        self.work()
        found = in_turn({"work": self.work, "floor": self.floor})
        return judged(
            self.name,
            self.size,
            found["work"],
            floor=self.floor_name,
            floor_value=found["floor"],
            at_least=self.at_least,
            at_most=self.at_most,
        )


def _connected(store: Store) -> sqlite3.Connection:
    path = store.settings.sqlite_path
    assert path is not None, "floors are of SQLite files"
    return sqlite3.connect(path)


# --- a group -----------------------------------------------------------------------------------------------------

_JOINED = """
    FROM cohort_member JOIN result ON result.subject_id = cohort_member.subject_id JOIN visit ON visit.id = result.visit_id
"""
_OF_GROUP = """
    WHERE cohort_member.cohort_id = :cohort AND result.quantity = :quantity AND result.mode = 'treadmill'
    GROUP BY visit.round, cohort_member.arm
"""
_SUMMARY = f"""
    SELECT visit.round, cohort_member.arm, count(*), avg(result.value), sum(result.value * result.value) {_JOINED} {_OF_GROUP}
"""
_CHANGE = f"""
    SELECT visit.round, cohort_member.arm, count(*), avg(result.value), sum(result.value * result.value),
        avg(visit.body_mass_kg), avg(uptake.value)
    {_JOINED} LEFT JOIN result AS uptake
        ON uptake.test_id = result.test_id AND uptake.quantity = 'vo2_peak_ml_min' AND visit.round IN ('1', '{TESTS_EACH}')
    {_OF_GROUP}
"""


def cohort(store: FilledStore) -> list[Case]:
    """Summary and change of a group of 10,000, or of everybody in a smaller record, in two arms; it is made where missing."""
    cohort_pk, members = _group(store)
    wanted = Wanted(_QUANTITY, mode="treadmill")
    size = f"{members:,} people, {TESTS_EACH} rounds"
    # Of few people the fixed part of an answer is the most of it.
    goal = 3.0 if members == _MEMBERS else None

    def floor(statement: str) -> Callable[[], float]:
        connection = _connected(store)
        asked = {"cohort": cohort_pk, "quantity": _QUANTITY}
        return lambda: milliseconds(lambda: connection.execute(statement, asked).fetchall())

    def change() -> object:
        return change_of(store, cohort_pk, "group", wanted, earlier="1", later=str(TESTS_EACH))

    return [
        Case(
            "summary of a group, ms",
            size,
            "one aggregate in SQL by round and arm",
            lambda: milliseconds(lambda: summary_of(store, cohort_pk, "group", wanted)),
            floor(_SUMMARY),
            at_most=goal,
        ),
        Case(
            "change of a group, ms",
            size,
            "one aggregate in SQL by round and arm",
            lambda: milliseconds(change),
            floor(_SUMMARY),
            at_most=goal,
        ),
        Case(
            "change of a group, ms",
            size,
            "the same with the mass and the uptake in mL/min, which the change is told with",
            lambda: milliseconds(change),
            floor(_CHANGE),
        ),
    ]


def _group(store: Store) -> tuple[int, int]:
    """Key and number of members of the group that is measured."""
    name = "the first of the record"
    with store.write("benchmark") as transaction:
        session = transaction.session
        found = session.scalar(sa.select(Cohort.id).where(Cohort.name == name))
        if found is None:
            made = Cohort(name=name, created_at=now(), revision=1)
            session.add(made)
            session.flush()
            found = made.id
            people = session.scalars(sa.select(Subject.id).order_by(Subject.id).limit(_MEMBERS)).all()
            session.execute(
                sa.insert(CohortMember),
                [
                    {"cohort_id": found, "subject_id": pk, "arm": ("control", "training")[pk % 2]}
                    for pk in people
                ],
            )
        members = sa.select(sa.func.count()).where(CohortMember.cohort_id == found)
        return found, session.scalar(members) or 0


# --- an export ---------------------------------------------------------------------------------------------------


def export(store: FilledStore, folder: Path) -> list[Case]:
    """All intervals of a record as Parquet, against rows fetched and written with the same columns and compression."""
    with store.read() as session:
        number = session.scalar(sa.select(sa.func.count()).select_from(Interval)) or 0
        people = len(queries.subjects_of(session, None))
    to = folder / "exported"
    return [
        Case(
            "export of intervals to Parquet, ms",
            f"{number:,} intervals",
            "fetchmany, record batches, ParquetWriter",
            lambda: milliseconds(lambda: exported(store, people, to)),
            lambda: milliseconds(lambda: _fetch(store, folder / "fetched.parquet")),
            at_least=0.5,
        )
    ]


def _fetch(store: Store, file: Path) -> int:
    """The same file by the driver and Arrow alone; how many rows it has."""
    columns = INTERVALS.of_profile("coded")
    schema = arrow_schema(columns)
    named = {"test_id": "exercise_test.public_id", "phase": _PHASE}
    told = [named.get(one.name, one.of[0]) for one in columns]
    # The names of columns come from the tables of an export.
    statement = f"""
        SELECT {", ".join(told)} FROM exercise_test JOIN interval ON interval.test_id = exercise_test.id
        LEFT JOIN interval_extra ON interval_extra.test_id = interval.test_id AND interval_extra.seq = interval.seq
        ORDER BY exercise_test.id, interval.seq
    """  # noqa: S608
    count = 0
    with contextlib.closing(_connected(store)) as connection, pq.ParquetWriter(file, schema) as writer:
        cursor = connection.execute(statement)
        while rows := cursor.fetchmany(_ROWS_AT_ONCE):
            arrays = [
                pa.array(values, type=field.type)
                for values, field in zip(zip(*rows, strict=True), schema, strict=True)
            ]
            writer.write_batch(pa.record_batch(arrays, schema=schema))
            count += len(rows)
    return count


_PHASE = "CASE interval.phase WHEN 0 THEN 'rest' WHEN 1 THEN 'warm_up' WHEN 2 THEN 'exercise' WHEN 3 THEN 'recovery' END"


def memory(store: FilledStore, folder: Path) -> list[Row]:
    """The most that a process needs which exports all intervals, and which exports a sixth of them."""
    with store.read() as session:
        everybody = len(queries.subjects_of(session, None))
    (whole, intervals), (part, fewer) = (
        _peak(store, folder, people) for people in (everybody, everybody // 6)
    )
    return [
        judged("peak memory of the export, MB", f"{intervals:,} intervals", whole, at_most=300.0, unit=" MB"),
        judged(
            "peak memory of the export, MB",
            f"{intervals:,} intervals",
            whole,
            floor=f"of {fewer:,} intervals",
            floor_value=part,
            at_most=1.1,
        ),
    ]


def _peak(store: Store, folder: Path, people: int) -> tuple[float, int]:
    """MB and intervals of a process of its own that exports the intervals of the first people."""
    found = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.exporting", str(people), str(folder / f"peak-{people}")],
        env=environment_of(store.settings.database_url),
        check=True,
        capture_output=True,
        text=True,
    )
    megabytes, intervals = found.stdout.split()
    return float(megabytes), int(intervals)


# --- bytes -------------------------------------------------------------------------------------------------------


def stored(store: FilledStore, folder: Path) -> list[Row]:
    """Bytes of an interval, against a table of the same columns alone; beside it Parquet, and what the rest takes by interval."""
    bare_file = folder / "bare.db"
    bare_file.unlink(missing_ok=True)
    columns = [column.name for column in Interval.__table__.columns]
    with contextlib.closing(_connected(store)) as connection:
        number = connection.execute("SELECT count(*) FROM interval").fetchone()[0]
        tests = connection.execute("SELECT count(*) FROM exercise_test").fetchone()[0]
        sizes = dict(connection.execute("SELECT name, sum(pgsize) FROM dbstat GROUP BY name"))
        of_table = dict(connection.execute("SELECT name, tbl_name FROM sqlite_schema"))
        connection.execute("ATTACH ? AS bare", (str(bare_file),))
        connection.execute(f"CREATE TABLE bare.interval ({', '.join(f'{name} NUMERIC' for name in columns)})")
        connection.execute("INSERT INTO bare.interval SELECT * FROM main.interval ORDER BY test_id, seq")
        connection.commit()
        (bare,) = connection.execute(
            "SELECT sum(pgsize) FROM dbstat('bare') WHERE name = 'interval'"
        ).fetchone()
        parquet = _packed(connection, columns, folder / "interval.parquet")
    bare_file.unlink()
    size = f"{number:,} intervals"
    rest: dict[str, int] = {}
    for name, taken in sizes.items():
        table = of_table.get(name, "schema")
        if table != "interval":
            rest[table] = rest.get(table, 0) + taken
    return [
        judged(
            "bytes of an interval in SQLite",
            size,
            sizes["interval"] / number,
            floor="the same columns in a table without key",
            floor_value=bare / number,
            at_most=1.1,
        ),
        judged("bytes of an interval in Parquet (zstd), to compare", size, parquet / number),
        judged("kB of the whole record, by test", f"{tests:,} tests", sum(sizes.values()) / tests / 1000),
        *(
            judged(f"bytes of {table}, with its indexes, by interval", size, taken / number)
            for table, taken in sorted(rest.items(), key=lambda each: -each[1])
            if taken / number >= 1.0
        ),
    ]


def _packed(connection: sqlite3.Connection, columns: list[str], file: Path) -> int:
    """Bytes of all intervals in one Parquet file."""
    whole = {"test_id", "seq", "phase", "stage"}
    schema = pa.schema([(name, pa.int32() if name in whole else pa.float64()) for name in columns])
    with pq.ParquetWriter(file, schema, compression="zstd") as writer:
        for rows in _fetched(connection.execute("SELECT * FROM main.interval ORDER BY test_id, seq")):
            arrays = [
                pa.array(values, type=field.type)
                for values, field in zip(zip(*rows, strict=True), schema, strict=True)
            ]
            writer.write_batch(pa.record_batch(arrays, schema=schema))
    size = file.stat().st_size
    file.unlink()
    return size


def _fetched(cursor: sqlite3.Cursor) -> Iterator[list[Any]]:
    while rows := cursor.fetchmany(100_000):
        yield rows


def rows(store: FilledStore, folder: Path, *, quick: bool = False) -> list[Row]:
    """All that is measured here, of one record; a quick look leaves the memory out, which takes processes of its own."""
    cases = [*cohort(store), *export(store, folder)]
    measured = [case.row() for case in cases]
    return [*measured, *([] if quick else memory(store, folder)), *stored(store, folder)]
