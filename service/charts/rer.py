"""The exchange ratio over one test."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from service.charts.look import (
    CARBON_DIOXIDE,
    LINE_SYMBOL,
    PEAK,
    QUIET,
    Spec,
    axis_title,
    chart,
    empty_chart,
    legend_scales,
    quantity_of,
)
from service.charts.traces import (
    MEAN_S,
    Columns,
    cloud,
    legend_kind,
    level_rule,
    line,
    marks_of,
    points_of,
    read_rows,
    room,
    running_mean,
    time_axis,
    upright_axis,
    upright_rules,
)


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
    vo2, vco2 = rows.known("vo2_ml_min"), rows.known("vco2_ml_min")
    quantity = quantity_of("rer")
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = vco2 / vo2
    ratio = np.where(np.isfinite(ratio), ratio, np.nan)
    if not np.isfinite(ratio).any():
        return empty_chart(
            title=title,
            sentence="No interval of this test holds both VO2 and VCO2 that count, so there is no ratio to draw.",
            width=width,
            height=280,
        )
    highest = (analysis.get("maxima") or {}).get("rer")
    grid, means = running_mean(rows, ratio, weights=np.where(np.isfinite(ratio), vo2, np.nan))
    # Single breaths scatter far; the range follows the means and leaves room for most.
    seen = (
        means[np.isfinite(means)].tolist()
        if rows.dense and np.isfinite(means).any()
        else ratio[np.isfinite(ratio)].tolist()
    )
    domain = room([*seen, 1.0, *([] if highest is None else [highest])], below=0.15, above=0.2)
    x, y = time_axis("t", rows), upright_axis("value", axis_title(quantity), domain, ".2f")
    kinds = [legend_kind("VCO2/VO2", "diamond", CARBON_DIOXIDE)]
    if rows.dense:
        kinds.append(legend_kind(f"mean over {MEAN_S:g} s", LINE_SYMBOL, CARBON_DIOXIDE))
    points = cloud(points_of(rows, ratio, "VCO2/VO2", domain), x, y, legend_scales(kinds), dense=rows.dense)
    if rows.dense:
        layers = [
            points,
            line(
                list(zip((grid / 60).tolist(), means.tolist(), strict=True)),
                x,
                y,
                CARBON_DIOXIDE,
                strokeWidth=2.2,
            ),
        ]
    else:
        pairs = list(zip(rows.middle_min.tolist(), ratio.tolist(), strict=True))
        layers = [line(pairs, x, y, CARBON_DIOXIDE, strokeWidth=1.1, opacity=0.55), points]
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
