"""Which settings an analysis is made with: what was asked for the test, else the cohort's, the site's, the program's."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

from service.analysis.breath_care import check_breath_rule
from service.analysis.plateau import PLATEAU_RULES
from service.analysis.rule_sets import ChosenBy, RuleSet, find_rule_set, heart_rate_methods
from service.analysis.summary import AnalysisSettings
from service.errors import InvalidContent, Place

#: The settings that can be chosen.
SETTINGS: tuple[str, ...] = tuple(one.name for one in fields(AnalysisSettings) if one.name != "chosen_by")
#: They say together how a peak is averaged, so who chooses one of them chooses all.
_OF_THE_PEAK = ("peak_convention", "peak_window_s", "peak_window_breaths")


def choose(
    requested: Mapping[str, Any], of_cohorts: Iterable[str], of_site: Mapping[str, Any]
) -> AnalysisSettings:
    """The settings of one analysis.

    Parameters
    ----------
    requested : mapping
        What was asked for this test.
    of_cohorts : iterable of str
        Effort rule sets that the person's cohorts name; where they differ none of them decides.
    of_site : mapping
        What the site has set.

    Returns
    -------
    AnalysisSettings
        With `chosen_by`.

    Raises
    ------
    InvalidContent
        A combination that cannot be.
    """
    values: dict[str, Any] = dict(of_site)
    chosen_by: dict[str, ChosenBy] = dict.fromkeys(of_site, "site")
    named = set(of_cohorts)
    if len(named) == 1:
        values["effort_rules"] = named.pop()
        chosen_by["effort_rules"] = "cohort"
    return requested_of(AnalysisSettings(**values, chosen_by=chosen_by), requested)


def requested_of(base: AnalysisSettings, requested: Mapping[str, Any]) -> AnalysisSettings:
    """These settings with what was requested laid over them.

    Raises
    ------
    InvalidContent
        A combination that cannot be.
    """
    names = set(requested)
    if names.intersection(_OF_THE_PEAK):
        names.update(_OF_THE_PEAK)
    return replace(
        base,
        **requested,
        chosen_by={**base.chosen_by, **{name: "request" for name in SETTINGS if name in names}},
    )


def kept_requests(stored: Mapping[str, Any], changed: Mapping[str, Any]) -> dict[str, Any]:
    """What is asked for a test: what was asked before with `changed` laid over it, where None takes a wish back.

    Parameters
    ----------
    stored : mapping
        Settings of the stored analysis, as `AnalysisSettings.as_dict`.
    changed : mapping
    """
    asked = [name for name, who in stored.get("chosen_by", {}).items() if who == "request"]
    given_up = {name for name, value in changed.items() if value is None}
    if given_up.intersection(_OF_THE_PEAK):
        given_up.update(_OF_THE_PEAK)
    kept = {name: stored[name] for name in asked if name in stored and name not in given_up}
    return kept | {name: value for name, value in changed.items() if value is not None}


def differing(stored: Mapping[str, Any], now: AnalysisSettings) -> list[dict[str, Any]]:
    """What an analysis would be made with now, where that is not what it was made with.

    Parameters
    ----------
    stored : mapping
        Settings of the stored analysis.
    now : AnalysisSettings

    Returns
    -------
    list of dict
        ``setting``, ``used``, ``now``, ``chosen_by``.
    """
    used = AnalysisSettings(**stored)
    return [
        {
            "setting": name,
            "used": getattr(used, name),
            "now": getattr(now, name),
            "chosen_by": now.chosen_by.get(name, "default"),
        }
        for name in SETTINGS
        if getattr(used, name) != getattr(now, name)
    ]


def check_settings(settings: AnalysisSettings, own_rule_sets: Sequence[RuleSet] = (), *, where: str) -> None:
    """Refuse a rule set, a rule or a method that there is not.

    Raises
    ------
    InvalidContent
        With the choices.
    """
    find_rule_set(settings.effort_rules, own_rule_sets, where=f"{where}.effort_rules")
    check_breath_rule(settings.aberrant_breaths, where=f"{where}.aberrant_breaths")
    for name, given, known in (
        ("plateau_rule", settings.plateau_rule, tuple(PLATEAU_RULES)),
        ("heart_rate_max_method", settings.heart_rate_max_method, heart_rate_methods()),
    ):
        if given is not None and given not in known:
            told = f"one of {', '.join(known)}"
            raise InvalidContent(
                f"There is no {name.replace('_', ' ')} {given!r}; use {told}.",
                (Place(f"{where}.{name}", told, given),),
            )
