"""A whole system to look at from outside: its commands, its addresses, a real SQLite file; and the open data.

The open data are other people's and are not kept here. They are looked for in the folder named by
UPSLOPE_OPEN_DATA, by default ../shared/data from the root of the project.
"""

import gzip
import json
import os
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient
from typer.testing import CliRunner

from service.app import create_app
from service.cli import app as commands
from service.db.migrate import upgrade
from service.db.transactions import Store
from service.keys.queries import make
from service.settings import Settings

ROOT = Path(__file__).parents[2]


def open_data_folder() -> Path:
    return Path(os.environ.get("UPSLOPE_OPEN_DATA", ROOT / "../shared/data"))


@pytest.fixture(scope="session")
def open_data():
    """The folder of one open data set; the test is skipped, with the reason, where it is absent."""

    def folder(name: str) -> Path:
        found = open_data_folder() / name
        if not found.is_dir():
            pytest.skip(f"the open data set {name} is not at {found}; set UPSLOPE_OPEN_DATA")
        return found

    return folder


@dataclass(frozen=True)
class Command:
    """A command as it is typed, on the database of one record."""

    database_url: str | None

    def __call__(self, *arguments: Any, status: int = 0) -> Any:
        environment = {} if self.database_url is None else {"UPSLOPE_DATABASE_URL": self.database_url}
        result = CliRunner().invoke(commands, [str(one) for one in arguments], env=environment)
        assert result.exit_code == status, (result.output, result.stderr, result.exception)
        return result


@pytest.fixture(scope="session")
def upslope():
    """The commands that need no database."""
    return Command(None)


class Wire:
    """The service over HTTP, with a tester's key; every answer's status is asked for."""

    def __init__(self, client: TestClient, upslope: Command) -> None:
        self.client, self.upslope = client, upslope
        self._subjects = 0

    def ask(self, method: str, path: str, status: int = 200, **given: Any) -> Any:
        answer = self.client.request(method, path, **given)
        assert answer.status_code == status, (method, path, answer.status_code, answer.text[:2000])
        return answer.json() if "json" in answer.headers.get("content-type", "") else answer.content

    def get(self, path: str, status: int = 200, **params: Any) -> Any:
        return self.ask("GET", path, status, params=params)

    def subject(self, **fields: Any) -> str:
        self._subjects += 1
        return self.ask("POST", "/v1/subjects", 201, json={"code": f"S-{self._subjects}", **fields})["id"]

    def visit(self, subject: str, started_at: str = "2024-05-06T10:00:00+02:00", **fields: Any) -> str:
        return self.ask(
            "POST", f"/v1/subjects/{subject}/visits", 201, json={"started_at": started_at, **fields}
        )["id"]

    def imported(
        self, visit: str, data: bytes, status: int = 201, name: str = "test.csv", **options: Any
    ) -> Any:
        return self.ask(
            "POST",
            f"/v1/visits/{visit}/imports",
            status,
            files={"file": (name, data, "text/csv")},
            data={"options": json.dumps(options)},
        )

    def test_of(self, visit: str, intervals: list[dict[str, Any]], **fields: Any) -> str:
        """A test with its intervals put in one go."""
        test = self.ask("POST", f"/v1/visits/{visit}/tests", 201, json=fields)["id"]
        self.ask("PUT", f"/v1/tests/{test}/intervals", json={"intervals": intervals})
        return test

    def analysis(self, test: str, **settings: Any) -> Any:
        return self.get(f"/v1/tests/{test}/analysis", **settings)


@pytest.fixture(scope="module")
def wire(tmp_path_factory):
    """The service on a fresh SQLite file, and the commands on the same file."""
    url = f"sqlite:///{tmp_path_factory.mktemp('record') / 'record.db'}"
    settings = Settings(database_url=url)
    upgrade(settings)
    store = Store(settings)
    with store.write("test") as transaction:
        _, key = make(transaction, name="tester", scope="admin")
    with TestClient(create_app(settings, store), headers={"Authorization": f"Bearer {key}"}) as client:
        yield Wire(client, Command(url))


@pytest.fixture(scope="session")
def ramp_lines(open_data):
    """The lines of each of the 36 running tests as published, and their header."""
    text = gzip.decompress((open_data("running_ramp") / "breaths.csv.gz").read_bytes()).decode()
    header, *lines = text.splitlines()
    by_test = defaultdict(list)
    for line in lines:
        by_test[int(line.split(",", 1)[0])].append(line)
    return header, dict(by_test)


@pytest.fixture(scope="session")
def ramp_file(ramp_lines):
    """One running test as the bytes of a CSV file, with exactly the data's own column names."""
    header, by_test = ramp_lines
    return lambda number: ("\n".join([header, *by_test[number]]) + "\n").encode()
