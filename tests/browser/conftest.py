"""A real browser before a real service: what leaves the host, and what the browser complains of, fails the test."""

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from service.http.keys import SESSION_COOKIE
from tests.browser.addresses import Records, records
from tests.browser.served import HOW_TO_INSTALL, Complaints, Served, chromium, launched, serve

HERE = Path(__file__).parent

# Long enough for a busy machine; what is there is found at once.
TIMEOUT_MS = 30_000
expect.set_options(timeout=TIMEOUT_MS)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Every test here is a proof; where there is no browser it is skipped, or fails where it must not be."""
    del config
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.proof)


def pytest_terminal_summary(terminalreporter) -> None:
    """Say in one line that none of this was tested; a skip among hundreds of tests is not seen."""
    skipped = [
        report
        for report in terminalreporter.stats.get("skipped", [])
        if HOW_TO_INSTALL in str(report.longrepr)
    ]
    if skipped:
        terminalreporter.section("BROWSER TESTS WERE NOT RUN", red=True, bold=True)
        terminalreporter.write_line(f"{len(skipped)} tests skipped: {HOW_TO_INSTALL}.", red=True)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Chromium, for the tests of a module: a loop that Playwright keeps running would be in the way of others."""
    if chromium() is None:
        if os.environ.get("CI"):
            pytest.fail(HOW_TO_INSTALL)
        pytest.skip(HOW_TO_INSTALL)
    with sync_playwright() as playwright:
        one = launched(playwright.chromium)
        yield one
        one.close()


@pytest.fixture(scope="session")
def served_demonstration(demonstration_file: Path, tmp_path_factory) -> Iterator[Served]:
    """The demonstration record, served; tests may add to it and must not rely on its being as it was."""
    folder = tmp_path_factory.mktemp("served")
    record = folder / "demonstration.db"
    shutil.copy(demonstration_file, record)
    with serve(record, folder / "log") as one:
        yield one


@pytest.fixture(scope="session")
def served_empty(migrated_file: Path, tmp_path_factory) -> Iterator[Served]:
    """A record that was empty when the tests began, served."""
    folder = tmp_path_factory.mktemp("served")
    record = folder / "record.db"
    shutil.copy(migrated_file, record)
    with serve(record, folder / "log") as one:
        yield one


@pytest.fixture(scope="session")
def demonstration_key(served_demonstration: Served) -> str:
    return served_demonstration.key("browser", "admin")


@pytest.fixture(scope="session")
def empty_key(served_empty: Served) -> str:
    return served_empty.key("browser", "admin")


@pytest.fixture(scope="session")
def found(served_demonstration: Served, demonstration_key: str) -> Records:
    """Ids in the demonstration record, for the addresses of the pages."""
    return records(served_demonstration, demonstration_key)


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Callable[..., Page]]:
    """Opens a browser window of its own before a service, signed in where a key is given.

    Each has its own cookies, as on another machine. `page.context.set_offline(True)` cuts it off.
    """
    opened: list[BrowserContext] = []
    complaints = Complaints()

    def open_one(
        served: Served,
        key: str | None = None,
        *,
        width: int = 1280,
        height: int = 900,
        theme: str = "light",
        scripts: bool = True,
        **options,
    ) -> Page:
        context = browser.new_context(
            base_url=served.address,
            viewport={"width": width, "height": height},
            color_scheme=theme,
            java_script_enabled=scripts,
            locale="en-GB",
            reduced_motion="reduce",
            **options,
        )
        opened.append(context)
        complaints.listen(context, served.address)
        context.set_default_timeout(TIMEOUT_MS)
        if key is not None:
            context.add_cookies(
                [
                    {
                        "name": SESSION_COOKIE,
                        "value": served.session(key),
                        "url": served.address,
                        "httpOnly": True,
                    }
                ]
            )
        return context.new_page()

    yield open_one
    for context in opened:
        context.close()
    assert complaints == Complaints()
