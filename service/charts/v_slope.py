"""CO2 output against uptake: where it bends away."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from service.charts.look import (
    CARBON_DIOXIDE,
    DASH_SYMBOL,
    INK,
    LINE_SYMBOL,
    QUIET,
    Spec,
    axis_title,
    chart,
    empty_chart,
    legend_scales,
    quantity_of,
)
from service.charts.traces import Columns, legend_kind, line, read_rows, room, upright_axis, upright_rules

_AVERAGED_S = 10.0


def v_slope_spec(
    analysis: Mapping[str, Any],
    intervals: Columns,
    *,
    title: str = "CO2 output against oxygen uptake",
    width: int = 460,
) -> Spec:
    """Vega-Lite specification of VCO2 against VO2 in exercise, with the thresholds along it.

    Parameters
    ----------
    analysis : mapping
        The analysis object; ``thresholds``, ``threshold_fits`` and ``marks`` are read.
    intervals : mapping of str to sequence, each of length n
    title : str
    width : int
        px; the drawing is square, so that a slope of 1 lies at 45 degrees.

    Returns
    -------
    dict
        Serializable as JSON, data inside.
    """
    rows = read_rows(intervals)
    vo2, vco2 = rows.known("vo2_ml_min"), rows.known("vco2_ml_min")
    marks = analysis.get("marks") or {}
    start, end = marks.get("exercise_start_s"), marks.get("exercise_end_s")
    keep = np.isfinite(vo2) & np.isfinite(vco2)
    if start is not None and end is not None:
        keep &= (rows.start_s >= start - 1e-6) & (rows.end_s <= end + 1e-6)
    if not keep.any():
        return empty_chart(
            title=title,
            sentence="No interval of exercise holds both VO2 and VCO2 that count, so there is nothing to draw.",
            width=width,
            height=width,
        )
    pairs = np.column_stack((vo2[keep], vco2[keep]))
    words = "rows as recorded"
    if rows.dense:
        pairs, words = (
            _averaged(rows.end_s[keep], (rows.end_s - rows.start_s)[keep], pairs),
            f"means of {_AVERAGED_S:g} s",
        )
    places, fit = _places(analysis), _fitted(analysis)
    domain = room([*pairs.ravel().tolist(), *(at for at, _ in places)], below=0.04, above=0.06)
    x: Spec = {
        "field": "vo2",
        "type": "quantitative",
        "scale": {"domain": list(domain), "nice": False, "zero": False},
        "axis": {"title": axis_title(quantity_of("vo2_ml_min")), "format": ",d", "tickCount": 6},
    }
    y = upright_axis("vco2", axis_title(quantity_of("vco2_ml_min")), domain, ",d")
    kinds = [legend_kind(words, "diamond", CARBON_DIOXIDE), legend_kind("slope of 1", DASH_SYMBOL, QUIET)]
    if fit:
        kinds.append(legend_kind("line fitted", LINE_SYMBOL, INK))
    points = [{"vo2": round(a, 1), "vco2": round(b, 1), "kind": words} for a, b in pairs.tolist()]
    # The slope of 1 passes through the middle of the lowest third of the points.
    low = pairs[np.argsort(pairs[:, 0])[: max(1, pairs.shape[0] // 3)]].mean(axis=0)
    offset = float(low[1] - low[0])
    one = [(domain[0] + max(0.0, -offset), domain[0] + max(0.0, -offset) + offset)]
    one.append((domain[1] - max(0.0, offset), domain[1] - max(0.0, offset) + offset))
    layers: list[Spec] = [
        line(one, x, y, QUIET, strokeWidth=1.2, strokeDash=[5, 3]),
        {
            "data": {"values": points},
            "mark": {"type": "point", "size": 30, "strokeWidth": 1.2, "opacity": 0.75},
            "encoding": {"x": x, "y": y, **legend_scales(kinds)},
        },
    ]
    if fit:
        layers.append(line(fit, x, y, INK, strokeWidth=2.2))
    layers += upright_rules(places, x, INK)
    sentences = _sentences(analysis, places)
    return chart(
        title=title,
        subtitle=sentences,
        description=" ".join((f"{title}, {len(points)} points of exercise.", *sentences)),
        body={"width": width, "height": width, "layer": layers},
    )


def _averaged(end_s: Any, duration_s: Any, pairs: Any) -> Any:
    """Means of 10 s, rows weighted by their time."""
    bins = ((end_s - 0.5 * duration_s) // _AVERAGED_S).astype(int)
    return np.array(
        [np.average(pairs[bins == one], axis=0, weights=duration_s[bins == one]) for one in np.unique(bins)]
    )


def _fitted(analysis: Mapping[str, Any]) -> list[tuple[float, float]]:
    """Ends and bends of the line of the V-slope method, where it gave a threshold."""
    claimed = any(
        one.get("method") == "v_slope" and one.get("vo2_ml_min") is not None
        for one in analysis.get("thresholds") or []
    )
    fits = [one for one in analysis.get("threshold_fits") or [] if one.get("method") == "v_slope"]
    return [(float(x), float(y)) for one in fits for x, y in one["line"]] if claimed else []


def _places(analysis: Mapping[str, Any]) -> list[tuple[float, str]]:
    places = []
    for one in analysis.get("thresholds") or []:
        value = one.get("vo2_ml_min")
        if (
            one.get("threshold") == "vt1"
            and value is not None
            and one.get("method") in {"v_slope", "consensus", "tester"}
        ):
            places.append(
                (float(value), str(one["method"]).replace("_", "-" if one["method"] == "v_slope" else " "))
            )
    return places


def _sentences(analysis: Mapping[str, Any], places: Sequence[tuple[float, str]]) -> list[str]:
    shown = quantity_of("vo2_ml_min")
    sentences = []
    for one in analysis.get("thresholds") or []:
        if one.get("threshold") != "vt1" or one.get("method") != "v_slope":
            continue
        value, low, high = (one.get(key) for key in ("vo2_ml_min", "ci_low_ml_min", "ci_high_ml_min"))
        if value is not None:
            between = "" if low is None or high is None else f" (95 % interval {low:,.0f} to {high:,.0f})"
            sentences.append(f"VT1 by the V-slope method at {shown.show(value)}{between}.")
        elif one.get("reason"):
            sentences.append(f"No VT1 by the V-slope method: {str(one['reason']).rstrip('.')}.")
    if not sentences and not places:
        sentences.append("The V-slope method was not applied to this test.")
    return sentences
