"""Memory does not grow with an export: measured at two sizes, four to one."""

import io
import shutil
import tracemalloc
import zipfile
from datetime import UTC, datetime
from typing import Any

import pyarrow as pa
import pytest
import sqlalchemy as sa

from service.db.models import Cohort, CohortMember, ExerciseTest, Interval, Subject, Visit
from service.db.transactions import Store
from service.exports.workflow import Question, export_zip
from service.settings import Settings

DAY = datetime(2031, 5, 6, tzinfo=UTC)
MIB = 1024 * 1024


class Nowhere(io.RawIOBase):
    """A stream that counts and keeps nothing."""

    size = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self.size += len(data)
        return len(data)


def filled(store: Store, tests: int, intervals: int) -> None:
    """A cohort of as many people with a test each, of as many intervals."""
    with store.write("test") as transaction:
        session = transaction.session
        session.add(Cohort(id=1, name="large", created_at=DAY, revision=1))
        session.flush()
        for pk in range(1, tests + 1):
            session.add(Subject(id=pk, code=f"S-{pk}", sex="male", revision=1, created_at=DAY))
            session.flush()
            session.add(CohortMember(cohort_id=1, subject_id=pk))
            session.add(Visit(id=pk, subject_id=pk, started_at=DAY, utc_offset_minutes=0, age_years=40.0))
            session.flush()
            session.add(ExerciseTest(id=pk, visit_id=pk, mode="cycle", purpose="maximal", status="complete"))
            session.flush()
            session.execute(
                sa.insert(Interval.__table__),
                [
                    {
                        "test_id": pk, "seq": seq, "end_s": 3.0 * seq + 3.0, "duration_s": 3.0, "phase": 2,
                        "vo2_ml_min": 1000.0 + seq / 7, "vco2_ml_min": 900.0 + seq / 3, "ve_l_min": 40.0 + seq / 11,
                        "heart_rate_bpm": 100.0, "work_rate_w": 1.0 * seq,
                    }
                    for seq in range(intervals)
                ],
            )  # fmt: skip


def peak(store: Store, question: Question) -> tuple[float, int, int]:
    """MiB that the export took at most (Python's and Arrow's), bytes sent, and intervals."""
    stream = Nowhere()
    arrow = pa.default_memory_pool()
    before = arrow.bytes_allocated()
    tracemalloc.start()
    try:
        made = export_zip(store, "tester", question, stream)
        highest = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert arrow.bytes_allocated() <= before + MIB
    return highest / MIB, stream.size, made.rows["intervals"]


@pytest.mark.proof
@pytest.mark.parametrize("form", ["datapackage", "parquet"])
@pytest.mark.parametrize(
    ("small", "large"),
    [
        # More rows a test, and more tests.
        ((4, 3000), (4, 12_000)),
        ((20, 600), (80, 600)),
    ],
)
def test_memory_stays_where_it_is(migrated_file, tmp_path, capsys, form, small, large):
    found = []
    for tests, intervals in (small, large):
        path = tmp_path / f"{tests}-{intervals}.db"
        shutil.copy(migrated_file, path)
        store = Store(Settings(database_url=f"sqlite:///{path}"))
        filled(store, tests, intervals)
        if not found:
            # What is loaded once for all is not counted.
            export_zip(store, "tester", Question(1, "coded", form), Nowhere())
        found.append(peak(store, Question(1, "coded", form)))
        store.close()
    for (tests, intervals), (highest, size, rows) in zip((small, large), found, strict=True):
        told = f"{form}, {tests} tests of {intervals}: {rows} rows in {size / MIB:.1f} MiB took {highest:.1f} MiB"
        with capsys.disabled():
            print(f"\n{told}")  # noqa: T201 the measure is what a reader wants
    assert found[1][2] == 4 * found[0][2]
    assert found[1][0] < 1.15 * found[0][0] + 1.0


def test_a_zip_is_written_to_a_stream_that_cannot_go_back(store):
    filled(store, 2, 10)
    kept: list[bytes] = []

    class OneWay(Nowhere):
        def write(self, data: Any) -> int:
            kept.append(bytes(data))
            return super().write(data)

        def seekable(self) -> bool:
            return False

    export_zip(store, "tester", Question(1), OneWay())
    with zipfile.ZipFile(io.BytesIO(b"".join(kept))) as archive:
        assert archive.testzip() is None
        assert archive.read("intervals.csv").count(b"\r\n") == 21
