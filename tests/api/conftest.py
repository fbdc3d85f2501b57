"""A laboratory that works over HTTP alone, with invented tests."""

import csv
import io
import itertools
import json
from collections.abc import Callable
from typing import Any

import pytest
import sqlalchemy as sa
from starlette.testclient import TestClient

from service.db.models import Base
from service.db.transactions import Store

#: A table that no one published: invented values for men of 30 to 49 on the treadmill.
OWN_NORM: dict[str, Any] = {
    "id": "own_treadmill",
    "name": "The laboratory's own",
    "mode": "treadmill",
    "reference": "population_table",
    "population": "invented",
    "source": "the laboratory",
    "rows": [
        {
            "sex": "male",
            "age_low_years": low,
            "age_high_years": low + 9,
            "percentile": percentile,
            "value_ml_kg_min": value,
        }
        for low, shift in ((30, 0.0), (40, -4.0))
        for percentile, value in ((10, 30.0 + shift), (50, 42.0 + shift), (90, 54.0 + shift))
    ],
}


def everything(store: Store) -> str:
    """Every row of every table, as text."""
    with store.read() as session:
        return "\n".join(
            f"{table.name} {tuple(row)!r}"
            for table in Base.metadata.sorted_tables
            for row in session.execute(sa.select(table).order_by(*table.primary_key.columns))
        )


class Laboratory:
    """Makes subjects, visits and tests through a client; answers what the service answered."""

    def __init__(self, client: TestClient) -> None:
        self.client = client
        self._codes = itertools.count(1)

    def subject(self, **fields: Any) -> dict[str, Any]:
        body = {"code": f"S-{next(self._codes):02}", "sex": "male", "birth_date": "1990-06-15"} | fields
        return self._made("/v1/subjects", body)

    def visit(self, subject_id: str, **fields: Any) -> dict[str, Any]:
        body = {"started_at": "2026-03-14T09:30:00+01:00", "body_mass_kg": 75.0, "height_cm": 180.0} | fields
        return self._made(f"/v1/subjects/{subject_id}/visits", body)

    def planned(self, visit_id: str, **fields: Any) -> dict[str, Any]:
        body = {"mode": "treadmill", "shape": "step", "stop_reason": "exhaustion"} | fields
        return self._made(f"/v1/visits/{visit_id}/tests", body)

    def complete(
        self, visit_id: str, rows: list[dict[str, Any]] | None = None, **fields: Any
    ) -> dict[str, Any]:
        test = self.planned(visit_id, **fields)
        answer = self.client.put(f"/v1/tests/{test['id']}/intervals", json={"intervals": rows or step_test()})
        assert answer.status_code == 200, answer.text
        return answer.json()

    def analysis(self, test_id: str, **query: Any) -> dict[str, Any]:
        answer = self.client.get(f"/v1/tests/{test_id}/analysis", params=query)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def trend(self, subject_id: str, quantity: str = "vo2_peak_ml_kg_min", **query: Any) -> dict[str, Any]:
        answer = self.client.get(f"/v1/subjects/{subject_id}/trends/{quantity}", params=query)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def upload(self, visit_id: str, data: bytes, options: dict[str, Any] | None = None, **query: Any) -> Any:
        options = {"mode": "treadmill"} if options is None else options
        name = query.pop("name", "test.csv")
        headers = query.pop("headers", None)
        return self.client.post(
            f"/v1/visits/{visit_id}/imports",
            files={"file": (name, data)},
            data={"options": json.dumps(options)},
            params=query,
            headers=headers,
        )

    def one_of_each(self) -> dict[str, str]:
        """Ids of one record of each kind, under one person with a complete test, by their names in addresses."""
        subject = self.subject()
        visit = self.visit(subject["id"])
        test = self.complete(visit["id"])
        cohort = self._made("/v1/cohorts", {"name": "study"})
        self.client.put(f"/v1/cohorts/{cohort['id']}/members", json=[{"subject_id": subject["id"]}])
        illness = {"kind": "illness", "started_on": "2026-01-05", "title": "a cold"}
        return {
            "subject_id": subject["id"],
            "visit_id": visit["id"],
            "test_id": test["id"],
            "cohort_id": cohort["id"],
            "event_id": self._made(f"/v1/subjects/{subject['id']}/events", illness)["id"],
            "protocol_id": "bruce",
            "norm_id": "friend_2015_treadmill",
            "rule_set_id": "default",
            "chart": "uptake",
        }

    def _made(self, address: str, body: dict[str, Any]) -> dict[str, Any]:
        answer = self.client.post(address, json=body)
        assert answer.status_code == 201, answer.text
        return answer.json()


def constant_bout() -> list[dict[str, Any]]:
    """A bout at one speed after a warm-up, in 15-s means, as it verifies a step test."""
    return [
        {
            "end_s": 15.0 * (place + 1),
            "phase": "warm_up" if place < 8 else "exercise",
            "vo2_ml_min": 900.0 if place < 8 else min(3650.0, 1500 + 500 * (place - 7)),
            "speed_km_h": 6.0 if place < 8 else 15.5,
            "grade_percent": 1.0,
        }
        for place in range(24)
    ]


def step_test(
    peak_ml_min: float = 3600.0, *, stages: int = 6, top_rer: float = 1.16, recovery: bool = True
) -> list[dict[str, Any]]:
    """A treadmill test in 15-s means: a warm-up, stages of 2 min up to `peak_ml_min`, and recovery."""
    rows: list[dict[str, Any]] = []

    def add(phase: str, uptake: float, rer: float, heart_rate: float, speed: float) -> None:
        at = len(rows)
        wobble = (7 * at % 5 - 2) * 8.0
        uptake += wobble
        rows.append(
            {
                "end_s": 15.0 * (at + 1),
                "duration_s": 15.0,
                "phase": phase,
                "vo2_ml_min": round(uptake, 1),
                "vco2_ml_min": round(uptake * (rer + (3 * at % 4 - 1.5) * 0.004), 1),
                "ve_l_min": round(uptake * 0.024 * (0.9 + 0.35 * max(0.0, rer - 0.85)), 2),
                "heart_rate_bpm": round(heart_rate + (at % 3) * 0.5, 1),
                "speed_km_h": speed,
                "grade_percent": 1.0,
            }
        )

    for place in range(12):
        add("warm_up", min(700.0 + 120.0 * place, 1500.0), 0.82, 85.0 + 2 * place, 6.0)
    for stage in range(stages):
        share = (stage + 1) / stages
        level = 1500.0 + (peak_ml_min - 1500.0) * share
        before = 1500.0 + (peak_ml_min - 1500.0) * stage / stages
        for place in range(8):
            settled = min(1.0, 0.4 + 0.2 * place)
            add(
                "exercise",
                before + (level - before) * settled,
                0.84 + (top_rer - 0.84) * share,
                110.0 + 75.0 * (stage + settled) / stages,
                8.0 + 1.2 * stage,
            )
    if recovery:
        for place in range(12):
            add("recovery", peak_ml_min * max(0.3, 0.8 - 0.1 * place), top_rer + 0.05, 180.0 - 5 * place, 5.0)
    return rows


def file_of(rows: list[dict[str, Any]], **more: list[Any]) -> bytes:
    """Intervals as a CSV file, with further columns."""
    buffer = io.StringIO()
    names = {
        "end_s": "time (s)",
        "vo2_ml_min": "VO2 (mL/min)",
        "vco2_ml_min": "VCO2 (mL/min)",
        "ve_l_min": "VE (L/min)",
        "heart_rate_bpm": "HR (beats/min)",
        "speed_km_h": "Speed (km/h)",
        "grade_percent": "Grade (%)",
        "phase": "Phase",
    }
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow([*names.values(), *more])
    for place, row in enumerate(rows):
        writer.writerow([*(row[name] for name in names), *(column[place] for column in more.values())])
    return buffer.getvalue().encode()


@pytest.fixture
def laboratory(client: TestClient) -> Laboratory:
    """A laboratory with a tester's key."""
    return Laboratory(client)


@pytest.fixture(scope="session")
def laboratory_of() -> Callable[[TestClient], Laboratory]:
    return Laboratory


@pytest.fixture(scope="session")
def rows() -> Callable[..., list[dict[str, Any]]]:
    """Intervals of an invented treadmill test."""
    return step_test


@pytest.fixture(scope="session")
def csv_file() -> Callable[..., bytes]:
    """The same as a file."""
    return file_of


@pytest.fixture(scope="session")
def own_norm() -> Callable[..., dict[str, Any]]:
    """A reference table of an invented site."""

    def make(**fields: Any) -> dict[str, Any]:
        return OWN_NORM | fields

    return make
