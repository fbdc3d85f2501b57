"""The report of a person's history: the trend, and every test in a table."""

from collections.abc import Iterator

from service.outlets import phrases
from service.outlets.report.document import (
    NOT_RECORDED,
    Audience,
    Block,
    Bullets,
    Column,
    Report,
    Section,
    Table,
    Words,
)
from service.outlets.report.material import HistoryMaterial, Part, Sheet, in_words, who
from service.outlets.report.parts import (
    PEAK,
    error_in_words,
    points_table,
    series_in_words,
    words_of_the_latest,
)
from service.outlets.sentences import by_chance
from service.outlets.text import VERDICTS
from service.quantities import QUANTITIES


def history_report(material: HistoryMaterial, sheet: Sheet, audience: Audience) -> Report:
    """The report of a person's history.

    Parameters
    ----------
    material : HistoryMaterial
    sheet : Sheet
    audience : {"client", "record"}
        The record gets, beside the same, what every change is judged by, the slopes, and every test.
    """
    display, trend = sheet.display, material.trend
    record = audience == "record"
    return Report(
        title="Exercise tests over time" if record else "Your exercise tests",
        about=(who(material.person, display), _span(material, sheet)),
        lead=words_of_the_latest(trend, material.person.sex, material.rank, display),
        numbers=(),
        figures=tuple(material.figures),
        sections=(
            *(_series(series, sheet, record=record) for series in trend["series"]),
            *([_tests(material, sheet)] if record and material.tests else []),
            *([_measurements(material, sheet)] if material.measurements else []),
            Section(phrases.LIMITS, (Bullets(tuple(_limits(material, sheet))),)),
        ),
        cautions=(f"{phrases.NO_DIAGNOSIS} {phrases.LOCAL_RULES}",),
        reference=f"Person {material.person.code[:60]}  \N{MIDDLE DOT}  printed {display.day(sheet.printed)}  "
        f"\N{MIDDLE DOT}  {sheet.program}",
        printed=sheet.printed,
        paper=sheet.paper,
    )


def _span(material: HistoryMaterial, sheet: Sheet) -> str:
    if not material.tests:
        return "No test yet"
    days = sorted(one["day"] for one in material.tests)
    count = len(days)
    first, last = (sheet.display.day(day) for day in (days[0], days[-1]))
    return f"{count} {'test' if count == 1 else 'tests'}, {first}" + ("" if count == 1 else f" to {last}")


def _series(series: Part, sheet: Sheet, *, record: bool) -> Section:
    display = sheet.display
    blocks: list[Block] = [points_table(series, display, record=record)]
    if record:
        blocks.append(Words(error_in_words(series, display), "quiet"))
        if series["slope_per_year"] is not None and series["slope_ci_low"] is not None:
            slope, low, high = (
                display.number(series[name], PEAK, sign=True, difference=True)
                for name in ("slope_per_year", "slope_ci_low", "slope_ci_high")
            )
            unit = display.unit(PEAK)
            blocks.append(Words(f"Slope {slope} {unit} a year, 95 % interval {low} to {high}.", "quiet"))
        notes = tuple(display.said(note) for note in series["notes"])
        blocks += [Bullets(notes, "quiet")] if notes else []
    return Section(f"Peak oxygen uptake: {series_in_words(series)}", tuple(blocks))


def _tests(material: HistoryMaterial, sheet: Sheet) -> Section:
    display = sheet.display
    rows = tuple(
        (
            display.day(one["day"]),
            one["mode"],
            one["protocol"] or NOT_RECORDED,
            one["purpose"],
            one["status"],
            display.number((one["peak"] or {}).get("vo2_ml_kg_min"), PEAK),
            VERDICTS.get(one["effort"], in_words(one["effort"])),
            str(one["warnings"] or "none"),
        )
        for one in material.tests
    )
    return Section(
        "Every test",
        (
            Table(
                "Every test",
                (
                    Column("Date", share=1.3),
                    Column("Mode", share=1.1),
                    Column("Protocol", share=2),
                    Column("Purpose", share=1.3),
                    Column("State", share=1.1),
                    Column(f"Peak uptake, {display.unit(PEAK)}", figures=True, share=1.2),
                    Column("Effort", share=2.2),
                    Column("To look at", figures=True, share=0.8),
                ),
                rows,
            ),
        ),
    )


def _measurements(material: HistoryMaterial, sheet: Sheet) -> Section:
    display = sheet.display
    rows: tuple[tuple[str, ...], ...] = tuple(
        (
            QUANTITIES[one["quantity"]].label,
            display.quantity(one["value"], one["quantity"]),
            display.day(one["day"]),
        )
        for one in material.measurements
    )
    columns = (Column("Measurement", share=2), Column("Latest", figures=True), Column("Date", figures=True))
    return Section("Other measurements", (Table("Other measurements", columns, rows),))


def _limits(material: HistoryMaterial, sheet: Sheet) -> Iterator[str]:
    errors = dict.fromkeys(by_chance(one["typical_error"], sheet.display) for one in material.trend["series"])
    for error in errors:
        yield f"{phrases.DIFFER_BY.capitalize()} {error}."
    for note in material.trend["notes"]:
        yield sheet.display.said(note)
    yield "Tests of different modes or protocols are not compared with each other."
    yield "The numbers say how much oxygen was taken up in a test, not whether a person is ill or healthy."
