"""Records in real database files, and the service over them."""

import os
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from anyio.from_thread import BlockingPortal, start_blocking_portal
from fastapi import FastAPI
from hypothesis import settings as hypothesis_settings
from starlette.testclient import TestClient
from starlette.types import Receive, Scope, Send

from service.app import configure_logging, create_app
from service.db.migrate import upgrade
from service.db.transactions import Store
from service.demonstration.workflow import load
from service.keys.queries import make
from service.settings import Settings
from tests.postgresql import Cluster, started

# The gate tries the same examples each time; HYPOTHESIS_PROFILE=explore tries new ones.
hypothesis_settings.register_profile("gate", derandomize=True)
hypothesis_settings.register_profile("explore", derandomize=False)
hypothesis_settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "gate"))

#: One app answers all tests, which all come from one address: its limit of refused keys must hold a whole suite.
USUAL: dict[str, Any] = {"auth_failures_per_minute": 100_000}


def pytest_addoption(parser: pytest.Parser) -> None:
    """Which database the fixture `make_store` makes its records in."""
    parser.addoption(
        "--on",
        choices=("sqlite", "postgresql"),
        default="sqlite",
        help="postgresql: records of the tests are made on a server that the tests start themselves",
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """On PostgreSQL tests of the SQLite file are left out."""
    if config.getoption("--on") == "postgresql":
        left_out = [item for item in items if item.get_closest_marker("sqlite_file")]
        items[:] = [item for item in items if item not in left_out]
        config.hook.pytest_deselected(items=left_out)


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    """A PostgreSQL server of the tests' own."""
    with started() as one:
        one.hurry()
        yield one


@pytest.fixture(scope="session")
def usual_settings() -> dict[str, Any]:
    """What a store of one's own must be made with to be served by the one app of all tests."""
    return USUAL


@pytest.fixture(scope="session")
def migrated_file(tmp_path_factory) -> Path:
    """An empty record at the newest schema; tests work on copies of it."""
    path = tmp_path_factory.mktemp("record") / "empty.db"
    upgrade(Settings(database_url=f"sqlite:///{path}"))
    return path


@pytest.fixture(scope="session")
def demonstration_file(migrated_file: Path, tmp_path_factory) -> Path:
    """The demonstration record; who writes works on a copy. Loading takes a while: all workers share one."""
    own = tmp_path_factory.getbasetemp()
    folder = own.parent if "PYTEST_XDIST_WORKER" in os.environ else own
    path, lock = folder / "demonstration.db", folder / "demonstration.lock"
    until = time.monotonic() + 600
    while not path.exists():
        try:
            lock.mkdir()
        except FileExistsError:
            assert time.monotonic() < until, "another worker does not get the demonstration loaded"
            time.sleep(0.2)
            continue
        try:
            _load_demonstration(migrated_file, path)
        finally:
            lock.rmdir()
    return path


def _load_demonstration(migrated_file: Path, path: Path) -> None:
    loading = path.with_name(f"loading-{path.name}")
    shutil.copy(migrated_file, loading)
    store = Store(Settings(database_url=f"sqlite:///{loading}"))
    load(store)
    with store.write_engine.connect() as connection:
        # Everything into the one file, so that it can be copied.
        connection.exec_driver_sql("COMMIT")
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.exec_driver_sql("BEGIN")
    store.close()
    loading.rename(path)


@pytest.fixture
def empty_record(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Address of an empty record at the newest schema, of one test."""
    if request.config.getoption("--on") == "postgresql":
        cluster: Cluster = request.getfixturevalue("cluster")
        url = cluster.new()
        yield url
        cluster.drop(url)
        return
    path = tmp_path / "upslope.db"
    shutil.copy(request.getfixturevalue("migrated_file"), path)
    yield f"sqlite:///{path}"


@pytest.fixture
def make_store(empty_record: str) -> Iterator[Callable[..., Store]]:
    """Stores over one empty record, with settings of one's own; all over the same."""
    made: list[Store] = []

    def make_one(**settings: Any) -> Store:
        store = Store(Settings(database_url=empty_record, **(USUAL | settings)))
        made.append(store)
        return store

    yield make_one
    for store in made:
        store.close()


@pytest.fixture
def store(make_store: Callable[..., Store]) -> Store:
    """The database of one test."""
    return make_store()


@pytest.fixture(scope="session")
def make_key() -> Callable[..., str]:
    """Makes a key in a store; its secret."""

    def make_one(store: Store, name: str, scope: str, **options: Any) -> str:
        with store.write("test") as transaction:
            return make(transaction, name=name, scope=scope, **options)[1]

    return make_one


def _but_the_file(settings: Settings) -> dict[str, Any]:
    return settings.model_dump(exclude={"database_url"})


@pytest.fixture(scope="session")
def shared_app(migrated_file: Path) -> FastAPI:
    """The service with the settings as they are: building its routes takes longer than most tests."""
    configure_logging("error")
    return create_app(Settings(database_url=f"sqlite:///{migrated_file}", **USUAL))


@pytest.fixture(scope="session")
def event_loop_thread() -> Iterator[BlockingPortal]:
    """One event loop for all requests: a client makes one for each otherwise, which takes longer than the answer."""
    with start_blocking_portal() as portal:
        yield portal


@pytest.fixture(scope="session")
def open_client(shared_app: FastAPI, event_loop_thread: BlockingPortal) -> Callable[..., TestClient]:
    """Opens a client of a store, with a key where one is given."""
    usual = _but_the_file(shared_app.state.store.settings)

    def open_one(store: Store, key: str | None = None, **options: Any) -> TestClient:
        headers = {} if key is None else {"Authorization": f"Bearer {key}"}
        alike = _but_the_file(store.settings) == usual
        app = shared_app if alike else create_app(store.settings, store)

        async def over_its_store(scope: Scope, receive: Receive, send: Send) -> None:
            app.state.store = store
            await app(scope, receive, send)

        client = TestClient(over_its_store, headers=headers, **options)
        client.portal = event_loop_thread
        return client

    return open_one


@pytest.fixture
def admin_key(store: Store, make_key: Callable[..., str]) -> str:
    return make_key(store, "head of laboratory", "admin")


@pytest.fixture
def tester_key(store: Store, make_key: Callable[..., str]) -> str:
    return make_key(store, "tester", "tester")


@pytest.fixture
def reader_key(store: Store, make_key: Callable[..., str]) -> str:
    return make_key(store, "reader", "reader")


@pytest.fixture
def client(store: Store, tester_key: str, open_client: Callable[..., TestClient]) -> TestClient:
    """A client with a tester's key."""
    return open_client(store, tester_key)


@pytest.fixture
def admin(store: Store, admin_key: str, open_client: Callable[..., TestClient]) -> TestClient:
    """A client with an admin's key."""
    return open_client(store, admin_key)


@pytest.fixture
def reader(store: Store, reader_key: str, open_client: Callable[..., TestClient]) -> TestClient:
    """A client with a reader's key that may not see names."""
    return open_client(store, reader_key)


@pytest.fixture
def anonymous(store: Store, open_client: Callable[..., TestClient]) -> TestClient:
    """A client without a key."""
    return open_client(store)
