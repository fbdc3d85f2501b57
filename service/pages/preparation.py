"""Preparing a test: its protocol, what is asked and measured before it, and the cautions that follow.

Nothing here decides whether a test is done. A warning is shown, and who read it and when is kept with the test.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta, timezone
from typing import Any, cast, get_args

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from service.analyses.workflow import Target
from service.analysis.references import citation
from service.analysis.screening import (
    QUESTIONS,
    STOP_SIGNS,
    Caution,
    RestingValues,
    cautions_before,
    read_answer,
)
from service.db.models import Visit
from service.db.transactions import Store, now
from service.errors import InvalidContent, Place, UpslopeError
from service.exercise_tests.schemas import Mode, Purpose, RpeScale, TestIn
from service.http.dependencies import StoreDependency, Tester, VisitDependency, VisitRef
from service.http.keys import Principal
from service.http.problems import status_of
from service.outlets import phrases
from service.outlets.display import Display
from service.pages import queries as pages
from service.pages.forms import (
    Field,
    Filled,
    Sent,
    SentDependency,
    as_shown,
    clock_value,
    instant_value,
    of_quantity,
    recorded,
    typed_of,
    values_of,
    yes_or_no,
)
from service.pages.rendering import PageRoute, checked, display_of, page
from service.preparation import queries, workflow
from service.protocols import queries as protocols
from service.protocols.schemas import ProtocolIn, ProtocolOut
from service.protocols.workflow import proposals_for
from service.reference.protocols import STANDARD_PROTOCOLS
from service.subjects import queries as subjects
from service.visits import queries as visits
from service.visits.schemas import PreTestIn, VisitPatch

router = APIRouter(prefix="/visits/{visit_id}/prepare", include_in_schema=False, route_class=PageRoute)

_MODE = Field("mode", "Mode", "choice", tuple((one, one) for one in get_args(Mode)), empty="choose")
_PROTOCOL = Field("protocol", "Protocol")
_PURPOSE = Field(
    "purpose",
    "Purpose",
    "choice",
    tuple((one, one) for one in get_args(Purpose)),
    empty="as the protocol, else maximal",
)
_VERIFIES = Field(
    "verifies_test_id", "Verifies", "choice", hint="For a verification bout.", empty="no other test"
)
_TEST = (
    Field("reason_for_test", "Reason for the test", "long", hint="Why it was asked for."),
    Field("ergometer", "Ergometer"),
    Field("analyser", "Analyser"),
    Field("interface", "Mouthpiece or mask", "choice", (("mask", "mask"), ("mouthpiece", "mouthpiece"))),
    yes_or_no("handrail_support", "Handrail is held", "Of a treadmill. Who holds it needs less oxygen."),
    Field(
        "rpe_scale",
        "Scale of perceived exertion",
        "choice",
        tuple((one, one.replace("-", " to ")) for one in get_args(RpeScale)),
        "The one that the person is shown.",
        empty="not chosen yet",
    ),
)
_RESTING = tuple(
    of_quantity(name)
    for name in (
        "resting_heart_rate_bpm",
        "resting_systolic_mmhg",
        "resting_diastolic_mmhg",
        "resting_spo2_percent",
    )
)
_CONSENT = (
    Field("consent_given_at", "Consent given", "moment", hint=phrases.ON_ITS_CLOCK),
    Field("cleared_by", "Cleared by", hint="Who decided, by local rules, that this person may be tested."),
)
_READ = (
    yes_or_no("acknowledged", "I have read these cautions"),
    Field("acknowledged_by", "Read by"),
)
_GROUPS = (
    ("screening", "Activity, disease and symptoms"),
    ("absolute", "Named by published lists among the reasons not to start a test"),
    ("relative", "Named by published lists among the reasons to start one only after weighing it"),
)
_ANSWERS = {"yes": "yes", "no": "no", "unknown": "not known"}
_QUESTIONS = tuple(
    Field(
        f"question_{one.id}",
        one.text,
        "choice",
        tuple((choice, _ANSWERS.get(choice, choice)) for choice in one.choices),
        empty="not asked",
    )
    for one in QUESTIONS.values()
)
_SETS: Mapping[str, tuple[Field, ...]] = {
    group: tuple(
        one for one, question in zip(_QUESTIONS, QUESTIONS.values(), strict=True) if question.group == group
    )
    for group, _ in _GROUPS
}
FIELDS = (_MODE, _PROTOCOL, _PURPOSE, _VERIFIES, *_TEST, *_RESTING, *_CONSENT, *_QUESTIONS, *_READ)
#: Besides these, one that answers no to what is still open of a list of reasons not to start.
_STEPS = ("look", "keep", "make")
_ALL_ASKED = {f"no_{group}": _SETS[group] for group in ("absolute", "relative")}


@dataclass(frozen=True, slots=True)
class _Offered:
    """The protocols to choose from in a mode.

    Attributes
    ----------
    proposed : sequence of dict
        As `proposals_for` gives them.
    not_proposed : str
        Why there is no proposal.
    standard, own : sequence of ProtocolOut
    """

    proposed: Sequence[dict[str, Any]] = ()
    not_proposed: str = ""
    standard: Sequence[ProtocolOut] = ()
    own: Sequence[ProtocolOut] = ()

    def chosen(self, protocol_id: str) -> tuple[ProtocolOut | None, ProtocolIn | None]:
        """The protocol of this id, and what is to be stored of it where it is proposed and not standard."""
        for one in (*self.standard, *self.own):
            if one.id == protocol_id and all(other["id"] != protocol_id for other in self.proposed):
                return one, None
        for other in self.proposed:
            if other["id"] == protocol_id:
                fields = {name: other[name] for name in ProtocolOut.model_fields}
                shown = ProtocolOut.model_validate(fields)
                standard = any(one.id == protocol_id for one in self.standard)
                return shown, None if standard else ProtocolIn.model_validate(fields)
        message = "is none of the protocols of this mode; choose one that is shown"
        raise InvalidContent(f"protocol {message}.", (Place("protocol", message),))


@dataclass(slots=True)
class _Shown:
    """What stands in the page beside the form."""

    cautions: Sequence[Caution] = ()
    looked: bool = False
    offered: _Offered = field(default_factory=_Offered)


@router.get("")
def preparation_page(
    request: Request, principal: Tester, ref: VisitDependency, store: StoreDependency, mode: str = ""
) -> Response:
    """What is recorded already, and the protocols of the mode of the last test or of `mode`."""
    with store.read() as session:
        visit = visits.get(session, ref.visit_pk)
        last = queries.last_mode(session, ref.subject_pk)
    typed = _recorded(visit, display_of(request))
    typed |= {"mode": mode if mode in get_args(Mode) else last or "", "acknowledged_by": visit.tester or ""}
    filled = Filled(typed)
    shown = _Shown(_cautions(visit, typed, display_of(request)), bool(_answers(typed, visit)))
    shown.offered = _offered(store, principal, ref, typed["mode"])
    return _form(request, principal, store, ref, visit, filled, shown, ref.revision)


@router.post("")
def prepare(
    request: Request, principal: Tester, ref: VisitDependency, store: StoreDependency, sent: SentDependency
) -> Response:
    """Show what the answers mean, keep them, or make the planned test and go to its recording sheet."""
    sent.only([*("revision", "seen", "step"), *(one.name for one in FIELDS)])
    revision = sent.revision()
    display = display_of(request)
    with store.read() as session:
        visit = visits.get(session, ref.visit_pk)
    filled = Filled(typed_of(FIELDS, sent.text))
    filled.places |= {
        "protocol_id": "protocol",
        "cautions_acknowledged_by": "acknowledged_by",
        **{f"answers.{at}.answer": one.name for at, one in enumerate(_QUESTIONS)},
    }
    shown = _Shown(looked=True, offered=_offered(store, principal, ref, filled.typed["mode"]))
    step = sent.text.get("step", "look")
    for one in _ALL_ASKED.get(step, ()):
        filled.typed[one.name] = filled.typed[one.name] or "no"
    try:
        if step not in {*_STEPS, *_ALL_ASKED}:
            raise InvalidContent("This form has no such step.")
        values = values_of(as_shown(FIELDS, display), filled.typed)
        pre_test = _pre_test(values, filled.typed, visit)
        protocol, proposed = None, None
        if values["protocol"] is not None:
            protocol, proposed = shown.offered.chosen(values["protocol"])
        purpose = values["purpose"] or (protocol.purpose if protocol is not None else "maximal")
        new_values = _new_values(values, visit, display)
        shown.cautions = _cautions(visit, filled.typed, display, purpose=purpose)
        if step in {"keep", "make"}:
            preparation = workflow.Preparation(new_values, pre_test)
            if step == "make":
                made = _acknowledged(_test(values, purpose, protocol), values, shown.cautions, sent)
                preparation = workflow.Preparation(new_values, pre_test, made, proposed)
            return workflow.prepare(
                store,
                principal.name,
                Target(ref.subject_pk, ref.subject_id, ref.visit_pk, revision=revision),
                ref.visit_id,
                preparation,
                respond=lambda test_id: _next(ref, test_id),
            )
    except UpslopeError as error:
        if status_of(error) in {403, 404}:
            raise
        filled.refuse(error)
    return _form(request, principal, store, ref, visit, filled, shown, revision)


def _next(ref: VisitRef, test_id: str | None) -> Response:
    to = f"/visits/{ref.visit_id}/prepare#cautions" if test_id is None else f"/tests/{test_id}/record"
    return RedirectResponse(to, status_code=303)


# -- from the form to the record --------------------------------------------------------------------------------------


def _answers(typed: Mapping[str, str], visit: Visit) -> list[dict[str, str]]:
    """The answers that stand in the form, and those of the record to questions that it does not have."""
    given = [
        {"question": one.name.removeprefix("question_"), "answer": typed[one.name]}
        for one in _QUESTIONS
        if typed.get(one.name)
    ]
    return [*given, *_others(visit)]


def _others(visit: Visit) -> list[dict[str, str]]:
    return [
        one for one in visit.pre_test_answers or [] if read_answer(one["question"], one["answer"])[0] is None
    ]


def _pre_test(values: Mapping[str, Any], typed: Mapping[str, str], visit: Visit) -> PreTestIn:
    recorded_answers = _recorded_answers(visit)
    faults = [
        Place(one.name, "choose one of the answers")
        for one in _QUESTIONS
        if typed[one.name]
        and typed[one.name] not in dict(one.choices)
        and typed[one.name] != recorded_answers.get(one.name)
    ]
    if faults:
        raise InvalidContent(f"{faults[0].location}: {faults[0].message}", tuple(faults))
    consent = values["consent_given_at"]
    unchanged = typed["consent_given_at"] == _consent(visit)
    return checked(
        PreTestIn,
        answers=_answers(typed, visit),
        consent_given_at=(
            visit.consent_given_at
            if unchanged
            else None
            if consent is None
            else instant_value(consent, _offset(visit))
        ),
        cleared_by=values["cleared_by"],
    )


def _new_values(values: Mapping[str, Any], visit: Visit, display: Display) -> VisitPatch:
    """The resting values that are another than those recorded."""
    before = values_of(as_shown(_RESTING, display), recorded(as_shown(_RESTING, display), visit))
    return checked(VisitPatch, **{name: values[name] for name in before if values[name] != before[name]})


def _test(values: Mapping[str, Any], purpose: str, protocol: ProtocolOut | None) -> TestIn:
    if values["mode"] is None:
        raise InvalidContent("mode: choose one", (Place("mode", "choose one"),))
    return checked(
        TestIn,
        mode=values["mode"],
        purpose=purpose,
        shape=None if protocol is None else protocol.shape,
        protocol_id=None if protocol is None else protocol.id,
        verifies_test_id=values["verifies_test_id"],
        **{one.name: values[one.name] for one in _TEST},
    )


def _acknowledged(made: TestIn, values: Mapping[str, Any], cautions: Sequence[Caution], sent: Sent) -> TestIn:
    """The test with who read the cautions; asked for where there is a warning, and only of what was shown."""
    warned = any(one.severity == "warning" for one in cautions)
    if warned and sent.text.get("seen") != _digest(cautions):
        message = (
            "the cautions are not those that were shown before: read them as they are now, then tick this"
        )
        raise InvalidContent(message, (Place("acknowledged", message),))
    if warned and not values["acknowledged"]:
        message = "there is a warning: read the cautions and tick this, or do not make the test"
        raise InvalidContent(message, (Place("acknowledged", message),))
    if values["acknowledged"] and values["acknowledged_by"] is None:
        raise InvalidContent(
            "acknowledged_by: is needed", (Place("acknowledged_by", "is needed: who read the cautions?"),)
        )
    if not values["acknowledged"]:
        return made
    return checked(
        TestIn,
        **made.model_dump(exclude_unset=True),
        cautions_acknowledged=list(dict.fromkeys(one.code for one in cautions)),
        cautions_acknowledged_by=values["acknowledged_by"],
        cautions_acknowledged_at=now(),
    )


# -- from the record to the form --------------------------------------------------------------------------------------


def _offset(visit: Visit) -> str:
    return visits.in_own_offset(visit).isoformat()[-6:]


def _consent(visit: Visit) -> str:
    clock = timezone(timedelta(minutes=visit.utc_offset_minutes))
    return "" if visit.consent_given_at is None else clock_value(visit.consent_given_at, clock)


def _recorded_answers(visit: Visit) -> dict[str, str]:
    """By field; the last answer to a question counts. A word that is no choice stays as it was written."""
    found = {}
    for one in visit.pre_test_answers or []:
        question, word = read_answer(one["question"], one["answer"])
        if question is not None:
            found[f"question_{question}"] = word or one["answer"]
    return found


def _recorded(visit: Visit, display: Display) -> dict[str, str]:
    return {
        **{one.name: "" for one in FIELDS},
        **recorded(as_shown(_RESTING, display), visit),
        **_recorded_answers(visit),
        "consent_given_at": _consent(visit),
        "cleared_by": visit.cleared_by or "",
    }


def _cautions(
    visit: Visit, typed: Mapping[str, str], display: Display, *, purpose: str = "maximal"
) -> tuple[Caution, ...]:
    """What published lists say to the answers and resting values that stand in the form."""
    resting = values_of(as_shown(_RESTING[1:], display), typed)
    return cautions_before(
        _answers(typed, visit),
        RestingValues(**resting),
        purpose=cast("Purpose", purpose),
        limits_heart_rate=bool(_limiting(visit)),
    )


def _limiting(visit: Visit) -> list[dict[str, Any]]:
    return [one for one in visit.medications or [] if one.get("limits_heart_rate")]


def _digest(cautions: Sequence[Caution]) -> str:
    return hashlib.sha256("\n".join(one.text for one in cautions).encode()).hexdigest()


def _offered(store: Store, principal: Principal, ref: VisitRef, mode: str) -> _Offered:
    if mode not in get_args(Mode):
        return _Offered()
    proposed: Sequence[dict[str, Any]] = ()
    not_proposed = ""
    try:
        proposed = proposals_for(store, principal, ref.subject_id, cast("Mode", mode), visit_pk=ref.visit_pk)
    except InvalidContent as error:
        not_proposed = error.detail
    with store.read() as session:
        of_mode = [one for one in protocols.listed(session) if one.mode == mode]
    standard = [one for one in of_mode if _is_standard(one.id)]
    return _Offered(proposed, not_proposed, standard, [one for one in of_mode if one not in standard])


def _is_standard(protocol_id: str) -> bool:
    return protocol_id in STANDARD_PROTOCOLS


def _form(
    request: Request,
    principal: Principal,
    store: Store,
    ref: VisitRef,
    visit: Visit,
    filled: Filled,
    shown: _Shown,
    revision: int,
) -> Response:
    with store.read() as session:
        subject = subjects.get(session, ref.subject_pk)
        waiting = pages.waiting_tests_of(session, ref.visit_pk)
        verified = queries.that_may_be_verified(session, ref.visit_pk)
        of = None if principal.subject_ids is None else ref.subject_pk
        names = {name: queries.devices(session, name, of) for name in ("ergometer", "analyser")}
    test_fields = [
        Field(one.name, one.label, "text", tuple((name, name) for name in names[one.name]))
        if one.name in names
        else one
        for one in _TEST
    ]
    verifies = Field(
        _VERIFIES.name, _VERIFIES.label, "choice", tuple(verified), _VERIFIES.hint, empty=_VERIFIES.empty
    )
    return page(
        request,
        "preparation.html",
        status=filled.status,
        subject=subject,
        visit=visit,
        at=visits.in_own_offset(visit),
        waiting=waiting,
        filled=filled,
        fields=(*as_shown(FIELDS, display_of(request)),),
        mode=_MODE,
        purpose=_PURPOSE,
        verifies=verifies if verified else None,
        of_the_test=test_fields,
        resting=as_shown(_RESTING, display_of(request)),
        consent=_CONSENT,
        questions=[(group, heading, _SETS[group]) for group, heading in _GROUPS],
        others=_others(visit),
        limiting=_limiting(visit),
        read=_READ,
        shown=shown,
        warned=any(one.severity == "warning" for one in shown.cautions),
        cautions=[(one, citation(one.source)) for one in shown.cautions],
        seen=_digest(shown.cautions) if shown.looked else "",
        stop_signs=[(one, citation(one.source)) for one in STOP_SIGNS],
        not_to_start=[one for one in QUESTIONS.values() if one.group != "screening"],
        citation=citation,
        revision=revision,
    )
