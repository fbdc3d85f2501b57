"""A group over its rounds: every member's line, each arm's mean, and paired change from the first round."""

from collections.abc import Mapping, Sequence
from typing import Any

from service.charts.look import (
    INK,
    QUIET,
    SERIES_COLOURS,
    SERIES_SHAPES,
    Spec,
    chart,
    empty_chart,
    legend_scales,
    quantity_of,
)
from service.quantities import Quantity

#: Lines drawn in one arm; of more members every so-manyth is drawn, and that is said.
MOST_LINES = 150
#: Panels side by side.
_IN_A_ROW = 3
_GAP = 26


def cohort_spec(
    document: Mapping[str, Any],
    *,
    quantity: Quantity | None = None,
    width: int = 740,
    height: int = 290,
    change_height: int = 170,
) -> Spec:
    """Vega-Lite specification of a cohort.

    Parameters
    ----------
    document : mapping
        ``{"name", "quantity", "mode", "basis", "rounds": [str], "arms": [{"arm": str or None, "lines": [{"code",
        "values": {round: value}}], "means": [{"round", "n", "mean", "ci_low", "ci_high"}]}], "changes": [{"round",
        "arm", "n", "mean", "ci_low", "ci_high"}], "left_out": int, "notes": [str]}``. `means` are of the
        members who have every round; `changes` are paired, from the first round. Values in the unit of the quantity.
    quantity : Quantity, optional
        With the unit of the values, where it is not the registry's.
    width : int
        Of all panels of a row together, in px.
    height, change_height : int
        Of a panel of lines, and of the panel of changes, in px.

    Returns
    -------
    dict
        Serializable as JSON, data inside.

    Raises
    ------
    KeyError
        For a quantity the registry does not know.
    """
    quantity = quantity or quantity_of(document["quantity"])
    title = f"{document['name']}: {quantity.label[0].lower()}{quantity.label[1:]}"
    rounds: Sequence[str] = document["rounds"]
    arms: Sequence[Mapping[str, Any]] = document["arms"]
    if not any(line["values"] for arm in arms for line in arm["lines"]):
        return empty_chart(
            title=title,
            sentence="No member has a counted value in these rounds, so there is nothing to draw.",
            width=width,
            height=height,
        )
    y_domain = _y_domain(quantity, arms)
    in_a_row = min(len(arms), _IN_A_ROW)
    alone = [arm["arm"] for arm in arms] == [None]
    panel_width = (width - (in_a_row - 1) * _GAP) // in_a_row
    panels = [
        _panel(
            quantity,
            arm,
            place,
            rounds,
            y_domain,
            width=panel_width,
            height=height,
            first=place % in_a_row == 0,
            alone=alone,
        )
        for place, arm in enumerate(arms)
    ]
    rows: list[Spec] = [
        {"hconcat": panels[start : start + in_a_row], "spacing": _GAP}
        for start in range(0, len(panels), in_a_row)
    ]
    if document["changes"]:
        rows.append(_changes_panel(quantity, document, width=width, height=change_height))
    sentences = _sentences(document)
    return chart(
        title=title,
        subtitle=sentences,
        description=" ".join((f"{title} by round.", *sentences, *_in_words(quantity, document))),
        body={"vconcat": rows, "spacing": 22},
    )


def arm_name(arm: str | None) -> str:
    """An arm as a person reads it."""
    return "no arm" if arm is None else arm


def _style(place: int) -> tuple[str, str]:
    place = min(place, len(SERIES_COLOURS) - 1)
    return SERIES_COLOURS[place], SERIES_SHAPES[place]


def _y_domain(quantity: Quantity, arms: Sequence[Mapping[str, Any]]) -> list[float]:
    values = [value for arm in arms for line in arm["lines"] for value in line["values"].values()]
    values += [
        mean[name]
        for arm in arms
        for mean in arm["means"]
        for name in ("ci_low", "ci_high")
        if mean[name] is not None
    ]
    low, high = min(values), max(values)
    pad = max(0.06 * (high - low), 0.01 * abs(high), 10.0**-quantity.decimals)
    return [max(0.0, low - pad) if low >= 0 else low - pad, high + pad]


def _round_axis(rounds: Sequence[str], **more: Any) -> Spec:
    return {
        "field": "round",
        "type": "ordinal",
        "scale": {"domain": list(rounds), **more},
        "axis": {"title": "Round", "labelAngle": 0, "labelOverlap": True},
    }


def _drawn_lines(arm: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    lines = [line for line in arm["lines"] if line["values"]]
    if len(lines) <= MOST_LINES:
        return lines
    return [lines[round(place * (len(lines) - 1) / (MOST_LINES - 1))] for place in range(MOST_LINES)]


def _panel(
    quantity: Quantity,
    arm: Mapping[str, Any],
    place: int,
    rounds: Sequence[str],
    y_domain: list[float],
    *,
    width: int,
    height: int,
    first: bool,
    alone: bool,
) -> Spec:
    colour, shape = _style(place)
    x = _round_axis(rounds)
    y = {
        "field": "value",
        "type": "quantitative",
        "scale": {"domain": y_domain, "nice": False, "zero": False},
        "axis": {
            # The words stand in the title of the chart.
            "title": f"{quantity.symbol} ({quantity.unit})".replace(" ()", "") if first else None,
            "tickCount": 6,
            "format": ",~f",
        },
    }
    # A line joins neighbouring rounds only: over a round that is missing nothing is drawn.
    points, segments = [], []
    for number, line in enumerate(_drawn_lines(arm)):
        segment = 0
        for name in rounds:
            if name not in line["values"]:
                segment += 1
                continue
            point = {"round": name, "value": line["values"][name], "code": line["code"]}
            points.append(point)
            segments.append(point | {"segment": f"{number}.{segment}"})
    means = [
        {"round": mean["round"], "value": mean["mean"], "low": mean["ci_low"], "high": mean["ci_high"]}
        for mean in arm["means"]
        if mean["mean"] is not None
    ]
    layers: list[Spec] = [
        {
            "data": {"values": segments},
            "mark": {"type": "line", "color": colour, "strokeWidth": 1, "opacity": 0.38},
            "encoding": {"x": x, "y": y, "detail": {"field": "segment", "type": "nominal"}},
        },
        {
            "data": {"values": points},
            "mark": {"type": "circle", "color": colour, "size": 14, "opacity": 0.5},
            "encoding": {"x": x, "y": y},
        },
        {
            "data": {"values": means},
            "mark": {"type": "line", "color": INK, "strokeWidth": 2.4},
            "encoding": {"x": x, "y": y},
        },
        {
            "data": {"values": [mean for mean in means if mean["low"] is not None]},
            "mark": {"type": "rule", "color": INK, "strokeWidth": 2.4},
            "encoding": {"x": x, "y": {**y, "field": "low"}, "y2": {"field": "high"}},
        },
        {
            "data": {"values": means},
            "mark": {
                "type": "point", "shape": shape, "fill": colour, "stroke": INK, "size": 110, "strokeWidth": 1.4, "opacity": 1,
            },
            "encoding": {"x": x, "y": y},
        },
    ]  # fmt: skip
    number = len(arm["lines"])
    members = "1 member" if number == 1 else f"{number:,} members"
    return {
        "width": width,
        "height": height,
        "title": {
            "text": members if alone else f"{arm_name(arm['arm'])}, {members}",
            "anchor": "start",
            "frame": "group",
            "fontSize": 13,
            "offset": 6,
            "color": INK,
        },
        "layer": layers,
    }


def _changes_panel(quantity: Quantity, document: Mapping[str, Any], *, width: int, height: int) -> Spec:
    """Mean paired change from the first round, the arms beside each other."""
    arms = [arm["arm"] for arm in document["arms"]]
    names = [arm_name(arm) for arm in arms]
    drawn = [
        {
            "round": change["round"],
            "kind": arm_name(change["arm"]),
            "value": change["mean"],
            "low": change["ci_low"],
            "high": change["ci_high"],
            "words": f"n {change['n']:,}",
        }
        for change in document["changes"]
        if change["mean"] is not None
    ]
    numbers = [0.0, *(one[key] for one in drawn for key in ("value", "low", "high") if one[key] is not None)]
    spread = max(max(numbers) - min(numbers), 10.0**-quantity.decimals)
    x = _round_axis(document["rounds"][1:], type="band", paddingInner=0.3)
    offset = {"field": "kind", "type": "nominal", "sort": names, "scale": {"domain": names}}
    y = {
        "field": "value",
        "type": "quantitative",
        "scale": {"domain": [min(numbers) - 0.25 * spread, max(numbers) + 0.1 * spread], "nice": False},
        "axis": {
            "title": f"Change from round {document['rounds'][0]} ({quantity.unit})".replace(" ()", ""),
            "tickCount": 5,
            "format": "+,~f",
        },
    }
    kinds = [
        {"name": name, "shape": _style(place)[1], "stroke": INK, "fill": _style(place)[0]}
        for place, name in enumerate(names)
    ]
    scales = legend_scales(kinds)
    if len(names) == 1:
        for scale in scales.values():
            scale["legend"] = None
    with_interval = [one for one in drawn if one["low"] is not None]
    return {
        "width": width,
        "height": height,
        "layer": [
            {
                "data": {"values": [{"value": 0}]},
                "mark": {"type": "rule", "color": QUIET, "strokeDash": [4, 3]},
                "encoding": {"y": y},
            },
            {
                "data": {"values": with_interval},
                "mark": {"type": "rule", "color": INK, "strokeWidth": 2},
                "encoding": {"x": x, "xOffset": offset, "y": {**y, "field": "low"}, "y2": {"field": "high"}},
            },
            {
                "data": {"values": drawn},
                "mark": {"type": "point", "size": 110, "strokeWidth": 1.4, "opacity": 1},
                "encoding": {"x": x, "xOffset": offset, "y": y, **scales},
            },
            {
                "data": {"values": drawn},
                "mark": {"type": "text", "fontSize": 11, "color": QUIET},
                "encoding": {"x": x, "xOffset": offset, "y": {"value": height - 9}, "text": {"field": "words"}},
            },
        ],
    }  # fmt: skip


# --- words -----------------------------------------------------------------------------------------------------


def _sentences(document: Mapping[str, Any]) -> list[str]:
    arms = document["arms"]
    several = len(document["rounds"]) > 1
    rounds = "every round drawn" if several else "a counted value"
    alone = [arm["arm"] for arm in arms] == [None]
    told = "; ".join(
        f"{'' if alone else arm_name(arm['arm']) + ': '}{arm['means'][0]['n'] if arm['means'] else 0:,} of {len(arm['lines']):,}"
        for arm in arms
    )
    answer = [f"Thin: single members. Thick: mean and 95 % interval of those who have {rounds} ({told})."]
    if document["changes"]:
        answer.append(
            f"Below: mean change from round {document['rounds'][0]} with 95 % interval, of the members who have both rounds."
        )
    for arm in arms:
        there = sum(bool(line["values"]) for line in arm["lines"])
        if there > MOST_LINES:
            answer.append(
                f"{arm_name(arm['arm'])}: {MOST_LINES:,} of {there:,} lines are drawn, evenly by code."
            )
    of = ", ".join(str(document[name]) for name in ("mode", "basis") if document.get(name) is not None)
    answer.append(f"Results: {of}." if of else "")
    if left_out := document["left_out"]:
        answer.append(
            "1 result is not counted." if left_out == 1 else f"{left_out:,} results are not counted."
        )
    return [*(sentence for sentence in answer if sentence), *document["notes"]]


def _in_words(quantity: Quantity, document: Mapping[str, Any]) -> list[str]:
    def number(value: float) -> str:
        return f"{value:+,.{quantity.decimals}f}"

    answer = []
    for one in document["changes"]:
        if one["mean"] is None:
            continue
        span = (
            f" (95 % interval {number(one['ci_low'])} to {number(one['ci_high'])})"
            if one["ci_low"] is not None
            else ""
        )
        answer.append(
            f"{arm_name(one['arm'])}, round {one['round']}: {number(one['mean'])} {quantity.unit}".rstrip()
            + f"{span}, {one['n']:,} members."
        )
    return answer
