"""Pictures of every page, to be looked at: ``python -m tests.browser.screenshots DIR``.

Each page in three widths and both themes, whole, over a fresh demonstration record. ``--only NAME`` takes one page of
`tests/browser/addresses.py`, and may be repeated. ``--readme`` makes the pictures of the README instead, in their place.
"""

import argparse
import tempfile
from collections.abc import Iterator
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from service.http.keys import SESSION_COOKIE
from tests.browser.addresses import LOOKED_AT, Records, records
from tests.browser.served import HOW_TO_INSTALL, ROOT, Served, chromium, demonstration, launched, serve

WIDTHS = (390, 820, 1440)
THEMES = ("light", "dark")

#: Pictures of the README: name of the file, page, width and height of what is shown.
README = (
    ("sheet", "/tests/{running_test}/record", 1100, 900),
    ("person", "/people/{improved}", 1000, 1130),
    ("test", "/tests/{test}", 1000, 1150),
    ("report", "/v1/tests/{test}/report?audience=client&format=html", 820, 1160),
)


def opened(browser: Browser, served: Served, key: str, width: int, height: int, theme: str) -> Page:
    """A window that is signed in."""
    context = browser.new_context(
        base_url=served.address,
        viewport={"width": width, "height": height},
        color_scheme=theme,
        locale="en-GB",
        reduced_motion="reduce",
    )
    context.add_cookies([{"name": SESSION_COOKIE, "value": served.session(key), "url": served.address}])
    return context.new_page()


def every_page(
    browser: Browser, served: Served, key: str, found: Records, folder: Path, only: set[str]
) -> Iterator[Path]:
    """Take the pictures."""
    for theme in THEMES:
        for width in WIDTHS:
            page = opened(browser, served, key, width, 900, theme)
            for route in LOOKED_AT:
                for name, address in found.addresses(route).items():
                    if only and name not in only:
                        continue
                    page.goto(address, wait_until="networkidle")
                    path = folder / f"{name}-{width}-{theme}.png"
                    page.screenshot(path=path, full_page=True)
                    yield path
            page.context.close()


def readme(browser: Browser, served: Served, key: str, found: Records) -> Iterator[Path]:
    """Take those of the README."""
    for name, address, width, height in README:
        page = opened(browser, served, key, width, height, "light")
        page.goto(address.format_map(found.ids), wait_until="networkidle")
        path = ROOT / "docs" / "images" / f"page-{name}.png"
        page.screenshot(path=path)
        page.context.close()
        yield path


def main() -> None:
    """Serve, look, and say what was made."""
    parser = argparse.ArgumentParser(prog="python -m tests.browser.screenshots", description=__doc__)
    parser.add_argument(
        "folder", type=Path, nargs="?", help="where the pictures go; made where it is not there"
    )
    parser.add_argument("--only", action="append", default=[], metavar="NAME", help="take this page alone")
    parser.add_argument("--readme", action="store_true", help="make the pictures of the README instead")
    asked = parser.parse_args()
    if (asked.folder is None) is not asked.readme:
        parser.error("give a folder, or --readme")
    if chromium() is None:
        parser.error(HOW_TO_INSTALL)
    with tempfile.TemporaryDirectory() as place, sync_playwright() as playwright:
        record = Path(place) / "demonstration.db"
        demonstration(record)
        with serve(record, Path(place) / "log") as served:
            key = served.key("demonstration", "admin")
            found = records(served, key)
            browser = launched(playwright.chromium)
            if asked.readme:
                made = list(readme(browser, served, key, found))
            else:
                asked.folder.mkdir(parents=True, exist_ok=True)
                made = list(every_page(browser, served, key, found, asked.folder, set(asked.only)))
            browser.close()
    for path in made:
        print(path)  # noqa: T201 a command that says what it made


if __name__ == "__main__":
    main()
