"""The report of a test for the person who was tested: one page, in plain words."""

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from service.outlets import phrases
from service.outlets.display import Display
from service.outlets.report.document import Block, Bullets, Column, Number, Report, Section, Table, Words
from service.outlets.report.material import Part, Sheet, TestMaterial, clipped, clock, sentence, who
from service.outlets.report.parts import (
    PEAK,
    change_in_words,
    signature,
    words_of_the_latest,
)
from service.outlets.sentences import by_chance, month_and_year
from service.outlets.text import finding_groups, ordinal

_ON: Mapping[str, str] = {
    "treadmill": "on the treadmill",
    "cycle": "on the cycle",
    "arm": "on the arm ergometer",
    "row": "on the rowing ergometer",
    "ski": "on the ski ergometer",
    "step": "on the step",
    "walk": "by walking",
    "run": "by running",
}
_SHAPES: Mapping[str, str] = {
    "step": "The load rose in steps.",
    "ramp": "The load rose steadily.",
    "constant": "The load stayed the same.",
}
_STOPS: Mapping[str, str] = {
    "exhaustion": "You stopped when you could not go on.",
    "legs": "You stopped because your legs were tired.",
    "breath": "You stopped because you were out of breath.",
    "symptom": "The test was stopped because of a symptom.",
    "target_reached": "The test was stopped at a target that had been set before.",
    "tester": "The tester stopped the test.",
    "equipment": "The test was stopped because of the equipment.",
    "subject_request": "The test was stopped at your wish.",
    "other": "The test was stopped for another reason.",
}
_BASES: Mapping[str, str] = {
    "measured": "Oxygen uptake was measured from the air you breathed.",
    "estimated": "The air you breathed was not measured: your highest oxygen uptake is an estimate.",
    "reported": "The results were measured elsewhere and were reported.",
}
_EFFORTS: Mapping[str, str] = {
    "verified": "A second bout confirmed that you reached your limit.",
    "plateau": "You reached your limit: your oxygen uptake levelled off although the load still rose.",
    "secondary_criteria": "By the usual signs you were at or near your limit.",
    "submaximal": "You were not at your limit, so your highest possible oxygen uptake may be higher.",
    "undetermined": "Whether you reached your limit cannot be told from the numbers. That is common.",
}
#: Which ranges a client gets where there are several: by threshold, then by heart rate.
_RANGES = ("thresholds", "heart_rate_reserve")
_STOP_SIGNS = (
    "Stop, and get medical help, if you feel pain or pressure in the chest, faintness, or breathlessness that does not fit "
    "the effort."
)
_VERIFIES = "This bout was done to see whether the test before it had reached your limit."
_TOLD_WITH_THE_MAIN = "The report of the test that this bout belongs to says that."
#: The id of a method in a sentence; the client needs none.
_METHOD_ID = re.compile(r" \([a-z]+(?:_[a-z0-9]+)+\)")
#: So much of a free text has room on the page.
_MOST = 420


def client_report(material: TestMaterial, sheet: Sheet) -> Report:
    """The report of a test for the client.

    Parameters
    ----------
    material : TestMaterial
        The first of its figures is printed.
    sheet : Sheet

    Returns
    -------
    Report
        One page, whatever the record holds.
    """
    display = sheet.display
    return Report(
        title="Your exercise test",
        about=(who(material.person, display), _where(material, display)),
        lead=_lead(material, display),
        numbers=tuple(_numbers(material, display)),
        figures=tuple(material.figures[:1]),
        sections=(
            Section("What was done", _done(material), "left"),
            Section("Where you stand", _standing(material, display), "left"),
            Section("What has changed", _change(material, display), "left"),
            Section("Training ranges", _ranges(material, display), "right"),
            *_concluded(material, display),
            Section(phrases.LIMITS, (Bullets(tuple(_limits(material, display))),), "right"),
        ),
        cautions=(_STOP_SIGNS, f"{phrases.NO_DIAGNOSIS} {phrases.LOCAL_RULES}"),
        reference=f"Test {material.test['id']}  \N{MIDDLE DOT}  printed {display.day(sheet.printed)}  "
        f"\N{MIDDLE DOT}  {sheet.program}",
        printed=sheet.printed,
        paper=sheet.paper,
        one_page=True,
    )


def _where(material: TestMaterial, display: Display) -> str:
    parts = [f"Tested on {display.day(material.at.date())}"]
    parts += [f"at {clipped(material.visit['site'], 60)}"] if material.visit["site"] else []
    parts += [f"by {clipped(material.visit['tester'], 60)}"] if material.visit["tester"] else []
    return ", ".join(parts)


def _lead(material: TestMaterial, display: Display) -> tuple[str, ...]:
    if material.trend["series"]:
        return words_of_the_latest(material.trend, material.person.sex, material.rank, display)
    peak = material.analysis["peak"]
    if peak["vo2_ml_kg_min"] is None and peak["vo2_ml_min"] is None:
        return ("This test gave no peak oxygen uptake.", sentence(display.said(peak.get("reason") or "")))[:2]
    value, quantity = (
        (peak["vo2_ml_min"], "vo2_peak_ml_min")
        if peak["vo2_ml_kg_min"] is None
        else (peak["vo2_ml_kg_min"], PEAK)
    )
    label = peak["label"] or "VO2peak"
    if material.analysis["effort"]["verdict"] == "submaximal":
        label = f"{phrases.SUBMAXIMAL_PEAK}:"
    return (f"{label} {display.quantity(value, quantity)} {_ON[material.test['mode']]}.",)


def _numbers(material: TestMaterial, display: Display) -> Iterator[Number]:
    peak, maxima = material.analysis["peak"], material.analysis["maxima"]

    def of(value: float | None, quantity: str, words: str) -> Iterator[Number]:
        if value is not None:
            yield Number(display.number(value, quantity), display.unit(quantity), words)

    most = (
        "most oxygen taken up, by an estimate" if peak.get("basis") == "estimated" else "most oxygen taken up"
    )
    if peak["vo2_ml_kg_min"] is not None:
        yield from of(peak["vo2_ml_kg_min"], PEAK, f"{most}, per kg of body mass")
    else:
        yield from of(peak["vo2_ml_min"], "vo2_peak_ml_min", most)
    yield from of(maxima.get("heart_rate_bpm"), "heart_rate_max_bpm", "highest heart rate")
    if maxima.get("work_rate_w") is not None:
        yield from of(maxima["work_rate_w"], "work_rate_peak_w", "highest load")
    else:
        yield from of(maxima.get("speed_km_h"), "speed_peak_km_h", "highest speed")
    duration = maxima.get("exercise_duration_s")
    if duration is not None:
        time, _, unit = clock(duration).partition(" ")
        yield Number(time, unit, "of exercise")


def _done(material: TestMaterial) -> tuple[Block, ...]:
    test, analysis = material.test, material.analysis
    protocol = "" if material.protocol is None else f", protocol {clipped(material.protocol['name'], 60)}"
    parts = [f"You were tested {_ON[test['mode']]}{protocol}."]
    label = analysis["peak"]["label"]
    if label is not None and analysis["peak"]["vo2_ml_kg_min"] is not None:
        parts.append(f"{label} is the most oxygen your body took up in a minute, for each kg of body mass.")
    parts += [_VERIFIES] if test["purpose"] == "verification" else []
    parts += [_SHAPES[shape] for shape in [analysis.get("shape") or test["shape"]] if shape in _SHAPES]
    parts += [_STOPS[test["stop_reason"]]] if test["stop_reason"] is not None else []
    basis = analysis["peak"].get("basis") or analysis["basis"]
    parts += [_BASES[basis]] if basis in _BASES else []
    if basis == "measured":
        parts.append(_EFFORTS[analysis["effort"]["verdict"]])
    if analysis["provisional"]:
        parts.append("The test is not complete; this is worked out from what there is so far.")
    return (Words(" ".join(parts)),)


def _standing(material: TestMaterial, display: Display) -> tuple[Block, ...]:
    if material.test["purpose"] == "verification":
        return (Words(_TOLD_WITH_THE_MAIN),)
    measured = material.analysis["peak"].get("basis") == "measured"
    if measured and material.analysis["effort"]["verdict"] == "submaximal":
        return (Words("No standing is given, because you were not at your limit in this test."),)
    lines = list(_standings(material.analysis["ranks"], display))[:2]
    return (
        Words(" ".join(lines) or "No published table covers this test and person, so no standing is given."),
    )


def _standings(ranks: Sequence[Part], display: Display) -> Iterator[str]:
    for rank in ranks:
        people = display.said(rank.get("population") or rank["norm_id"].replace("_", " ")).rstrip(".")
        band = f", aged {rank['age_band']}" if rank["age_band"] else ""
        if rank["bound"] is not None and rank["reference"] == "population_table":
            side = "above the highest" if rank["bound"] == "above" else "below the lowest"
            yield f"You are {side} percentile printed of {people}{band}."
        elif rank["percentile"] is not None:
            nearest = max(5, min(95, 5 * round(rank["percentile"] / 5)))
            yield (
                f"About the {ordinal(nearest)} percentile: of 100 people like you about {nearest} have a lower uptake. "
                f"The table is of {people}{band}."
            )
        elif rank["reference"] == "median_only" and rank["percent_of_median"] is not None:
            yield (
                f"{display.figure(rank['percent_of_median'])} % of what the middle person has, of {people}{band}; no "
                "percentiles are published."
            )
        elif rank["percent_of_predicted"] is not None:
            yield (
                f"{display.figure(rank['percent_of_predicted'])} % of what an equation expects for your age, sex and size; it "
                f"was made from {people}. That is no rank among people."
            )


def _change(material: TestMaterial, display: Display) -> tuple[Block, ...]:
    if material.test["purpose"] == "verification":
        return (Words(_TOLD_WITH_THE_MAIN),)
    if not material.trend["series"]:
        return (Words("This test is not compared with others."),)
    series = material.trend["series"][0]
    point = series["points"][-1]
    if not point["counted"]:
        return (Words("This test is not compared with others; the first lines of this page say why."),)
    blocks: list[Block] = [
        Words(f"Since {month_and_year(change['from_date'])}: {change_in_words(change, display)}.")
        for change in (point["change_from_previous"], _from_first(point))
        if change is not None
    ]
    if not blocks:
        return (Words("This is the first test of its kind, so there is nothing to compare it with yet."),)
    return (*blocks, Words("The interval holds the true change in 95 of 100 such comparisons.", "quiet"))


def _from_first(point: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """The change from the first test, where that is not the one before."""
    first, before = point["change_from_first"], point["change_from_previous"]
    if first is None or before is None or first["from_test_id"] == before["from_test_id"]:
        return None
    told: Mapping[str, Any] = first
    return told


def _ranges(material: TestMaterial, display: Display) -> tuple[Block, ...]:
    analysis = material.analysis
    if material.test["purpose"] == "verification":
        return (Words(_TOLD_WITH_THE_MAIN),)
    ranges = analysis["training_ranges"]
    bases = dict.fromkeys(one["basis"] for one in ranges)
    basis = next((one for one in _RANGES if one in bases), next(iter(bases), None))
    chosen = [one for one in ranges if one["basis"] == basis]
    if not chosen:
        why = (analysis.get("reasons") or {}).get("training_ranges") or "The test does not give any."
        return (Words(display.said(f"None. {why}")),)
    load = next(
        (
            name
            for name in ("work_rate", "speed")
            if any(
                one[f"{name}_{end}_{_UNIT[name]}"] is not None for one in chosen for end in ("low", "high")
            )
        ),
        None,
    )
    has_rate = any(one[f"heart_rate_{end}_bpm"] is not None for one in chosen for end in ("low", "high"))
    columns = [Column("Range", share=1.8)]
    if has_rate:
        columns.append(Column("Heart rate, beats/min", figures=True, share=1.5))
    if not has_rate and load is None:
        columns.append(Column("METs", figures=True, share=1.2))
    if load is not None:
        columns.append(
            Column(
                f"{'Load' if load == 'work_rate' else 'Speed'}, {display.unit(_OF[load])}",
                figures=True,
                share=1.2,
            )
        )
    rows = tuple(
        (
            one["name"],
            *(
                [_between(one["heart_rate_low_bpm"], one["heart_rate_high_bpm"], "heart_rate_bpm", display)]
                if has_rate
                else []
            ),
            *(
                [_between(one["mets_low"], one["mets_high"], "mets", display)]
                if not has_rate and load is None
                else []
            ),
            *(
                []
                if load is None
                else [
                    _between(
                        one[f"{load}_low_{_UNIT[load]}"],
                        one[f"{load}_high_{_UNIT[load]}"],
                        _OF[load],
                        display,
                    )
                ]
            ),
        )
        for one in chosen
    )
    first = chosen[0]
    # Uptake alone helps nobody to keep a pace: what a MET is, and why there is no more.
    alone = (
        ""
        if has_rate or load is not None
        else f" 1 MET is uptake at rest by convention. {first['reason'] or ''}"
    )
    return (
        Table("Training ranges", tuple(columns), rows),
        Words(
            display.said(
                f"From {_METHOD_ID.sub('', first['basis_text'])}. {first['remark'] or ''}{alone}".strip()
            ),
            "quiet",
        ),
    )


_UNIT = {"work_rate": "w", "speed": "km_h"}
_OF = {"work_rate": "work_rate_w", "speed": "speed_km_h"}


def _between(low: float | None, high: float | None, quantity: str, display: Display) -> str:
    if low is None and high is None:
        return "\N{EN DASH}"
    if low is None:
        return f"up to {display.number(high, quantity)}"
    if high is None:
        return f"from {display.number(low, quantity)}"
    return f"{display.number(low, quantity)}\N{EN DASH}{display.number(high, quantity)}"


def _concluded(material: TestMaterial, display: Display) -> Iterator[Section]:
    """The newest signed conclusion, as far as the page has room for it."""
    signed = next((one for one in material.conclusions if one["signed_at"] is not None), None)
    if signed is None:
        return
    short = {
        **signed,
        "author": clipped(signed["author"], 60),
        "credentials": clipped(signed["credentials"] or "", 60),
    }
    yield Section(
        "What was concluded",
        (Words(clipped(signed["text"], _MOST)), Words(signature(short, display), "quiet")),
        "right",
    )


def _limits(material: TestMaterial, display: Display) -> Iterator[str]:
    analysis = material.analysis
    if material.trend["series"]:
        error = material.trend["series"][0]["typical_error"]
        yield f"One test is one day: {phrases.DIFFER_BY} {by_chance(error, display)}."
    yield "They say how much oxygen you took up in this test, not whether you are ill or healthy."
    if any(rank["percentile"] is not None or rank["bound"] is not None for rank in analysis["ranks"]):
        yield "A percentile compares you with the people of one table. It is no mark and no goal."
    serious = [group for group in finding_groups(analysis["findings"]) if group[0]["severity"] != "info"]
    if serious:
        yield (
            f"{len(serious)} {'remark' if len(serious) == 1 else 'remarks'} on the quality of this test "
            f"{'stands' if len(serious) == 1 else 'stand'} in the record; ask what that means for the numbers."
        )
    if material.changed_since:
        yield "The analysis has changed since the conclusion was signed; ask which of the two holds."
