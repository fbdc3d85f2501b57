"""All channels of one test over one time axis: a column of panels, the load at its foot."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from service.charts.look import (
    CARBON_DIOXIDE,
    INK,
    LOAD,
    PEAK,
    UPTAKE,
    Spec,
    chart,
    empty_chart,
    quantity_of,
)
from service.charts.rer import exchange_ratio
from service.charts.traces import (
    MEAN_S,
    Columns,
    Floats,
    TestRows,
    cloud,
    line,
    load_steps,
    low_axis,
    marks_of,
    path_of,
    points_of,
    read_rows,
    room,
    time_axis,
    upright_rules,
)
from service.charts.ventilatory_equivalents import threshold_places
from service.quantities import QUANTITIES, Quantity

_HEIGHT, _LOAD_HEIGHT = 78, 62
_DASH = [5, 3]
#: Words of upright rules step down by this much, px.
_STEP = 15


@dataclass(frozen=True, slots=True)
class _Trace:
    """One line of a panel: of a channel, or of the exchange ratio."""

    key: str
    colour: str = UPTAKE
    dashed: bool = False

    def read(self, rows: TestRows) -> tuple[Floats, Floats | None]:
        """Values, and what weighs them in a mean."""
        return exchange_ratio(rows) if self.key == "rer" else (rows.known(self.key), None)


#: From top to bottom; a panel whose channels the test does not have is left out.
_PANELS: tuple[tuple[_Trace, ...], ...] = (
    (_Trace("vo2_ml_min"), _Trace("vco2_ml_min", CARBON_DIOXIDE, dashed=True)),
    (_Trace("rer", CARBON_DIOXIDE),),
    (_Trace("ve_l_min"),),
    (_Trace("respiratory_rate_per_min"),),
    (_Trace("tidal_volume_l"),),
    (_Trace("peto2_mmhg"), _Trace("petco2_mmhg", CARBON_DIOXIDE, dashed=True)),
    (_Trace("heart_rate_bpm"),),
    (_Trace("spo2_percent"),),
    (_Trace("cadence_per_min"),),
)
#: What was asked of the person: held from row to row, not averaged.
_LOADS = ("work_rate_w", "speed_km_h", "grade_percent")


def all_curves_spec(
    analysis: Mapping[str, Any],
    intervals: Columns,
    *,
    title: str = "All channels of the test",
    quantities: Mapping[str, Quantity] = QUANTITIES,
    width: int = 760,
) -> Spec:
    """Vega-Lite specification of every channel against time, in panels that share the time axis.

    Parameters
    ----------
    analysis : mapping
        The analysis object; ``marks``, ``peak`` and ``thresholds`` are read.
    intervals : mapping of str to sequence, each of length n
        Columns of the intervals.
    title : str
    quantities : mapping of str to Quantity
        The units that loads are in.
    width : int
        px.

    Returns
    -------
    dict
        Serializable as JSON, data inside.
    """
    rows = read_rows(intervals)
    drawn: list[tuple[str, int, Callable[[Spec], list[Spec]]]] = []
    for traces in _PANELS:
        known = [(one, *one.read(rows)) for one in traces]
        known = [one for one in known if np.isfinite(one[1]).any()]
        if known:
            drawn.append((_heading(known), _HEIGHT, _lines(rows, known)))
    for key in _LOADS:
        values = rows.known(key)
        if np.isfinite(values).any():
            drawn.append((_words(quantities[key]), _LOAD_HEIGHT, load_steps(rows, values)))
    if not drawn:
        return empty_chart(
            title=title,
            sentence="No interval of this test holds a value that counts, so there is nothing to draw.",
            width=width,
            height=280,
        )
    places = [
        *marks_of(analysis),
        *((at / 60, _short(words)) for at, words in threshold_places(analysis, "time_s")),
    ]
    above = time_axis("t", rows, bottom=False)
    # The words of the rules have a strip of their own: in so low a panel they would lie on the curves.
    panels: list[Spec] = (
        [{"width": width, "height": _STEP * len(places), "layer": upright_rules(places, above, LOAD)}]
        if places
        else []
    )
    for place, (heading, height, layers) in enumerate(drawn):
        x = time_axis("t", rows, bottom=place == len(drawn) - 1)
        rules = upright_rules([(at, "") for at, _ in places], x, LOAD)
        panels.append(
            {
                "width": width,
                "height": height,
                "title": {
                    "text": heading,
                    "anchor": "start",
                    "frame": "group",
                    "fontSize": 11,
                    "fontWeight": 500,
                    "color": INK,
                    "offset": 4,
                },
                "layer": [*_peak(analysis, x), *layers(x), *rules],
            }
        )
    sentences = _sentences(analysis, rows)
    return chart(
        title=title,
        subtitle=sentences,
        description=" ".join(
            (
                f"{title}. From top to bottom: {'; '.join(heading for heading, *_ in drawn)}.",
                *sentences,
            )
        ),
        body={"vconcat": panels, "spacing": 7, "bounds": "full"},
    )


def _words(quantity: Quantity) -> str:
    """Words, symbol and unit of a channel."""
    symbol = "" if quantity.symbol.lower() in quantity.label.lower() else f" ({quantity.symbol})"
    return f"{quantity.label}{symbol}" + (f", {quantity.unit}" if quantity.unit else "")


def _heading(known: Sequence[tuple[_Trace, Floats, Floats | None]]) -> str:
    """What a panel shows; of two lines it is said which is dashed."""
    if len(known) == 1:
        return _words(quantity_of(known[0][0].key))
    return "; ".join(
        f"{_words(quantity_of(one.key))}: {'dashed' if one.dashed else 'solid'}" for one, *_ in known
    )


def _lines(
    rows: TestRows, known: Sequence[tuple[_Trace, Floats, Floats | None]]
) -> Callable[[Spec], list[Spec]]:
    """Lines of a panel: of means where rows are single breaths, which are then drawn light behind them."""
    paths = [path_of(rows, values, weights) for _, values, weights in known]
    seen = [value for path in paths for _, value in path if np.isfinite(value)]
    seen = seen or [value for _, values, _ in known for value in values[np.isfinite(values)].tolist()]
    domain = room(seen, below=0.08, above=0.12)
    y = low_axis(domain, ".2f" if known[0][0].key == "rer" else ",.1~f")

    def layers(x: Spec) -> list[Spec]:
        answer: list[Spec] = []
        for (trace, values, _), path in zip(known, paths, strict=True):
            if rows.dense:
                points = points_of(rows, values, trace.key, domain)
                plain = {"stroke": {"value": trace.colour}, "fill": {"value": trace.colour}}
                answer.append(cloud(points, x, y, plain, dense=True))
            dash = {"strokeDash": _DASH} if trace.dashed else {}
            answer.append(line(path, x, y, trace.colour, strokeWidth=1.8, **dash))
        return answer

    return layers


def _peak(analysis: Mapping[str, Any], x: Spec) -> list[Spec]:
    """The window of the peak, behind everything."""
    peak = analysis.get("peak") or {}
    start, end = peak.get("start_s"), peak.get("end_s")
    if start is None or end is None:
        return []
    # A frame and no fill alone: it must be seen on paper without colour.
    return [
        {
            "data": {"values": [{"t": start / 60, "until": end / 60}]},
            "mark": {"type": "rect", "color": PEAK, "fillOpacity": 0.14, "stroke": PEAK, "strokeWidth": 0.8},
            "encoding": {"x": x, "x2": {"field": "until"}},
        }
    ]


def _short(words: str) -> str:
    """The threshold without its method, which the sentences name."""
    return words.split(" (", maxsplit=1)[0]


def _sentences(analysis: Mapping[str, Any], rows: TestRows) -> list[str]:
    sentences = [
        f"Lines are means over {MEAN_S:g} s, points single breaths."
        if rows.dense
        else "Lines join the rows as recorded."
    ]
    peak = analysis.get("peak") or {}
    if peak.get("start_s") is not None and peak.get("end_s") is not None:
        sentences.append(
            f"The band is the window of the peak, {peak['start_s']:.0f} to {peak['end_s']:.0f} s."
        )
    places = threshold_places(analysis, "time_s")
    if places:
        told = ", ".join(f"{words} at {at / 60:.1f} min" for at, words in sorted(places))
        sentences.append(f"Thresholds: {told}.")
    left_out = int(rows.excluded.sum())
    if left_out:
        sentences.append(f"{left_out} rows that were taken out are not drawn.")
    return sentences
