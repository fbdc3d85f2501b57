"""How long a chart and printed reports take to draw: ``python -m tests.benchmarks.drawing``.

Of tests of three kinds, in one process whose renderers are warm and that may keep no answer ready: everything is gathered,
drawn and set each time. `changed` is the first report after a write that its numbers and charts rest on; `unchanged` is the
answer that the client has the newest.
"""

import itertools
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
from starlette.testclient import TestClient

from service.analysis.series import PHASES
from service.app import configure_logging, create_app
from service.db.migrate import upgrade
from service.db.transactions import Store
from service.keys.queries import make
from service.settings import Settings
from tests.analysis.simulated_tests import RAMP_15, simulate
from tests.api.conftest import Laboratory, step_test
from tests.benchmarks.rows import TIMES, Row, in_turn, judged, milliseconds

CHART_MS = 150.0
REPORT_MS = 400.0
UNCHANGED_MS = 20.0
_LEAST_BREATHS = 1000
_ROWS_A_STAGE = 8
_LACTATE_MMOL_L = (1.1, 1.2, 1.6, 2.5, 4.6, 8.2)


@dataclass(frozen=True, slots=True)
class Drawing:
    """What is measured, each by its words; every call makes one answer.

    Attributes
    ----------
    charts, reports : dict
        Milliseconds of the answer, drawn and set anew from what is stored.
    changed : dict
        Milliseconds of a report that no one has asked for since the body mass of its visit was changed.
    unchanged : dict
        Milliseconds of the answer 304.
    """

    charts: dict[str, Callable[[], float]]
    reports: dict[str, Callable[[], float]]
    changed: dict[str, Callable[[], float]]
    unchanged: dict[str, Callable[[], float]]


@contextmanager
def drawing() -> Iterator[Drawing]:
    """Functions that ask a warm service over a record of their own, and answer how long it took."""
    with tempfile.TemporaryDirectory(prefix="upslope-drawing-") as place:
        settings = Settings(database_url=f"sqlite:///{place}/record.db", ready_mib=0)
        upgrade(settings)
        store = Store(settings)
        with store.write("benchmark") as transaction:
            key = make(transaction, name="benchmark", scope="admin")[1]
        with TestClient(
            create_app(settings, store), headers={"Authorization": f"Bearer {key}"}
        ) as client:  # which closes the store
            yield _of(client, _tests(Laboratory(client)))


def _tests(laboratory: Laboratory) -> dict[str, tuple[str, str]]:
    """Id of the test and of its visit, by its words."""
    made = {}
    for words, rows, notes, fields in (
        ("15-s rows", step_test(), [], {}),
        ("breath by breath", _breaths(), [], {"mode": "cycle", "shape": "ramp"}),
        ("lactate", _staged(), _samples(), {}),
    ):
        person = laboratory.subject()
        visit = laboratory.visit(person["id"])
        test = laboratory.complete(visit["id"], rows, **fields)
        if notes:
            laboratory.client.put(f"/v1/tests/{test['id']}/stage-notes", json=notes).raise_for_status()
        made[words] = (test["id"], visit["id"])
    return made


def _breaths() -> list[dict[str, Any]]:
    series = simulate(RAMP_15, 5, exercise_s=2400.0).series
    assert len(series) >= _LEAST_BREATHS, "too short"
    values = {name: np.round(column, 2).tolist() for name, column in series.channels.items()}
    return [
        {
            "end_s": round(float(series.end_s[row]), 3),
            "phase": PHASES[series.phase[row]],
            **{name: column[row] for name, column in values.items()},
        }
        for row in range(len(series))
    ]


def _staged() -> list[dict[str, Any]]:
    places = itertools.count()
    return [
        row | ({"stage": 1 + next(places) // _ROWS_A_STAGE} if row["phase"] == "exercise" else {})
        for row in step_test()
    ]


def _samples() -> list[dict[str, Any]]:
    return [
        {"stage": stage, "phase": "exercise", "lactate_mmol_l": value}
        for stage, value in enumerate(_LACTATE_MMOL_L, start=1)
    ]


def _of(client: TestClient, tests: dict[str, tuple[str, str]]) -> Drawing:
    masses_kg = itertools.cycle((80.5, 81.0, 81.5, 82.0, 82.5))

    def got(address: str) -> Callable[[], float]:
        return lambda: milliseconds(lambda: client.get(address).raise_for_status())

    def changed(address: str, visit: str) -> Callable[[], float]:
        def one() -> float:
            body = {"body_mass_kg": next(masses_kg)}
            client.patch(f"/v1/visits/{visit}", json=body).raise_for_status()
            return milliseconds(lambda: client.get(address).raise_for_status())

        return one

    def unchanged(address: str) -> Callable[[], float]:
        def one() -> float:
            tag = client.get(address).raise_for_status().headers["etag"]
            answers = []
            taken = milliseconds(lambda: answers.append(client.get(address, headers={"If-None-Match": tag})))
            assert answers[0].status_code == 304
            return taken

        return one

    charts = {
        f"uptake, {words}": f"/v1/tests/{test}/charts/uptake?format=svg" for words, (test, _) in tests.items()
    }
    reports = {
        f"{words}, for the {audience}": (f"/v1/tests/{test}/report?format=pdf&audience={audience}", visit)
        for words, (test, visit) in tests.items()
        for audience in ("client", "record")
    }
    plain = charts | {words: address for words, (address, _) in reports.items()}
    return Drawing(
        charts={words: got(address) for words, address in charts.items()},
        reports={words: got(address) for words, (address, _) in reports.items()},
        changed={words: changed(*asked) for words, asked in reports.items()},
        unchanged={words: unchanged(address) for words, address in plain.items()},
    )


def rows(times: int = TIMES, *, quick: bool = False) -> list[Row]:
    """Rows of the table; the first answer of each, which starts the renderers, does not count.

    Parameters
    ----------
    quick : bool
        Of the test in 15-s rows alone.
    """
    with drawing() as measured:
        kinds = (
            ("chart as SVG (ms)", measured.charts, CHART_MS),
            ("report as PDF (ms)", measured.reports, REPORT_MS),
            ("report as PDF, after a change (ms)", measured.changed, REPORT_MS),
            ("unchanged, 304 (ms)", measured.unchanged, UNCHANGED_MS),
        )
        told = []
        for work, every, goal in kinds:
            asked = {words: ask for words, ask in every.items() if not quick or "15-s" in words}
            for ask in asked.values():
                ask()
            told += [
                judged(
                    work,
                    words,
                    value,
                    # A chart of each breath has a hundred times the marks: its time is told, and has no goal.
                    at_most=None if "chart" in work and "15-s" not in words else goal,
                    unit=" ms",
                )
                for words, value in in_turn(asked, times).items()
            ]
        return told


def main() -> int:
    """Print each median and its goal; 1 where a goal is missed."""
    configure_logging("error")
    found = rows()
    for row in found:
        met = "" if row.met else "  missed"
        sys.stdout.write(f"{row.work:36} {row.size:36} {row.value:7.1f}  {row.goal}{met}\n")
    return int(not all(row.met for row in found))


if __name__ == "__main__":
    sys.exit(main())
