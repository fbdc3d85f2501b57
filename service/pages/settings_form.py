"""The settings of one analysis: what each does, and what another choice would change, before it is stored."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from service.analyses import queries as analyses
from service.analyses.schemas import SettingsIn
from service.analyses.workflow import Target, analyse_anew, foresee_settings, standing_choices
from service.analysis.breath_care import BREATH_RULES, NO_RULE, peak_averaging
from service.analysis.peaks import BREATH_CONVENTIONS, CONVENTIONS, DEFAULT_BREATHS, PeakSettings
from service.analysis.plateau import PLATEAU_RULES
from service.analysis.provenance import SOURCES
from service.analysis.rule_sets import RULE_SETS, RuleSet, heart_rate_methods
from service.analysis.smoothing import LOCAL_SD_SOURCE
from service.db.transactions import Store
from service.effort_rules.queries import own_rule_sets
from service.errors import UpslopeError
from service.http.dependencies import StoreDependency, TestDependency, Tester, TestRef
from service.http.problems import status_of
from service.methods.catalogue import METHODS
from service.outlets.text import SETTINGS, setting_in_words
from service.pages.effect import Effect, effects_of, head_of, seen_of
from service.pages.explanations import citations
from service.pages.forms import Field, Filled, SentDependency, as_shown, typed_of, values_of
from service.pages.rendering import PageRoute, checked, display_of, page

router = APIRouter(prefix="/tests/{test_id}/settings", include_in_schema=False, route_class=PageRoute)


@dataclass(frozen=True, slots=True)
class Choice:
    """One choice of a setting: its key, what it is called, what it does, and its source."""

    key: str
    name: str
    does: str
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of the form, with what its choices do."""

    field: Field
    choices: tuple[Choice, ...]


def settings_offered(own: tuple[RuleSet, ...]) -> tuple[Setting, ...]:
    """Every setting of an analysis with its choices, the rule sets of the site among them."""
    peak = SOURCES["peak"]["vo2_ml_min"]
    offered = (
        (
            "peak_convention",
            [
                Choice(
                    one,
                    setting_in_words("peak_convention", one),
                    f"{peak_averaging(PeakSettings(one), single_breaths=one in BREATH_CONVENTIONS)}.",
                    citations(peak),
                )
                for one in CONVENTIONS
            ],
        ),
        (
            "plateau_rule",
            [
                Choice(one.rule, one.label, "Its verdict is that of the test.", citations(one.source))
                for one in PLATEAU_RULES.values()
            ],
        ),
        (
            "effort_rules",
            [
                Choice(one.id, one.name, one.population, citations(one.source))
                for one in (*RULE_SETS.values(), *own)
            ],
        ),
        (
            "heart_rate_max_method",
            [
                Choice(
                    one,
                    METHODS[one].label,
                    "; ".join(citations(METHODS[one].validity)),
                    citations(METHODS[one].source),
                )
                for one in heart_rate_methods()
            ],
        ),
        (
            "aberrant_breaths",
            [
                Choice(
                    one,
                    setting_in_words("aberrant_breaths", one),
                    f"It {does}.",
                    () if one == NO_RULE else citations(LOCAL_SD_SOURCE),
                )
                for one, does in BREATH_RULES.items()
            ],
        ),
    )
    made = [
        Setting(
            Field(name, SETTINGS[name], "choice", tuple((one.key, one.name) for one in choices)),
            tuple(choices),
        )
        for name, choices in offered
    ]
    breaths = " and ".join(f"{count} for {name.replace('_', ' ')}" for name, count in DEFAULT_BREATHS.items())
    window = Setting(
        Field(
            "peak_window_s",
            SETTINGS["peak_window_s"],
            "number",
            hint="A shorter window gives a higher peak. Not used by the conventions over breaths.",
        ),
        (),
    )
    count = Setting(
        Field(
            "peak_window_breaths",
            SETTINGS["peak_window_breaths"],
            "whole",
            hint=f"For the conventions over breaths alone; {breaths} where it is left empty.",
        ),
        (),
    )
    return (made[0], window, count, *made[1:])


@router.get("")
def settings_page(
    request: Request, principal: Tester, ref: TestDependency, store: StoreDependency
) -> Response:
    """The settings that were asked for this test; empty where they are those of cohort, site or program."""
    del principal
    fields = _fields(request, store)
    with store.read() as session:
        stored = analyses.read_analysis(session, ref.test_pk)
        used: Mapping[str, Any] = {} if stored is None else stored.settings
    asked = {name for name, who in used.get("chosen_by", {}).items() if who == "request"}
    typed = {
        one.field.name: one.field.display.typed(used[one.field.name])
        if one.field.kind == "number"
        else str(used[one.field.name])
        for one in fields
        if one.field.name in asked and used[one.field.name] is not None
    }
    return _form(request, store, ref, fields, Filled(typed), ref.revision)


@router.post("")
def settings_step(
    request: Request, principal: Tester, ref: TestDependency, store: StoreDependency, sent: SentDependency
) -> Response:
    """Show what these settings would change; or store the analysis, where they are those that were shown."""
    settings = _fields(request, store)
    fields = [one.field for one in settings]
    sent.only(["revision", "seen", "step", *(one.name for one in fields)])
    revision = sent.revision()
    filled = Filled(typed_of(fields, sent.text), places={f"settings.{one.name}": one.name for one in fields})
    effects: list[Effect] = []
    seen, changed = "", False
    target = Target(ref.subject_pk, ref.subject_id, ref.visit_pk, ref.test_pk, revision=revision)
    try:
        body = checked(SettingsIn, **values_of(fields, filled.typed)).model_dump()
        seen = seen_of(revision, body)
        if sent.text.get("step") == "store" and sent.text.get("seen") == seen:
            return analyse_anew(
                store,
                principal.name,
                target,
                ref.test_id,
                body,
                respond=lambda *_: RedirectResponse(f"/tests/{ref.test_id}", status_code=303),
            )
        changed = sent.text.get("step") == "store"
        effects = effects_of([foresee_settings(store, target, body)])
    except UpslopeError as error:
        if status_of(error) in {403, 404}:
            raise
        seen = ""
        filled.refuse(error)
    return _form(request, store, ref, settings, filled, revision, effects=effects, seen=seen, changed=changed)


def _fields(request: Request, store: Store) -> tuple[Setting, ...]:
    with store.read() as session:
        own = tuple(own_rule_sets(session))
    display = display_of(request)
    return tuple(
        Setting(shown, one.choices)
        for one in settings_offered(own)
        for shown in as_shown([one.field], display)
    )


def _left_empty(setting: Setting, standing: Mapping[str, Any]) -> Setting:
    """The setting, with what holds where nothing is asked for this test."""
    one = setting.field
    value, who = standing[one.name], standing["chosen_by"].get(one.name, "program")
    if setting.choices:
        named = {choice.key: choice.name for choice in setting.choices}
        words = "by the shape of the test" if value is None else named[value]
        return replace(setting, field=replace(one, empty=f"{words} (as the {who} has it)"))
    if value is None:
        return setting
    words = f"{one.display.typed(value)} where it is left empty (as the {who} has it)."
    return replace(setting, field=replace(one, hint=f"{one.hint} {words}"))


def _form(
    request: Request,
    store: Store,
    ref: TestRef,
    settings: tuple[Setting, ...],
    filled: Filled,
    revision: int,
    *,
    effects: list[Effect] | None = None,
    seen: str = "",
    changed: bool = False,
) -> Response:
    with store.read() as session:
        head = head_of(session, ref, "only a complete test has a stored analysis.")
        choices = standing_choices(session, ref.subject_pk)
        standing = choices.settings(ref.subject_pk, head["day"], {}).as_dict()
    told = [_left_empty(one, standing) for one in settings]
    return page(
        request,
        "settings_form.html",
        status=filled.status,
        **head,
        settings=told,
        fields=[one.field for one in told],
        filled=filled,
        effects=effects or [],
        seen=seen,
        changed=changed,
        revision=revision,
    )
