"""What the site sets for every record, each with what it does; on the state that was shown, or not at all."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from service.analyses.queries import norm_tables
from service.analysis.summary import AnalysisSettings
from service.db.transactions import Store
from service.effort_rules.queries import own_rule_sets
from service.http.dependencies import Admin, StoreDependency
from service.outlets.display import Display
from service.pages.forms import Field, Filled, SentDependency, as_shown, submitted, typed_of, values_of
from service.pages.rendering import PageRoute, display_of, page
from service.pages.settings_form import Setting, settings_offered
from service.quantities import QUANTITIES
from service.reference.tables import DEFAULT_NORM_IDS, NormTable
from service.site import queries
from service.site.schemas import SiteOut, SitePatch
from service.upkeep.workflow import made_with_other_settings

router = APIRouter(prefix="/site/settings", include_in_schema=False, route_class=PageRoute)

_NO_TABLE = "-"
_NORM = "norm_"
_CHANGE = "worthwhile_"
#: What a laboratory most often says it of; others are set with the interface.
_WORTHWHILE = (
    "vo2_peak_ml_kg_min",
    "vo2_peak_ml_min",
    "heart_rate_max_bpm",
    "o2_pulse_peak_ml_beat",
    "work_rate_peak_w",
)
_RETEST = Field(
    "retest_interval_days",
    "Days until the next test is due",
    "whole",
    hint="After the last test, for everybody for whom no date is entered. Empty: nobody is due by themselves.",
)


@router.get("")
def settings_page(request: Request, principal: Admin, store: StoreDependency) -> Response:
    """The settings as they are; what is empty is the program's."""
    del principal
    return _form(request, store, None)


@router.post("")
def change_settings(
    request: Request, principal: Admin, store: StoreDependency, sent: SentDependency
) -> Response:
    """Change what differs from what is set."""
    display = display_of(request)
    with store.read() as session:
        now_set, tables = queries.out(session), norm_tables(session)
        offered = _settings(tuple(own_rule_sets(session)), display)
    fields = _fields(offered, tables, now_set, display)
    sent.only(["revision", *(one.name for one in fields)])
    revision = sent.revision()
    filled = Filled(typed_of(fields, sent.text), places=_places(fields))

    def store_settings(body: SitePatch) -> Response:
        given = body.model_dump(mode="json", exclude_unset=True)
        if given:
            with store.write(principal.name) as transaction:
                before, after = queries.change(transaction.session, given, expected=revision)
                transaction.changed(
                    "site", "site", action="changed", payload={"before": before, "after": after}
                )
        return RedirectResponse("/site/settings", status_code=303)

    answer = submitted(
        filled, SitePatch, lambda: _patch(values_of(fields, filled.typed), now_set), store_settings
    )
    return answer or _form(request, store, filled, revision)


def _settings(own: Any, display: Display) -> tuple[Setting, ...]:
    return tuple(
        Setting(shown, one.choices)
        for one in settings_offered(own)
        for shown in as_shown([one.field], display)
    )


def _fields(
    offered: tuple[Setting, ...], tables: Sequence[NormTable], now_set: SiteOut, display: Display
) -> list[Field]:
    names = {one.id: one.name for one in tables}
    norms = [
        Field(
            f"{_NORM}{mode}",
            f"Reference table, {mode}",
            "choice",
            (*((one.id, one.name) for one in tables if one.mode == mode), (_NO_TABLE, "none")),
            empty=f"as the program has it: {names.get(DEFAULT_NORM_IDS.get(mode, ''), 'none')}",
        )
        for mode in sorted({one.mode for one in tables})
    ]
    keys = dict.fromkeys((*_WORTHWHILE, *now_set.smallest_worthwhile_change))
    changes = [
        Field(
            f"{_CHANGE}{key}",
            f"Smallest change worth while, {QUANTITIES[key].label.lower()} ({QUANTITIES[key].unit})",
            "number",
        )
        for key in keys
        if key in QUANTITIES
    ]
    return [*(one.field for one in offered), *norms, *as_shown([*changes, _RETEST], display)]


def _places(fields: list[Field]) -> dict[str, str]:
    """The field of each place that the schema names otherwise."""
    known = {one.name: one.name for one in fields}
    return {
        **{f"analysis.{name}": name for name in known},
        **{f"default_norms.{name.removeprefix(_NORM)}": name for name in known if name.startswith(_NORM)},
        **{
            f"smallest_worthwhile_change.{name.removeprefix(_CHANGE)}": name
            for name in known
            if name.startswith(_CHANGE)
        },
    }


def _patch(values: Mapping[str, Any], now_set: SiteOut) -> dict[str, Any]:
    """The parts that differ from what is set, each whole."""
    norms = {
        name.removeprefix(_NORM): None if value == _NO_TABLE else value
        for name, value in values.items()
        if name.startswith(_NORM) and value is not None
    }
    changes = {
        name.removeprefix(_CHANGE): value
        for name, value in values.items()
        if name.startswith(_CHANGE) and value is not None
    }
    analysis = {name: values[name] for name in AnalysisSettings.__slots__ if values.get(name) is not None}
    wanted = {
        "analysis": analysis,
        "default_norms": norms,
        "smallest_worthwhile_change": changes,
        _RETEST.name: values[_RETEST.name],
    }
    before = now_set.model_dump(mode="json")
    return {name: value for name, value in wanted.items() if value != before[name]}


def _recorded(fields: list[Field], now_set: SiteOut) -> dict[str, str]:
    """What is set, as it is typed."""
    held: dict[str, Any] = {
        **now_set.analysis,
        **{f"{_NORM}{mode}": norm_id or _NO_TABLE for mode, norm_id in now_set.default_norms.items()},
        **{f"{_CHANGE}{key}": value for key, value in now_set.smallest_worthwhile_change.items()},
        _RETEST.name: now_set.retest_interval_days,
    }
    return {
        one.name: ""
        if held.get(one.name) is None
        else one.display.typed(held[one.name])
        if one.kind == "number"
        else str(held[one.name])
        for one in fields
    }


def _left_empty(setting: Setting) -> Setting:
    """The setting, with what the program has where it is left empty."""
    value = getattr(AnalysisSettings(), setting.field.name)
    if setting.choices:
        named = {choice.key: choice.name for choice in setting.choices}
        words = "by the shape of the test" if value is None else named[value]
        return replace(setting, field=replace(setting.field, empty=f"as the program has it: {words}"))
    if value is None:
        return setting
    words = f"{setting.field.hint} {setting.field.display.typed(value)} where it is left empty."
    return replace(setting, field=replace(setting.field, hint=words))


def _form(request: Request, store: Store, filled: Filled | None, revision: int | None = None) -> Response:
    display = display_of(request)
    with store.read() as session:
        now_set, tables = queries.out(session), norm_tables(session)
        offered = tuple(_left_empty(one) for one in _settings(tuple(own_rule_sets(session)), display))
        others = len(made_with_other_settings(session))
    fields = _fields(offered, tables, now_set, display)
    filled = filled or Filled(_recorded(fields, now_set))
    return page(
        request,
        "site_settings.html",
        status=filled.status,
        settings=offered,
        norms=[one for one in fields if one.name.startswith(_NORM)],
        changes=[one for one in fields if one.name.startswith(_CHANGE)],
        retest=next(one for one in fields if one.name == _RETEST.name),
        fields=fields,
        filled=filled,
        others=others,
        notice=now_set.notice,
        revision=now_set.revision if revision is None else revision,
    )
