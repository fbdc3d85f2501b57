"""The rows of a test: taken out with a reason, kept whatever a rule says, or given back; the effect is shown first."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from service.analyses.workflow import Target, analysis_of, breath_marks, foresee
from service.db.transactions import Store
from service.errors import Conflict, InvalidContent, Place, UpslopeError
from service.exercise_tests import queries as tests
from service.exercise_tests import workflow
from service.exercise_tests.schemas import ExclusionIn
from service.http.dependencies import StoreDependency, TestDependency, Tester, TestRef
from service.http.problems import status_of
from service.outlets.text import setting_in_words
from service.pages.effect import NOT_YET, Effect, effects_of, head_of, seen_of
from service.pages.forms import Field, Filled, SentDependency, as_shown, typed_of, values_of
from service.pages.rendering import PageRoute, checked, display_of, page
from service.quantities import CHANNELS, QUANTITIES

router = APIRouter(prefix="/tests/{test_id}/rows", include_in_schema=False, route_class=PageRoute)

#: Most rows of one page.
_MOST_ROWS = 200
#: Shown before the window of the peak and after the end of exercise, where nobody says which rows.
_BEFORE_S, _AFTER_S = 120.0, 60.0
_SLACK_S = 1e-6
_DECISIONS: dict[str, bool | None] = {"leave_out": True, "keep": False, "take_back": None}
_FIELDS = (
    Field("first_s", "All rows from (s)", "number", hint="Beside the rows that are ticked."),
    Field("last_s", "to (s)", "number", hint="A row belongs to it where it lies wholly inside."),
    Field(
        "decision",
        "Decision",
        "choice",
        (
            ("leave_out", "leave these rows out"),
            ("keep", "keep these rows, whatever the rule for single breaths says"),
            ("take_back", "take back what was decided about these rows"),
        ),
        required=True,
        empty="choose",
    ),
    Field(
        "reason", "Reason", required=True, hint="It stands in the record with your key's name and the time."
    ),
)
_TICKED = re.compile(r"row_(\d{1,7})")


@dataclass(frozen=True, slots=True)
class Shown:
    """Which rows a page shows.

    Attributes
    ----------
    from_s, to_s : float or None
    only : bool
        Whether only rows with a mark or a decision.
    """

    from_s: float | None = None
    to_s: float | None = None
    only: bool = False


@dataclass(slots=True)
class _Looked:
    ticked: frozenset[int] = frozenset()
    effects: list[Effect] = field(default_factory=list)
    count: int = 0
    seen: str = ""
    changed: bool = False


Second = Annotated[float | None, Query(ge=0, le=1e6, allow_inf_nan=False)]


@router.get("")
def rows_page(
    request: Request,
    principal: Tester,
    ref: TestDependency,
    store: StoreDependency,
    from_s: Second = None,
    to_s: Second = None,
    only: Literal["decided"] | None = None,
) -> Response:
    """The rows about the peak, or those of another time."""
    del principal
    shown = Shown(from_s, to_s, only == "decided")
    return _form(request, store, ref, shown, Filled(), _Looked(), ref.revision)


@router.post("")
def rows_step(
    request: Request, principal: Tester, ref: TestDependency, store: StoreDependency, sent: SentDependency
) -> Response:
    """Show what a decision about rows would change; or store it, where it is the one that was shown."""
    fields = as_shown(_FIELDS, display_of(request))
    ticked = frozenset(int(found[1]) for name in sent.text if (found := _TICKED.fullmatch(name)))
    sent.only(
        [
            *("revision", "seen", "step", "from_s", "to_s", "only"),
            *(one.name for one in fields),
            *(f"row_{one}" for one in ticked),
        ]
    )
    revision = sent.revision()
    filled = Filled(typed_of(fields, sent.text))
    looked = _Looked(ticked)
    shown = Shown(
        _second(sent.text, "from_s"), _second(sent.text, "to_s"), sent.text.get("only") == "decided"
    )
    target = Target(ref.subject_pk, ref.subject_id, ref.visit_pk, ref.test_pk, revision=revision)
    try:
        said = sent.text.get("step") == "store"
        typed = filled.typed if said else filled.typed | {"reason": filled.typed["reason"].strip() or NOT_YET}
        rows = _decided(store, ref, values_of(fields, typed), ticked)
        looked.count = len(rows)
        looked.seen = seen_of(revision, [(row.seq, row.excluded) for row in rows])
        edit = workflow.exclusions_edit(target, principal.name, rows)
        if said and sent.text.get("seen") == looked.seen:
            there = "&".join(
                f"{name}={sent.text[name]}" for name in ("from_s", "to_s", "only") if sent.text.get(name)
            )
            return workflow.change(
                store,
                principal.name,
                target,
                ref.test_id,
                edit,
                {"exclusions": [row.model_dump() for row in rows]},
                respond=lambda _: RedirectResponse(f"/tests/{ref.test_id}/rows?{there}", status_code=303),
            )
        looked.changed = said
        looked.effects = effects_of(foresee(store, target, edit))
    except UpslopeError as error:
        if status_of(error) in {403, 404}:
            raise
        looked.seen = ""
        filled.refuse(error)
    return _form(request, store, ref, shown, filled, looked, revision)


def _second(sent: Any, name: str) -> float | None:
    """A time that the page itself put into its form."""
    text = sent.get(name, "")
    return float(text) if re.fullmatch(r"\d{1,6}(\.\d{1,6})?", text, re.ASCII) else None


def _decided(
    store: Store, ref: TestRef, values: dict[str, Any], ticked: Iterable[int]
) -> Sequence[ExclusionIn]:
    """The decision about each row that is meant.

    Raises
    ------
    InvalidContent
        No row is meant, or a decision that cannot be.
    """
    first, last = values["first_s"], values["last_s"]
    if (first is None) != (last is None):
        name = "first_s" if first is None else "last_s"
        raise InvalidContent(f"{name} is needed.", (Place(name, "is needed with the other one"),))
    with store.read() as session:
        stored = tests.read_intervals(session, ref.test_pk)
    chosen = set(ticked)
    if first is not None:
        chosen |= {
            row["seq"]
            for row in stored
            if row["end_s"] <= last + _SLACK_S and row["end_s"] - (row["duration_s"] or 0) >= first - _SLACK_S
        }
    if not chosen:
        where = "first_s" if first is not None else "decision"
        what = (
            "no row lies wholly inside"
            if first is not None
            else "tick the rows it is about, or give a time from and to"
        )
        raise InvalidContent(f"{where}: {what}.", (Place(where, what),))
    if values["decision"] not in _DECISIONS:
        raise InvalidContent("decision is not known.", (Place("decision", "choose one of the list"),))
    excluded = _DECISIONS[values["decision"]]
    if excluded is None:
        chosen &= {row["seq"] for row in stored if row["excluded"] or row["kept"]}
        if not chosen:
            message = "nothing was decided by hand about any of these rows"
            raise InvalidContent(f"decision: {message}.", (Place("decision", message),))
    whole = checked(ExclusionIn, seq=min(chosen), excluded=excluded, reason=values["reason"])
    return [whole.model_copy(update={"seq": seq}) for seq in sorted(chosen)]


def _form(
    request: Request,
    store: Store,
    ref: TestRef,
    shown: Shown,
    filled: Filled,
    looked: _Looked,
    revision: int,
) -> Response:
    with store.read() as session:
        head = head_of(session, ref, "rows are judged once it is complete.")
        rows = tests.read_intervals(session, ref.test_pk)
        marks = breath_marks(session, ref.test_pk)
    if not rows:
        raise Conflict("The test has no rows.")
    peak = analysis_of(store, ref.test_pk, {}, where="query")
    about = _about(rows, peak, shown)
    lines = [
        {
            **row,
            "rule": marks.reasons.get(row["seq"]),
            "in_peak": _inside(row, peak["peak"]["start_s"], peak["peak"]["end_s"]),
        }
        for row in rows
        if about.only or _inside(row, about.from_s, about.to_s)
    ]
    if len(lines) > _MOST_ROWS and not about.only:
        about = Shown(about.from_s, lines[_MOST_ROWS - 1]["end_s"])
        lines = lines[:_MOST_ROWS]
    if about.only:
        lines = [row for row in lines if row["rule"] or row["excluded"] or row["kept"]]
    fields = as_shown(_FIELDS, display_of(request))
    span = (about.to_s or 0.0) - (about.from_s or 0.0)
    return page(
        request,
        "rows.html",
        status=filled.status,
        **head,
        fields=fields,
        filled=filled,
        effects=looked.effects,
        count=looked.count,
        seen=looked.seen,
        changed=looked.changed,
        ticked=looked.ticked,
        lines=lines[:_MOST_ROWS],
        more=max(0, len(lines) - _MOST_ROWS),
        channels=[
            (name, QUANTITIES[name].symbol) for name in CHANNELS if any(row[name] is not None for row in rows)
        ],
        rule=setting_in_words("aberrant_breaths", marks.rule),
        shown=about,
        earlier=None if about.only or not about.from_s else max(0.0, about.from_s - span),
        later=None if about.only or (about.to_s or 0.0) >= rows[-1]["end_s"] else about.to_s,
        span=span,
        n_rows=len(rows),
        last_s=rows[-1]["end_s"],
        revision=revision,
    )


def _inside(row: dict[str, Any], from_s: float | None, to_s: float | None) -> bool:
    """Whether any part of a row lies inside."""
    if from_s is None or to_s is None:
        return False
    return bool(
        row["end_s"] > from_s + _SLACK_S and row["end_s"] - (row["duration_s"] or 0) < to_s - _SLACK_S
    )


def _about(rows: list[dict[str, Any]], document: dict[str, Any], shown: Shown) -> Shown:
    """What is shown where nobody says which rows: those about the peak, else the first."""
    if shown.only or (shown.from_s is not None and shown.to_s is not None):
        return shown
    peak, end = document["peak"], document["marks"]["exercise_end_s"]
    if peak["start_s"] is None:
        return Shown(0.0, rows[min(_MOST_ROWS, len(rows)) - 1]["end_s"])
    return Shown(max(0.0, peak["start_s"] - _BEFORE_S), max(peak["end_s"], end or 0.0) + _AFTER_S)
