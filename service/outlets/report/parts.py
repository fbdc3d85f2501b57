"""Parts that several reports share."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from service.analysis.references import REFERENCES, citation, cited_keys
from service.outlets import phrases
from service.outlets.display import Display
from service.outlets.report.document import (
    NOT_RECORDED,
    Block,
    Bullets,
    Column,
    Fact,
    Section,
    Table,
    Words,
)
from service.outlets.report.material import Part, TestMaterial, in_words, shown
from service.outlets.sentences import latest_in_words
from service.outlets.text import (
    CHANGES,
    SETTINGS,
    VERDICTS,
    finding_groups,
    setting_in_words,
    with_names,
)

#: So many remarks of one kind are written out.
_ALIKE = 3
#: The trend that reports rest on.
PEAK = "vo2_peak_ml_kg_min"
NO_POINT = (
    "This test has no value of its own among the person's results: it is not complete, it gave no peak uptake per body "
    "mass, or it is a bout that verifies another test and is told with that."
)


def words_of_the_latest(
    trend: Mapping[str, Any], sex: str | None, rank: Part | None, display: Display
) -> tuple[str, ...]:
    """The latest test of a trend in true sentences."""
    return tuple(latest_in_words(trend, sex=sex, rank=rank, display=display))


def change_in_words(change: Mapping[str, Any], display: Display) -> str:
    """A change with its interval and what it means."""
    unit = display.unit(PEAK)
    text = f"{display.number(change['absolute'], PEAK, sign=True, difference=True)} {unit}"
    if change["percent"] is not None:
        text += f" ({_signed(change['percent'], display)} %)"
    if change["ci_low"] is not None and change["ci_high"] is not None:
        low, high = (
            display.number(change[name], PEAK, sign=True, difference=True) for name in ("ci_low", "ci_high")
        )
        text += f", 95 % interval {low} to {high}"
    text += f": {CHANGES[change['verdict']]}"
    if change["verdict"] == "unclear" and change["notes"]:
        text += f", because: {display.said(change['notes'][0]).rstrip('.')}"
    return text


def _signed(value: float, display: Display) -> str:
    text = display.figure(value, 1)
    return f"+{text}" if value > 0 else text


def series_in_words(series: Mapping[str, Any]) -> str:
    """Which tests a series holds."""
    family = series["protocol_family"]
    protocol = "no protocol named" if family is None else f"protocol family {in_words(family)}"
    return f"{in_words(series['mode'])}, {series['basis']}, {protocol}"


def points_table(series: Mapping[str, Any], display: Display, *, record: bool) -> Table:
    """The tests of a series, the latest first; for the record with mass, effort and whether it counts."""
    columns = [
        Column("Date", share=1.5),
        Column(f"Peak uptake, {display.unit(PEAK)}", figures=True, share=1.7),
        Column(f"Peak uptake, {display.unit('vo2_peak_ml_min')}", figures=True, share=1.7),
    ]
    if record:
        columns += [Column("Body mass", figures=True, share=1.2), Column("Effort", share=1.8)]
    columns.append(Column("Against the test before", share=4.4))
    rows = []
    for point in reversed(series["points"]):
        change = point["change_from_previous"]
        against = "" if change is None else change_in_words(change, display)
        if not point["counted"]:
            against = display.said(f"Not compared. {' '.join(point['notes'])}".strip())
        row = [
            display.day(point["date"]),
            display.number(point["value"], PEAK),
            display.number(point["value_absolute"], "vo2_peak_ml_min"),
        ]
        if record:
            effort = point["effort"]
            row += [shown(display, point["body_mass_kg"], "body_mass_kg"), in_words(effort)]
        rows.append((*row, against or "no earlier test to compare with"))
    return Table(f"Tests: {series_in_words(series)}", tuple(columns), tuple(rows))


def error_in_words(series: Mapping[str, Any], display: Display) -> str:
    """What a change is judged by."""
    error = series["typical_error"]
    if error is None:
        return "No typical error is known, so no change can be told from chance."
    return (
        f"Typical error of one test {display.significant(error['value'])} {error['unit']}; a change beyond "
        f"{shown(display, series['minimal_detectable_change_95'], PEAK)} is more than chance in 95 of 100. "
        f"{citation(error['source'])}"
    )


def quality(findings: Sequence[Part], display: Display, names: Mapping[str, str]) -> Section:
    """Remarks on a test with what to do, then what was assumed."""
    groups = finding_groups(findings)
    serious = [group for group in groups if group[0]["severity"] != "info"]
    lines = [
        display.said(f"{one['severity'].capitalize()}: {one['message']}{_to_do(group, place)}")
        for group in serious
        for place, one in enumerate(group[:_ALIKE])
    ]
    lines += [
        f"and {len(group) - _ALIKE} more like the last ({in_words(group[0]['code'])})"
        for group in serious
        if len(group) > _ALIKE
    ]
    assumed = [one for group in groups if group[0]["severity"] == "info" for one in group]
    blocks: list[Block] = [
        Bullets(tuple(lines)) if lines else Words("Nothing was found that asks for a look."),
    ]
    if assumed:
        blocks.append(Words("Read and assumed:", "quiet"))
        blocks.append(
            Bullets(tuple(display.said(with_names(one["message"], names)) for one in assumed), "quiet")
        )
    return Section("Quality remarks", tuple(blocks))


def _to_do(group: Sequence[Part], place: int) -> str:
    return "" if place or not group[0]["what_to_do"] else f" What to do: {group[0]['what_to_do']}"


def signature(one: Part, display: Display) -> str:
    """Who wrote a conclusion, by what right, and when it was signed."""
    credentials = f", {one['credentials']}" if one["credentials"] else ", credentials not recorded"
    if one["signed_at"] is None:
        return f"Draft by {one['author']}{credentials}, not signed."
    amends = "" if one["amends"] is None else f" It amends version {one['amends']}."
    return (
        f"Signed by {one['author']}{credentials}, on {display.moment(one['signed_at'])} UTC "
        f"(version {one['version']}).{amends}"
    )


def conclusion(material: TestMaterial, display: Display) -> Section:
    """What was concluded, every version; or that nothing was."""
    blocks: list[Block] = []
    if material.changed_since:
        blocks.append(
            Words(
                f"{phrases.CHANGED_SINCE_SIGNED} The numbers of this report are those that were signed; read the record "
                "again, and amend the conclusion where it needs it.",
                "note",
            )
        )
    for one in material.conclusions:
        blocks += [Words(one["text"]), Words(signature(one, display), "quiet")]
    if not material.conclusions:
        blocks.append(
            Words(f"Conclusion: {NOT_RECORDED}. Name, credentials and date: {NOT_RECORDED}.", "quiet")
        )
    return Section("Conclusion", tuple(blocks))


def method(analysis: Part, sources: Iterable[str], display: Display) -> Section:
    """Version, settings and sources of an analysis."""
    settings = analysis["settings"]
    chosen = settings.get("chosen_by") or {}
    told = [
        f"{words}: {_setting(name, settings[name], analysis, display)}"
        + (f" (chosen by the {chosen[name]})" if name in chosen else "")
        for name, words in SETTINGS.items()
        if name in settings and setting_in_words(name, settings[name]) is not None
    ]
    keys = dict.fromkeys(key for source in sources for key in cited_keys(source))
    return Section(
        "Method and sources",
        (
            Words(
                display.said(f"Analysis version {analysis['analysis_version']}. Settings: {'; '.join(told)}.")
            ),
            *([Bullets(tuple(REFERENCES[key].text for key in keys), "quiet")] if keys else []),
        ),
    )


def _setting(name: str, value: Any, analysis: Part, display: Display) -> str:
    effort = analysis["effort"]
    if name == "effort_rules" and effort["rule_set"] == value and effort.get("rule_set_name"):
        return str(effort["rule_set_name"])  # of a set of the site's own too
    said = setting_in_words(name, value)
    return said if isinstance(said, str) else display.significant(said)


def effort_in_words(verdict: str | None) -> str:
    """A verdict of effort in words."""
    return NOT_RECORDED if verdict is None else VERDICTS[verdict]


def facts(*pairs: tuple[str, str] | tuple[str, str, str]) -> tuple[Fact, ...]:
    """Labels and values, some with a remark."""
    return tuple(Fact(*pair) for pair in pairs)
