"""The exchange ratio over one test."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from service.charts.look import (
    CARBON_DIOXIDE,
    PEAK,
    QUIET,
    Spec,
    axis_title,
    chart,
    empty_chart,
    quantity_of,
)
from service.charts.traces import (
    Columns,
    Floats,
    TestRows,
    curve,
    legend_kind,
    level_rule,
    marks_of,
    path_of,
    read_rows,
    room,
    time_axis,
    upright_axis,
    upright_rules,
)


def exchange_ratio(rows: TestRows) -> tuple[Floats, Floats]:
    """VCO2 over VO2 of each row, and the VO2 that weighs it; NaN where either does not count."""
    vo2, vco2 = rows.known("vo2_ml_min"), rows.known("vco2_ml_min")
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = vco2 / vo2
    sound = np.isfinite(ratio)
    return np.where(sound, ratio, np.nan), np.where(sound, vo2, np.nan)


def rer_spec(
    analysis: Mapping[str, Any],
    intervals: Columns,
    *,
    title: str = "Exchange ratio during the test",
    width: int = 760,
) -> Spec:
    """Vega-Lite specification of the exchange ratio against time.

    Parameters
    ----------
    analysis : mapping
        The analysis object; ``maxima``, ``marks`` and ``findings`` are read.
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
    ratio, vo2 = exchange_ratio(rows)
    quantity = quantity_of("rer")
    if not np.isfinite(ratio).any():
        return empty_chart(
            title=title,
            sentence="No interval of this test holds both VO2 and VCO2 that count, so there is no ratio to draw.",
            width=width,
            height=280,
        )
    highest = (analysis.get("maxima") or {}).get("rer")
    # Single breaths scatter far; the range follows the means and leaves room for most.
    seen = [value for _, value in path_of(rows, ratio, vo2) if np.isfinite(value)]
    seen = seen or ratio[np.isfinite(ratio)].tolist()
    domain = room([*seen, 1.0, *([] if highest is None else [highest])], below=0.15, above=0.2)
    x, y = time_axis("t", rows), upright_axis("value", axis_title(quantity), domain, ".2f")
    layers = curve(
        rows,
        ratio,
        legend_kind("VCO2/VO2", "diamond", CARBON_DIOXIDE),
        x,
        y,
        weights=vo2,
    )
    layers += upright_rules(marks_of(analysis), x)
    layers += level_rule(1.0, "1.00", x, y, QUIET)
    sentences = []
    if highest is not None:
        layers += level_rule(highest, f"highest {quantity.show(highest)}", x, y, PEAK)
        sentences.append(f"Highest mean of 30 s in exercise {quantity.show(highest)}.")
    else:
        reason = ((analysis.get("maxima") or {}).get("reasons") or {}).get("rer")
        if reason:
            sentences.append(f"No highest ratio: {reason}")
    if any(one.get("code") == "ratio_channel_lost" for one in analysis.get("findings") or []):
        sentences.append("The CO2 channel is lost in a part of the test; the ratio there is false.")
    sentences.append(
        "After exercise the ratio rises because uptake falls faster than CO2 output; it says nothing about effort."
    )
    return chart(
        title=title,
        subtitle=sentences,
        description=" ".join(
            (f"{title}. VCO2 over VO2 of {rows.end_s.size} intervals against time.", *sentences)
        ),
        body={"width": width, "height": 280, "layer": layers},
    )
