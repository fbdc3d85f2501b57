"""Several files in one go: what would become of each line is shown first, then stored line by line.

Nothing of a file is kept on the server between the two: the browser sends it again. With scripts each line is a request
of its own, so that there is progress, a broken connection loses one line and no size counts but that of one file. Without
scripts one form carries all files, and its answer is sent line by line while they are stored. Sent again, nothing is
doubled: a file is known by its bytes.
"""

import csv
import hashlib
import io
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

import sqlalchemy as sa
import structlog
from fastapi import APIRouter, Request
from starlette.datastructures import UploadFile
from starlette.responses import Response

from service.batches.workflow import Job, Outcome, Outlook, job_of_row, look_at_jobs, run_jobs
from service.db.models import Subject
from service.db.transactions import Store
from service.errors import InvalidContent, Place, UpslopeError
from service.http.dependencies import SiteReader, SiteTester, StoreDependency
from service.http.problems import status_of
from service.imports.workflow import Source, limits_of
from service.intake.manifest import ManifestRow, read_manifest
from service.intake.templates import TEMPLATES
from service.outlets.display import Display
from service.pages.forms import Field, Filled, Sent, SentDependency, typed_of
from service.pages.import_form import MODES
from service.pages.rendering import PageRoute, display_of, page, page_in_pieces

router = APIRouter(prefix="/imports", include_in_schema=False, route_class=PageRoute)

_log = structlog.get_logger(__name__)

#: A page of more lines helps nobody; the command takes any number.
MOST_LINES = 1000
_EXAMPLE_ROWS = 6

_FIELDS = (
    Field("files", "Data files"),
    Field("manifest", "List of the tests"),
    Field(
        "mode",
        "Mode of all tests",
        "choice",
        tuple((one, one) for one in MODES),
        empty="choose for each line",
    ),
)
#: What is typed of a file that no list names: columns of a manifest.
_TYPED = ("subject", "date", "mode", "body_mass_kg", "sex", "birth_date")
_OF_LINE = re.compile(rf"({'|'.join(('name', 'seen', *_TYPED))})_(\d{{1,4}})")
_DAY = re.compile(r"(?<!\d)(\d{4}-\d{2}-\d{2})(?!\d)")

State = Literal["waiting", "ready", "known", "stored", "refused", "changed"]


@dataclass(slots=True)
class Line:
    """One test of the batch as it is shown.

    Attributes
    ----------
    number : int
        Row of the list, or place in the table.
    file : str or None
    said : dict
        Subject, date and mode of a row of a list.
    typed : dict or None
        What stands in the fields of a line that no list names.
    job : Job or None
        None while nothing was typed yet.
    faults : dict
        What is wrong, by column.
    state : State
    seen : str
        What the line and its file are known by.
    outlook : Outlook or None
    outcome : Outcome or None
    """

    number: int
    file: str | None
    said: Mapping[str, str] = field(default_factory=dict)
    typed: Mapping[str, str] | None = None
    job: Job | None = None
    faults: Mapping[str, str] = field(default_factory=dict)
    state: State = "waiting"
    seen: str = ""
    outlook: Outlook | None = None
    outcome: Outcome | None = None

    @property
    def reason(self) -> str:
        """Why it is refused."""
        told = self.outcome or self.outlook
        return "" if told is None else told.reason

    @property
    def test_id(self) -> str | None:
        """The test that it became, or is already."""
        told = self.outcome or self.outlook
        return None if told is None else told.test_id


@dataclass(slots=True)
class Tally:
    """How many lines came to what; counted while they are shown."""

    total: int = 0
    counts: dict[State, int] = field(default_factory=dict)

    def __getitem__(self, state: State) -> int:
        return self.counts.get(state, 0)


@router.get("")
def batch_page(request: Request, principal: SiteTester) -> Response:
    """Choose files, and the list that says whose they are."""
    del principal
    return page(request, "batch_import.html", **_empty(Filled()))


@router.get("/templates")
def templates_page(request: Request, principal: SiteReader) -> Response:
    """Tables to fill in, each explained, with an example beside it."""
    del principal
    tables = [(one, one.example()[:_EXAMPLE_ROWS]) for one in TEMPLATES.values()]
    return page(request, "import_templates.html", tables=tables)


@router.post("")
def batch_step(
    request: Request, principal: SiteTester, store: StoreDependency, sent: SentDependency
) -> Response:
    """List the lines, look at them or store them; all of them, or those that a script asks for."""
    sent.only(
        [
            *("step", "part", "lines", "names", "mode", "files", "manifest"),
            *(name for name in sent.text if _OF_LINE.fullmatch(name)),
        ]
    )
    filled = Filled(typed_of(_FIELDS, sent.text))
    step, part = sent.text.get("step", "look"), sent.text.get("part", "")
    try:
        lines = _lines(sent, store, display_of(request))
    except UpslopeError as error:
        filled.refuse(error)
        # Rows and columns stand in the places; a list that cannot be read is told at its field.
        filled.faults.setdefault("manifest", error.detail)
        return page(request, "batch_import.html", status=status_of(error), **_empty(filled))
    tally = Tally(len(lines))
    worked = _worked(store, principal.name, lines, step, tally)
    if part == "rows":
        return page(request, "batch_rows.html", lines=list(worked), modes=MODES)
    return page_in_pieces(
        request,
        "batch_table.html" if part == "table" else "batch_import.html",
        **_empty(filled)
        | {
            "lines": worked,
            "tally": tally,
            "step": step,
            "typed": any(one.typed is not None for one in lines),
        },
    )


def _empty(filled: Filled) -> dict[str, Any]:
    return {
        "filled": filled,
        "fields": _FIELDS,
        "lines": None,
        "tally": Tally(),
        "step": "",
        "typed": False,
        "modes": MODES,
    }


# --- lines -----------------------------------------------------------------------------------------------------


def _lines(sent: Sent, store: Store, display: Display) -> list[Line]:
    """The lines that were asked for: those of the list, else one for each file."""
    uploads: dict[str, list[UploadFile]] = {}
    for name, file in sent.chosen:
        if name == "files" and file.filename:
            uploads.setdefault(_base(file.filename), []).append(file)

    def find(name: str) -> Callable[[], Source]:
        return lambda: _uploaded(uploads, name)

    manifest = sent.files.get("manifest")
    if manifest is not None and manifest.filename:
        source = Source(manifest.file.read(), manifest.filename)
        rows = read_manifest(source.data, source.name, limits_of(store.settings))
        lines = [_of_row(row, source.name, find) for row in rows]
    else:
        lines = _typed_lines(sent, find, display) or _proposed(sent, list(uploads), store)
    if not lines:
        message = "choose at least one data file, or a list of tests"
        raise InvalidContent(f"files: {message}.", (Place("files", message),))
    if len(lines) > MOST_LINES:
        message = f"are {len(lines):,} tests; at most {MOST_LINES:,} go in one page. 'upslope import --manifest' takes any number"
        raise InvalidContent(f"These {message}.", (Place("files", message),))
    wanted = set(sent.text.get("lines", "").split(",")) - {""}
    for line in lines:
        line.seen = sent.text.get(f"seen_{line.number}", "")
    return [line for line in lines if not wanted or str(line.number) in wanted]


def _base(name: str) -> str:
    """The name of a file without its folders: a browser sends none."""
    return re.split(r"[\\/]", name)[-1]


def _uploaded(uploads: Mapping[str, Sequence[UploadFile]], name: str) -> Source:
    found = uploads.get(_base(name), ())
    if len(found) != 1:
        told = "is not among the files; choose it too" if not found else "was chosen twice, from two folders"
        raise InvalidContent(f"'{_base(name)}' {told}.")
    found[0].file.seek(0)
    return Source(found[0].file.read(), _base(name))


def _of_row(
    row: ManifestRow,
    manifest: str,
    find: Callable[[str], Callable[[], Source]],
    typed: Mapping[str, str] | None = None,
    number: int | None = None,
) -> Line:
    said = {"subject": row.subject, "date": str(row.date or ""), "mode": row.mode or ""}
    return Line(
        row.row if number is None else number,
        None if row.file is None else _base(row.file),
        said,
        typed,
        job_of_row(row, manifest, find),
        {place.column: place.message for place in row.faults if place.column},
    )


def _typed_lines(sent: Sent, find: Callable[[str], Callable[[], Source]], display: Display) -> list[Line]:
    """Lines whose person, date and so on were typed: each is read as a list of one row."""
    numbers = sorted(
        int(match[2]) for name in sent.text if (match := _OF_LINE.fullmatch(name)) and match[1] == "name"
    )
    lines = []
    for number in numbers:
        typed = {name: sent.text.get(f"{name}_{number}", "").strip() for name in _TYPED}
        file = sent.text[f"name_{number}"]
        canonical, wrong = dict(typed), ""
        if typed["body_mass_kg"]:
            try:
                canonical["body_mass_kg"] = repr(display.read(typed["body_mass_kg"], "body_mass_kg"))
            except ValueError as error:
                canonical["body_mass_kg"], wrong = "", str(error)
        text = io.StringIO()
        csv.writer(text).writerows([[*_TYPED, "file"], [*canonical.values(), file]])
        (row,) = read_manifest(text.getvalue().encode(), file)
        line = _of_row(row, file, find, typed, number)
        line.faults = {**line.faults, **({"body_mass_kg": wrong} if wrong else {})}
        if wrong:
            line.job = Job(file, {}, {}, fault=f"Body mass {wrong}.")
        lines.append(line)
    return lines


def _proposed(sent: Sent, files: Sequence[str], store: Store) -> list[Line]:
    """A line to be filled in for each file; what its name says of person and day is proposed, and seen before it counts."""
    names = files or [one for one in sent.text.get("names", "").splitlines() if one]
    with store.read() as session:
        codes = sorted(session.scalars(sa.select(Subject.code)), key=len, reverse=True)
    mode = sent.text.get("mode", "")
    return [
        Line(
            number,
            name,
            typed=dict.fromkeys(_TYPED, "")
            | {
                "mode": mode if mode in MODES else "",
                "date": _day_in(name),
                "subject": _code_in(name, codes),
            },
        )
        for number, name in enumerate(map(_base, names), start=1)
    ]


def _day_in(name: str) -> str:
    found = _DAY.search(name)
    try:
        return "" if found is None else date.fromisoformat(found[1]).isoformat()
    except ValueError:
        return ""


def _code_in(name: str, codes: Sequence[str]) -> str:
    """The longest code of the record that the name of a file begins with; nothing where there is none."""
    low = name.casefold()
    return next(
        (
            code
            for code in codes
            if low.startswith(code.casefold()) and not low[len(code) : len(code) + 1].isalnum()
        ),
        "",
    )


# --- looking and storing ------------------------------------------------------------------------------------------


def _worked(store: Store, actor: str, lines: Sequence[Line], step: str, tally: Tally) -> Iterator[Line]:
    """The lines one by one, each looked at or stored when its turn comes; counted in `tally`."""
    for line in lines:
        if line.job is not None and step in {"look", "store"}:
            _work(store, actor, line, storing=step == "store")
        tally.counts[line.state] = tally[line.state] + 1
        yield line


def _work(store: Store, actor: str, line: Line, *, storing: bool) -> None:
    assert line.job is not None  # noqa: S101 the caller asked
    before, line.seen = line.seen, _seen(line.job)
    try:
        if storing and line.seen and before == line.seen:
            (line.outcome,) = run_jobs(store, actor, [line.job])
            line.state = _became(line.outcome)
            return
        (line.outlook,) = look_at_jobs(store, [line.job])
    except Exception as error:  # noqa: BLE001 a fault of the service in one line must not stop the others
        _log.exception("failed", error=type(error).__name__, route="/imports")
        line.outcome = Outcome(
            line.job.name,
            refused=True,
            reason="The service failed on this line; nothing of it was stored. The log of the server says more.",
        )
        line.state = "refused"
        return
    if line.outlook.reason:
        line.state = "refused"
    elif line.outlook.test_id is not None:
        line.state = "known"
    else:
        line.state = "changed" if storing else "ready"


def _became(outcome: Outcome) -> State:
    if outcome.refused:
        return "refused"
    return "stored" if outcome.stored else "known"


def _seen(job: Job) -> str:
    """What a line with its file is known by; nothing where the file is not there."""
    try:
        data = b"" if job.read is None else job.read().data
    except UpslopeError:
        return ""
    said = (job.subject, job.visit, job.options, job.results, job.measurements, job.notes)
    return hashlib.sha256(data + repr(said).encode()).hexdigest()
