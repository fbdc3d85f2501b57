"""Ventilatory equivalents over one test, with the thresholds read from them."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from service.charts.look import (
    CARBON_DIOXIDE,
    INK,
    LINE_SYMBOL,
    UPTAKE,
    Spec,
    chart,
    empty_chart,
    legend_scales,
    quantity_of,
)
from service.charts.traces import (
    MEAN_S,
    Columns,
    TestRows,
    cloud,
    legend_kind,
    line,
    points_of,
    read_rows,
    room,
    running_mean,
    time_axis,
    upright_axis,
    upright_rules,
)

_WORDS = {"vt1": "VT1", "vt2": "VT2", "lt": "lactate"}
#: Methods of a threshold whose id is no ordinary word.
METHODS = {
    "v_slope": "V-slope",
    "ventilatory_equivalents": "ventilatory equivalents",
    "excess_co2": "excess CO2",
    "ve_vco2": "VE on VCO2",
    "ve_vco2_equivalent": "VE/VCO2",
}


def threshold_places(analysis: Mapping[str, Any], key: str) -> list[tuple[float, str]]:
    """Where the thresholds of an analysis lie along a channel, with words; a tester's own and the consensus before others.

    Parameters
    ----------
    analysis : mapping
        ``thresholds`` is read.
    key : str
        Field of a threshold, such as ``time_s``.

    Returns
    -------
    list of (float, str)
        One of each threshold.
    """
    found: dict[str, tuple[int, float, str]] = {}
    for one in analysis.get("thresholds") or []:
        value, name = one.get(key), str(one.get("threshold"))
        if value is None or name == "lt":
            continue
        rank = 0 if one.get("basis") == "tester" else 1 if one.get("method") == "consensus" else 2
        method = str(one.get("method"))
        words = f"{_WORDS.get(name, name)} ({METHODS.get(method, method)})"
        if name not in found or rank < found[name][0]:
            found[name] = (rank, float(value), words)
    return [(value, words) for _, value, words in found.values()]


def _ratio(
    rows: TestRows, key: str
) -> tuple[np.ndarray[Any, np.dtype[np.float64]], np.ndarray[Any, np.dtype[np.float64]]]:
    flow = rows.known(key)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = 1000 * rows.known("ve_l_min") / flow
    sound = np.isfinite(ratio)
    return np.where(sound, ratio, np.nan), np.where(sound, flow, np.nan)


def ventilatory_equivalents_spec(
    analysis: Mapping[str, Any],
    intervals: Columns,
    *,
    title: str = "Ventilatory equivalents during exercise",
    width: int = 760,
) -> Spec:
    """Vega-Lite specification of VE/VO2 and VE/VCO2 against time, with end-tidal pressures where there are any.

    Parameters
    ----------
    analysis : mapping
        The analysis object; ``thresholds`` and ``marks`` are read.
    intervals : mapping of str to sequence, each of length n
    title : str
    width : int
        px.

    Returns
    -------
    dict
        Serializable as JSON, data inside.
    """
    rows = read_rows(intervals)
    marks = analysis.get("marks") or {}
    start, end = marks.get("exercise_start_s"), marks.get("exercise_end_s")
    keep = np.ones(rows.end_s.size, dtype=bool)
    if start is not None and end is not None:
        keep = (rows.end_s > start) & (rows.start_s < end)
    rows = _cut(rows, keep)
    series = [
        (name, shape, colour, *_ratio(rows, key))
        for name, shape, colour, key in (
            ("VE/VO2", "circle", UPTAKE, "vo2_ml_min"),
            ("VE/VCO2", "diamond", CARBON_DIOXIDE, "vco2_ml_min"),
        )
    ]
    series = [one for one in series if np.isfinite(one[3]).any()]
    if not series:
        return empty_chart(
            title=title,
            sentence="No interval of exercise holds ventilation together with VO2 or VCO2, so there is nothing to draw.",
            width=width,
            height=300,
        )
    means = [running_mean(rows, ratio, weights=flow) for *_, ratio, flow in series]
    seen = [value for _, mean in means for value in mean[np.isfinite(mean)].tolist()] if rows.dense else []
    seen = seen or [value for *_, ratio, _ in series for value in ratio[np.isfinite(ratio)].tolist()]
    domain = room(seen, below=0.12, above=0.25)
    tidal = [key for key in ("peto2_mmhg", "petco2_mmhg") if np.isfinite(rows.known(key)).any()]
    x = time_axis("t", rows, bottom=not tidal)
    y = upright_axis("value", "VE/VO2 and VE/VCO2 (L BTPS per L STPD)", domain, "d")
    kinds = [legend_kind(name, shape, colour) for name, shape, colour, *_ in series]
    if rows.dense:
        kinds.append(legend_kind(f"mean over {MEAN_S:g} s", LINE_SYMBOL, INK))
    points = [point for name, _, _, ratio, _ in series for point in points_of(rows, ratio, name, domain)]
    layers = [cloud(points, x, y, legend_scales(kinds), dense=rows.dense)]
    for (_, _, colour, ratio, _), (grid, mean) in zip(series, means, strict=True):
        if rows.dense:
            pairs = list(zip((grid / 60).tolist(), mean.tolist(), strict=True))
            layers.append(line(pairs, x, y, colour, strokeWidth=2.2))
        else:
            pairs = list(zip(rows.middle_min.tolist(), ratio.tolist(), strict=True))
            layers.insert(0, line(pairs, x, y, colour, strokeWidth=1.1, opacity=0.55))
    places = [(at / 60, words) for at, words in threshold_places(analysis, "time_s")]
    layers += upright_rules(places, x, INK)
    panels: list[Spec] = [{"width": width, "height": 280, "layer": layers}]
    if tidal:
        panels.append(_end_tidal(rows, tidal, places, width))
    sentences = _sentences(analysis, places)
    return chart(
        title=title,
        subtitle=sentences,
        description=" ".join(
            (f"{title}. Ventilation over VO2 and VCO2 of {rows.end_s.size} intervals.", *sentences)
        ),
        body={"vconcat": panels, "spacing": 8, "bounds": "full"},
    )


def _cut(rows: TestRows, keep: np.ndarray[Any, np.dtype[np.bool_]]) -> TestRows:
    columns = {
        key: [one for one, kept in zip(values, keep, strict=True) if kept]
        for key, values in rows.columns.items()
    }
    return TestRows(rows.start_s[keep], rows.end_s[keep], rows.excluded[keep], columns)


def _end_tidal(rows: TestRows, keys: list[str], places: list[tuple[float, str]], width: int) -> Spec:
    x = time_axis("t", rows)
    values = {key: rows.known(key) for key in keys}
    domain = room([one for value in values.values() for one in value[np.isfinite(value)].tolist()])
    y = upright_axis("value", ["End-tidal", "pressure (mmHg)"], domain, "d")
    looks = {"peto2_mmhg": ("PETO2", "circle", UPTAKE), "petco2_mmhg": ("PETCO2", "diamond", CARBON_DIOXIDE)}
    layers: list[Spec] = []
    for key in keys:
        name, _, colour = looks[key]
        grid, means = running_mean(rows, values[key])
        pairs = list(zip((grid / 60).tolist(), means.tolist(), strict=True))
        layers.append(line(pairs, x, y, colour, strokeWidth=2.0))
        known = [(at, mean) for at, mean in pairs if np.isfinite(mean)]
        if known:
            layers.append(
                {
                    "data": {"values": [{"t": known[-1][0], "value": known[-1][1]}]},
                    "mark": {
                        "type": "text",
                        "text": name,
                        "align": "right",
                        "dy": -9,
                        "color": colour,
                        "fontSize": 11,
                    },
                    "encoding": {"x": x, "y": y},
                }
            )
    layers += upright_rules([(at, "") for at, _ in places], x, INK)
    return {"width": width, "height": 120, "layer": layers}


def _sentences(analysis: Mapping[str, Any], places: list[tuple[float, str]]) -> list[str]:
    shown = quantity_of("vo2_ml_min")
    found = dict(threshold_places(analysis, "vo2_ml_min"))
    told = {words: value for value, words in found.items()}
    sentences = [f"{words}: {shown.show(told[words])}." for _, words in sorted(places) if words in told]
    known = {
        str(one.get("threshold")) for one in analysis.get("thresholds") or [] if one.get("time_s") is not None
    }
    for name in ("vt1", "vt2"):
        if name in known:
            continue
        reasons = [
            one["reason"]
            for one in analysis.get("thresholds") or []
            if one.get("threshold") == name and one.get("reason") and one.get("method") == "consensus"
        ]
        if reasons:
            sentences.append(f"No {_WORDS[name]}: {str(reasons[0]).rstrip('.')}.")
    return sentences
