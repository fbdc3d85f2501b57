"""The page of one test: the verdict in words, what it rests on, charts, findings with what to do."""

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.analyses.queries import norm_tables, read_reported
from service.analyses.workflow import analysis_of
from service.analysis.references import REFERENCES, cited_keys
from service.conclusions import queries as conclusions
from service.conclusions.schemas import ConclusionsOut
from service.db.transactions import Store
from service.effort_rules.queries import own_rule_sets
from service.exercise_tests import queries as tests
from service.http.dependencies import StoreDependency, TestDependency, TestRef, principal_of
from service.outlets import text as words_of
from service.pages import explanations
from service.pages.explanations import Explanation
from service.pages.forms import Field, Filled
from service.pages.people import name_of
from service.pages.rendering import PageRoute, page
from service.pages.settings_form import Setting, settings_offered
from service.quantities import QUANTITIES
from service.subjects import queries as subjects
from service.visits import queries as visits
from service.visits.queries import in_own_offset

router = APIRouter(prefix="/tests", include_in_schema=False, route_class=PageRoute)

#: Charts in the order of the page, each with what it shows.
_CHARTS = (
    ("uptake", "Oxygen uptake, with the window of the peak and the lines of the plateau rule"),
    ("v_slope", "CO2 output on oxygen uptake"),
    ("ventilatory_equivalents", "Ventilatory equivalents"),
    ("heart_rate", "Heart rate and oxygen pulse"),
    ("rer", "Respiratory exchange ratio"),
    ("lactate", "Blood lactate"),
    ("substrate", "Fat and carbohydrate"),
    ("all_curves", "All channels over time"),
)
_MET = {True: "met", False: "not met", None: "not assessable"}


#: Fields of the conclusion, and of making a test void.
CONCLUSION = (
    Field("conclusion_text", "What you conclude", "long", required=True),
    Field("author", "Your name", required=True),
    Field("credentials", "What allows you to sign, by your local rules"),
)
VOID = (Field("void_reason", "Why it is void", required=True, hint="It is kept in the notes of the test."),)


@router.get("/{test_id}")
def exercise_test(request: Request, ref: TestDependency, store: StoreDependency) -> Response:
    """One test as it was judged, or, while it is being recorded, as far as it can be."""
    return shown_test(request, ref, store, revision=ref.revision)


def shown_test(
    request: Request,
    ref: TestRef,
    store: Store,
    *,
    revision: int,
    conclusion: Filled | None = None,
    voiding: Filled | None = None,
) -> Response:
    """The page of a test.

    Parameters
    ----------
    request : Request
    ref : TestRef
    store : Store
    revision : int
        State of the record that its forms change.
    conclusion, voiding : Filled, optional
        A form that was refused, with what was typed and what is wrong with it.
    """
    principal = principal_of(request)
    with store.read() as session:
        subject = subjects.get(session, ref.subject_pk)
        test = tests.out(session, ref.test_pk)
        day = in_own_offset(visits.get(session, ref.visit_pk)).date()
        concluded = conclusions.out(session, ref.test_pk, ref.test_id)
        reported = read_reported(session, ref.test_pk)
        settings = settings_offered(tuple(own_rule_sets(session)))
        names = words_of.names_of((one.id, one.name) for one in norm_tables(session))
    about: dict[str, Any] = {
        "subject": subject,
        "name": name_of(subject, principal),
        "test": test,
        "day": day,
        "may_write": principal.covers("tester"),
        "void_fields": VOID,
        "voiding": voiding or Filled(),
        "revision": revision,
        "status": (conclusion or voiding or Filled()).status,
    }
    if test.status in {"planned", "void"}:
        return page(request, "exercise_test.html", **about, document=None)
    document = analysis_of(store, ref.test_pk, {}, where="query")
    groups = words_of.finding_groups(document["findings"])
    with_value = [one for one in document["thresholds"] if one["vo2_ml_min"] is not None]
    return page(
        request,
        "exercise_test.html",
        **about,
        document=document,
        verdict=_verdict(document, names),
        **_standing(document, names),
        peak_words=words_of.where_the_peak_is(document["peak"]),
        of_the_peak=list(_of_the_peak(document)),
        highest=[
            (words, quantity, value, explanations.of_result(document, quantity))
            for words, quantity, value in words_of.highest_values(document)
        ],
        thresholds=[
            (
                one,
                words_of.THRESHOLD_METHODS.get(one["method"], one["method"]),
                explanations.of_threshold(document, one),
            )
            for one in with_value
        ],
        same_reason=with_value[0]["reason"] if len({one["reason"] for one in with_value}) == 1 else None,
        no_threshold=_without_threshold(document),
        estimates=[
            (one, explanations.of_estimate(one)) for one in (document["estimates"] or {}).get("items") or []
        ],
        threshold_load="work_rate_lag_corrected_w" if _has_work_rate(document) else "speed_km_h",
        reported=[(QUANTITIES[one.quantity].label, one) for one in reported],
        serious=[group for group in groups if group[0]["severity"] != "info"],
        assumed=[
            words_of.with_names(one["message"], names)
            for group in groups
            if group[0]["severity"] == "info"
            for one in group
        ],
        rules=_rules(document),
        verification=explanations.of_verification(document["effort"]["verification"]),
        criteria=[
            (
                words_of.CRITERIA.get(one["criterion"], one["criterion"]),
                one,
                _MET[one["met"]],
                *explanations.of_criterion(document, one),
            )
            for one in document["effort"]["criteria"]
        ],
        charts=[(key, words) for key, words in _CHARTS if _has(document, key)],
        no_fuel=None if _has(document, "substrate") else _why_no_fuel(document),
        settings=_settings(document, settings),
        other_settings=[
            (
                words_of.SETTINGS[one["setting"]],
                *(words_of.setting_in_words(one["setting"], one[when]) for when in ("used", "now")),
                one["chosen_by"],
            )
            for one in document["settings_changed_since"]
        ],
        sources=_sources(document),
        concluded=concluded,
        conclusion_fields=CONCLUSION,
        conclusion=conclusion or _draft(concluded),
    )


def _draft(concluded: ConclusionsOut) -> Filled:
    """The form of the conclusion with the draft that is kept, where the newest version is one."""
    newest = concluded.versions[0] if concluded.versions else None
    if newest is None or newest.signed_at is not None:
        return Filled()
    return Filled(
        {"conclusion_text": newest.text, "author": newest.author, "credentials": newest.credentials or ""}
    )


def _standing(document: dict[str, Any], names: Mapping[str, str]) -> dict[str, Any]:
    """Each standing with what stands behind it, and why the other tables and equations give none."""
    said, silent = [], []
    for rank in document["ranks"]:
        name = names.get(rank["norm_id"], rank["norm_id"].replace("_", " "))
        found = any(
            rank[field] is not None
            for field in ("percentile", "percent_of_median", "percent_of_predicted", "bound")
        )
        if found:
            line = next(iter(words_of.rank_lines([rank])))
            words = re.sub(rf" (?:of|by) {re.escape(rank['norm_id'])}\b", "", line)
            said.append((name, words, explanations.of_standing(rank, name)))
        elif rank["reason"]:
            silent.append((name, rank["reason"]))
    return {"standing": said, "no_standing": silent}


#: A part of a line of the verdict, and what stands behind it.
Part = tuple[str, Explanation | None]


def _verdict(document: dict[str, Any], names: Mapping[str, str]) -> list[list[Part]]:
    """The lines of the verdict, with what explains itself set apart; of the standing, the first table that says something."""
    label = document["peak"]["label"] or "VO2peak"
    lines = [line.strip() for line in words_of.verdict_lines(document, label)]
    standing = list(words_of.rank_lines(document["ranks"]))
    effort = document["effort"]
    primary = next((rule for rule in document["plateau"]["rules"] if rule["primary"]), None)
    heads = {
        "Effort": Explanation(
            "Effort: whether the test was a maximal one",
            (
                f"Rule set: {effort['rule_set_name']}; {effort['criteria_needed']} criteria of different kinds are needed.",
            )
            if effort.get("rule_set_name")
            else (),
            explanations.citations(effort["rule_set_source"]) if effort.get("rule_set_source") else (),
        ),
        "Plateau": None
        if primary is None
        else explanations.of_rule(primary, f"Plateau: {words_of.plateau_words(primary)}"),
        "Standing": next(iter(_standing(document, names)["standing"]), (None,))[-1],
    }
    answer = [_peak_line(document, lines[0])]
    for line in lines[1:]:
        head, colon, rest = line.partition(":")
        if colon and head in heads:
            answer.append([(head, heads[head]), (colon + words_of.with_names(rest, names), None)])
        elif line not in standing[1:]:
            answer.append([(line, None)])
    return answer


def _peak_line(document: dict[str, Any], line: str) -> list[Part]:
    """The first line, with its numbers set apart."""
    parts: list[Part] = []
    for quantity, value in (
        ("vo2_peak_ml_kg_min", document["peak"]["vo2_ml_kg_min"]),
        ("vo2_peak_ml_min", document["peak"]["vo2_ml_min"]),
    ):
        shown = QUANTITIES[quantity].show(value)
        before, found, after = line.partition(shown)
        if value is not None and found:
            parts += [(before, None), (shown, explanations.of_result(document, quantity))]
            line = after
    return [*parts, (line, None)]


def _of_the_peak(document: dict[str, Any]) -> Iterator[tuple[str, str, float, Explanation]]:
    """Words, quantity and value of what was measured in the window of the peak, uptake first."""
    peak = document["peak"]
    uptake = [
        (QUANTITIES[channel].label, quantity, peak[field])
        for channel, quantity, field in (
            ("vo2_ml_min", "vo2_peak_ml_min", "vo2_ml_min"),
            ("vo2_ml_kg_min", "vo2_peak_ml_kg_min", "vo2_ml_kg_min"),
        )
        if peak[field] is not None
    ]
    for words, quantity, value in (*uptake, *words_of.values_of_the_peak(peak)):
        yield words, quantity, value, explanations.of_result(document, quantity)


def _rules(document: dict[str, Any]) -> list[tuple[list[Part], bool, str]]:
    """What each plateau rule found; those that found the same beside the one that counts are told together."""
    told: dict[tuple[bool, str], list[Part]] = {}
    for rule in document["plateau"]["rules"]:
        words = words_of.plateau_words(rule)
        found = told.setdefault((rule["primary"], words_of.of_rule(rule)), [])
        found.append((words, explanations.of_rule(rule, words)))
    return [(named, primary, found) for (primary, found), named in told.items()]


def _without_threshold(document: dict[str, Any]) -> list[tuple[str, str]]:
    """Why there is no threshold, each reason once, with the methods it is said of."""
    silent: dict[str, dict[str, list[str]]] = {}
    for one in document["thresholds"]:
        if one["vo2_ml_min"] is None:
            of_reason = silent.setdefault(one["reason"] or "", {})
            of_reason.setdefault(one["threshold"].upper(), []).append(
                words_of.THRESHOLD_METHODS.get(one["method"], one["method"])
            )
    return [
        (
            "; ".join(f"{name} by {', '.join(methods)}" for name, methods in named.items()),
            words_of.with_names(reason, words_of.METHODS_IN_SENTENCES),
        )
        for reason, named in silent.items()
    ]


def _has_work_rate(document: dict[str, Any]) -> bool:
    return document["maxima"]["work_rate_w"] is not None


def _has(document: dict[str, Any], chart: str) -> bool:
    """Whether a chart has anything to show; one of the uptake always says what is missing."""
    if chart == "lactate":
        return bool(document["lactate"].get("stages"))
    if document["marks"]["exercise_start_s"] is None:
        return False
    if chart == "substrate":
        return any(one["fat_g_min"] is not None for one in (document["energy"] or {}).get("substrates") or ())
    if chart in {"v_slope", "ventilatory_equivalents", "rer"}:
        return document["maxima"]["rer"] is not None
    return True


def _why_no_fuel(document: dict[str, Any]) -> str | None:
    """Why no stage tells fat and carbohydrate, where each has the same reason."""
    reasons = {one["reason"] for one in (document["energy"] or {}).get("substrates") or ()}
    return reasons.pop() if len(reasons) == 1 else None


def _settings(
    document: dict[str, Any], offered: Iterable[Setting]
) -> list[tuple[str, str | float, str | None]]:
    """Each setting of the analysis in the words of the form that changes it, and who chose it."""
    used, said = document["settings"], []
    for one in offered:
        value = used.get(one.field.name)
        if one.choices:
            by_key = {choice.key: choice.name for choice in one.choices}
            value = "by the shape of the test" if value is None else by_key.get(value, value)
        if value is not None:
            said.append((one.field.label, value, (used.get("chosen_by") or {}).get(one.field.name)))
    return said


def _sources(document: dict[str, Any]) -> list[str]:
    keys = dict.fromkeys(key for source in words_of.sources_of(document) for key in cited_keys(source))
    return [REFERENCES[key].text for key in keys]
