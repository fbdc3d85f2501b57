"""The table of speed: ``make bench``, or ``python -m tests.benchmarks.table [--quick] [--only PART ...]``.

Records of 1,000, 10,000 and 100,000 tests are filled, every kind of work is measured in turn with its floor, medians of at
least five; the table is printed, and written to build/bench.json.
"""

import argparse
import contextlib
import json
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from service.app import configure_logging
from service.settings import Settings
from tests.benchmarks import analyses, bulk, drawing, serving, starting, writing
from tests.benchmarks.filling import FilledStore, fill, filled
from tests.benchmarks.rows import TIMES, Row, in_turn, judged, milliseconds, tell
from tests.postgresql import Cluster, started

SIZES = (1_000, 10_000, 100_000)
QUICK_SIZES = (200, 2_000)


class Bench:
    """The records that the parts measure on, each filled when it is first wanted.

    Attributes
    ----------
    sizes : tuple of int
        Numbers of tests.
    quick : bool
        Whether the whole must be done in less than a minute.
    folder : Path
    cluster : Cluster, optional
        Where the records are kept; without one each is a SQLite file.
    """

    def __init__(
        self, folder: Path, sizes: Sequence[int], *, quick: bool, cluster: Cluster | None = None
    ) -> None:
        self.folder = folder
        self.quick = quick
        self.sizes = tuple(sorted(sizes))
        self.cluster = cluster
        self._filled: dict[int, FilledStore] = {}

    def store(self, tests: int) -> FilledStore:
        """The record with so many tests."""
        if tests not in self._filled:
            tell(f"filling a record of {tests:,} tests")
            if self.cluster is None:
                self._filled[tests] = filled(self.folder, tests)
            else:
                self._filled[tests] = fill(Settings(database_url=self.cluster.new(migrated=False)), tests)
                self.cluster.tidy(self._filled[tests].settings.database_url)
        return self._filled[tests]

    def stores(self) -> dict[int, FilledStore]:
        """All records, by their number of tests."""
        return {tests: self.store(tests) for tests in self.sizes}

    def close(self) -> None:
        """Give all connections back."""
        for store in self._filled.values():
            store.close()


def _serving(bench: Bench) -> list[Row]:
    return serving.rows(bench.stores(), seconds=0.05 if bench.quick else 1.0)


def _writing(bench: Bench) -> list[Row]:
    return writing.rows(bench.store(bench.sizes[0]), files=2 if bench.quick else 20, quick=bench.quick)


def _anew(bench: Bench) -> list[Row]:
    return writing.analysed_anew(
        bench.store(bench.sizes[len(bench.sizes) // 2]), tests=20 if bench.quick else 1_000
    )


def _analyses(bench: Bench) -> list[Row]:
    rows = []
    for name, work, floor, goal_ms in analyses.cases():
        work()
        found = in_turn(
            {"work": lambda work=work: milliseconds(work), "floor": lambda floor=floor: milliseconds(floor)},
            TIMES if bench.quick else 25,
        )
        made = judged(f"{name}, ms", "one test", found["work"], at_most=goal_ms, unit=" ms")
        # The goal is of the time; the ratio is told beside it.
        floor_words = "numpy cumulative sums and one argmax over the same arrays"
        ratio = found["work"] / found["floor"]
        rows.append(replace(made, floor=floor_words, floor_value=found["floor"], ratio=ratio))
    return rows


def _bulk(bench: Bench) -> list[Row]:
    return bulk.rows(bench.store(bench.sizes[-1]), bench.folder, quick=bench.quick)


PARTS: dict[str, Callable[[Bench], list[Row]]] = {
    "serving": _serving,
    "writing": _writing,
    "anew": _anew,
    "bulk": _bulk,
    "analyses": _analyses,
    "starting": lambda _: starting.rows(),
    "drawing": lambda bench: drawing.rows(quick=bench.quick),
}

#: What takes new processes again and again: more than a quick look has time for.
NOT_QUICK = ("anew", "starting")
#: What is about the database, and not about this process or the disk file alone.
ON_POSTGRESQL = ("serving", "writing", "anew")


def table(rows: Sequence[Row]) -> Iterator[str]:
    """The lines of the table, as Markdown."""
    yield "| work | size | floor in the same run | value | floor | ratio | goal | met |"
    yield "| --- | --- | --- | ---: | ---: | ---: | --- | --- |"
    for row in rows:
        numbers = [
            "" if one is None else f"{one:,.3g}" if one < 1000 else f"{one:,.0f}"
            for one in (row.value, row.floor_value, row.ratio)
        ]
        met = {None: "", True: "yes", False: "no"}[row.met]
        yield "| " + " | ".join([row.work, row.size, row.floor, *numbers, row.goal, met]) + " |"


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.table", description=__doc__)
    parser.add_argument(
        "--quick",
        action="store_true",
        help="200 and 2,000 tests, in less than a minute; what starts many processes is left out",
    )
    parser.add_argument("--sizes", nargs="+", type=int, help="numbers of tests, in hundreds")
    parser.add_argument("--only", nargs="+", choices=PARTS, help="parts to measure")
    parser.add_argument(
        "--on", choices=["sqlite", "postgresql"], default="sqlite", help="where records are kept"
    )
    parser.add_argument("--out", type=Path, help="build/bench.json, or build/bench-postgresql.json")
    asked = parser.parse_args()
    configure_logging("error")
    on_postgresql = asked.on == "postgresql"
    out: Path = asked.out or Path(f"build/bench{'-postgresql' if on_postgresql else ''}.json")
    sizes = asked.sizes or (QUICK_SIZES if asked.quick else SIZES)
    rows: list[Row] = []
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="upslope-bench-")))
        cluster = stack.enter_context(started()) if on_postgresql else None
        bench = stack.enter_context(
            contextlib.closing(Bench(folder, sizes, quick=asked.quick, cluster=cluster))
        )
        parts = ON_POSTGRESQL if on_postgresql else tuple(PARTS)
        left_out = [part for part in parts if asked.quick and part in NOT_QUICK and not asked.only]
        for part in asked.only or [part for part in parts if part not in left_out]:
            began = time.perf_counter()
            rows += PARTS[part](bench)
            tell(f"{part} took {time.perf_counter() - began:.0f} s")
    out.parent.mkdir(parents=True, exist_ok=True)
    out.write_text(json.dumps([row.as_dict() for row in rows], indent=1) + "\n", encoding="utf-8")
    sys.stdout.write("\n".join(table(rows)) + "\n")
    missed = sum(row.met is False for row in rows)
    sys.stdout.write(f"\n{sum(row.met is True for row in rows)} goals met, {missed} missed; {out}\n")
    if left_out:
        sys.stdout.write(f"A quick look: small records, without {' and '.join(left_out)}.\n")


if __name__ == "__main__":
    main()
