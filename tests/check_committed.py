"""Whether what is committed and made from the code is current: ``python -m tests.check_committed``.

The OpenAPI document, the migrations, the locks and the documents with their answers. Exits 1 and names the command
that mends it.
"""

import contextlib
import io
import re
import sys
import tempfile
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext

from service.app import openapi_text
from service.db.engine import make_engine
from service.db.migrate import upgrade
from service.db.models import Base
from service.settings import Settings
from tests.docs.console import documents, retold
from tests.docs.diagram import with_current_diagram

ROOT = Path(__file__).parents[1]


def interface() -> Iterator[str]:
    """The OpenAPI document."""
    committed = ROOT / "openapi" / "openapi.json"
    if not committed.exists() or committed.read_text(encoding="utf-8") != openapi_text():
        yield "openapi/openapi.json is not current; mend it with: upslope openapi --write openapi/openapi.json"


def migrations() -> Iterator[str]:
    """The tables that the migrations make and those of the models."""
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings(database_url=f"sqlite:///{folder}/empty.db")
        upgrade(settings)
        engine = make_engine(settings)
        with engine.connect() as connection:
            differences = compare_metadata(MigrationContext.configure(connection), Base.metadata)
        engine.dispose()
    for difference in differences:
        yield f"models and migrations differ: {difference}; mend it with: make migration WORDS='what it does'"


def locks() -> Iterator[str]:
    """Every dependency is locked, with a hash, and no lock names where packages come from."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    wanted = {
        "requirements.lock": [*project["project"]["dependencies"], *project["dependency-groups"]["build"]],
        "requirements-dev.lock": [
            *project["project"]["dependencies"],
            *project["project"]["optional-dependencies"]["dev"],
        ],
    }
    for name, dependencies in wanted.items():
        text = (ROOT / name).read_text(encoding="utf-8")
        pinned = dict(re.findall(r"^([a-z0-9._-]+)==([^ ;\\]+)", text, re.MULTILINE))
        missing = {_name(one) for one in dependencies} - set(pinned)
        if missing:
            yield f"{name} lacks {', '.join(sorted(missing))}; mend it with: make lock"
        hashed = re.findall(r"^([a-z0-9._-]+)==[^\n]*\\\n    --hash=sha256:", text, re.MULTILINE)
        if len(hashed) != len(re.findall(r"^[a-z0-9._-]+==", text, re.MULTILINE)):
            yield f"{name} has a package without a hash; mend it with: make lock"
        if re.search(r"https?://|--index-url|--find-links|file:", text):
            yield f"{name} records an address; mend it with: make lock"


def _name(requirement: str) -> str:
    found = re.match(r"[A-Za-z0-9._-]+", requirement)
    if found is None:
        raise ValueError(requirement)
    return re.sub(r"[-_.]+", "-", found.group()).lower()


def told_documents() -> Iterator[str]:
    """The answers that README and guide show, and the entity diagram."""
    for path in documents():
        text = path.read_text(encoding="utf-8")
        # The service's own log lines are not what is asked here.
        with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stdout(io.StringIO()):
            told = retold(text, Path(folder))
        if told != text:
            yield f"{path.relative_to(ROOT)} is not current; mend it with: python -m tests.docs.regenerate {path.name}"
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    if with_current_diagram(developers) != developers:
        yield "DEVELOPERS.md is not current; mend it with: python -m tests.docs.regenerate DEVELOPERS.md"


CHECKS: tuple[Callable[[], Iterator[str]], ...] = (interface, migrations, locks, told_documents)


def main() -> int:
    """Run every check; the number that failed is the exit status, at most 1."""
    faults = [fault for check in CHECKS for fault in check()]
    for fault in faults:
        print(fault, file=sys.stderr)  # noqa: T201 a command that says what it found
    if not faults:
        print("Committed documents are current.")  # noqa: T201 as above
    return min(len(faults), 1)


if __name__ == "__main__":
    sys.exit(main())
