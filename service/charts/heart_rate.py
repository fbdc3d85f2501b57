"""Heart rate over one test: the highest, what age predicts, and the fall after exercise."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from service.charts.look import (
    PEAK,
    QUIET,
    UPTAKE,
    Spec,
    axis_title,
    chart,
    empty_chart,
    quantity_of,
)
from service.charts.traces import (
    Columns,
    curve,
    legend_kind,
    level_rule,
    marks_of,
    read_rows,
    room,
    time_axis,
    upright_axis,
    upright_rules,
    words_at,
)
from service.methods.catalogue import METHODS

#: Height of a line of words as a part of the drawing.
_NEAR = 0.07


def heart_rate_spec(
    analysis: Mapping[str, Any],
    intervals: Columns,
    *,
    title: str = "Heart rate during the test",
    width: int = 760,
) -> Spec:
    """Vega-Lite specification of heart rate against time.

    Parameters
    ----------
    analysis : mapping
        The analysis object; ``maxima``, ``reserves``, ``recovery`` and ``marks`` are read.
    intervals : mapping of str to sequence, each of length n
        Columns of the intervals.
    title : str
    width : int
        px.

    Returns
    -------
    dict
        Serializable as JSON, data inside.
    """
    rows = read_rows(intervals)
    values = rows.known("heart_rate_bpm")
    quantity = quantity_of("heart_rate_bpm")
    if not np.isfinite(values).any():
        return empty_chart(
            title=title,
            sentence="No interval of this test holds a heart rate that counts, so there is nothing to draw.",
            width=width,
            height=280,
        )
    highest = (analysis.get("maxima") or {}).get("heart_rate_bpm")
    predicted = (analysis.get("reserves") or {}).get("heart_rate_max_predicted_bpm")
    drop = (analysis.get("recovery") or {}).get("drop_60s_bpm")
    domain = room(
        [*values[np.isfinite(values)].tolist(), *(one for one in (highest, predicted) if one is not None)]
    )
    x, y = time_axis("t", rows), upright_axis("value", axis_title(quantity), domain, "d")
    layers = curve(rows, values, legend_kind("heart rate", "circle", UPTAKE), x, y)
    layers += upright_rules(marks_of(analysis), x)
    sentences = []
    # The words of the lower of two near lines stand below it, so that the upper does not run through them.
    near = _NEAR * (domain[1] - domain[0])
    if highest is not None:
        below = predicted is not None and 0 <= predicted - highest < near
        layers += level_rule(highest, f"highest {quantity.show(highest)}", x, y, PEAK, below=below)
        sentences.append(f"Highest in exercise {quantity.show(highest)}.")
    if predicted is not None:
        method = METHODS[str(analysis["reserves"]["heart_rate_max_method"])].label
        layers += _predicted(predicted, x, y, below=highest is not None and 0 < highest - predicted < near)
        sentences.append(
            f"Age predicts {quantity.show(predicted)} ({method}), with a standard deviation of 10 to 12 beats/min between people."
        )
    end = (analysis.get("marks") or {}).get("exercise_end_s")
    at_60 = (analysis.get("recovery") or {}).get("heart_rate_60s_bpm")
    if drop is not None:
        verb = "Fell" if drop >= 0 else "Rose"
        sentences.append(f"{verb} by {quantity.show(abs(drop))} in the first minute after exercise.")
    if drop is not None and end is not None and at_60 is not None:
        sign = "-" if drop >= 0 else "+"
        layers.append(words_at((end + 60) / 60, at_60, f"{sign}{abs(drop):.0f} in 60 s", x, y, colour=PEAK))
    return chart(
        title=title,
        subtitle=sentences,
        description=" ".join(
            (f"{title}. Heart rate of {rows.end_s.size} intervals against time.", *sentences)
        ),
        body={"width": width, "height": 280, "layer": layers},
    )


def _predicted(predicted: float, x: Spec, y: Spec, *, below: bool) -> list[Spec]:
    """The prediction, its words at the right end, apart from those of the highest."""
    layers = level_rule(predicted, "predicted from age", x, y, QUIET, below=below)
    words = layers[1]
    words["data"] = {"values": [{x["field"]: x["scale"]["domain"][1], y["field"]: predicted}]}
    words["mark"] = {**words["mark"], "align": "right", "dx": -5}
    return layers
