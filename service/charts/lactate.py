"""Lactate over the stages of one test, with its curve and thresholds."""

from collections.abc import Mapping, Sequence
from typing import Any

from service.analysis.lactate import LABELS
from service.charts.look import (
    CARBON_DIOXIDE,
    DASH_SYMBOL,
    INK,
    PEAK,
    QUIET,
    UPTAKE,
    Spec,
    axis_title,
    chart,
    empty_chart,
    legend_scales,
    quantity_of,
)
from service.charts.traces import haloed_words, legend_kind, line, room, upright_axis

_AXES = {
    "work_rate_w": "Work rate (W)",
    "speed_km_h": "Speed (km/h)",
    "cost_ml_kg_min": "Oxygen cost of speed and grade (mL/kg/min)",
}
_UNITS = {"work_rate_w": ("W", 0), "speed_km_h": ("km/h", 1), "cost_ml_kg_min": ("mL/kg/min", 1)}
_SITES = {"venous": "a vein", "arterial": "an artery", "other": "another place"}
_MEASURED, _CURVE, _THRESHOLD, _LINE = (
    "lactate",
    "cubic curve",
    "threshold",
    "line of modified maximal distance",
)


def lactate_spec(
    lactate: Mapping[str, Any], *, title: str = "Blood lactate over the stages", width: int = 760
) -> Spec:
    """Vega-Lite specification of lactate against load, thresholds named, heart rate below.

    Parameters
    ----------
    lactate : mapping
        JSON form of `service.analysis.lactate.LactateAnalysis`.
    title : str
    width : int
        px.

    Returns
    -------
    dict
        Serializable as JSON, data inside.
    """
    stages: Sequence[Mapping[str, Any]] = lactate.get("stages") or []
    key = lactate.get("load")
    if lactate.get("reason") or key is None or not stages:
        return empty_chart(
            title=title,
            sentence=str(lactate.get("reason") or "No lactate was noted."),
            width=width,
            height=280,
        )
    loads = [float(one["load"]) for one in stages]
    values = [float(one["lactate_mmol_l"]) for one in stages]
    curve = lactate.get("curve") or {}
    found = [one for one in lactate.get("thresholds") or [] if _place(one, key) is not None]
    hearts = [(float(one["load"]), one.get("heart_rate_bpm")) for one in stages]
    with_heart = sum(value is not None for _, value in hearts) >= 2
    span = loads[-1] - loads[0]
    x = {
        "field": "load",
        "type": "quantitative",
        "scale": {
            "domain": [loads[0] - 0.05 * span, loads[-1] + 0.05 * span],
            "nice": False,
            "zero": False,
        },
        "axis": None if with_heart else {"title": _AXES[key], "tickCount": 8},
    }
    top = room([0.0, *values, *(curve.get("lactates_mmol_l") or [])], below=0.0, above=0.12)[1]
    y = upright_axis("lactate", axis_title(quantity_of("lactate_mmol_l")), (0.0, top), "~g")
    kinds = [legend_kind(_MEASURED, "circle", UPTAKE)]
    layers = [line(list(zip(loads, values, strict=True)), x, y, UPTAKE, strokeWidth=1.1, opacity=0.55)]
    if curve:
        kinds.append(legend_kind(_CURVE, DASH_SYMBOL, QUIET))
        pairs = list(zip(curve["loads"], curve["lactates_mmol_l"], strict=True))
        layers.append(line(pairs, x, y, QUIET, strokeWidth=1.5, strokeDash=[5, 3]))
    straight = curve.get("line")
    if straight:
        kinds.append(legend_kind(_LINE, "M-1.3,0L1.3,0", CARBON_DIOXIDE))
        layers.append(line([tuple(end) for end in straight], x, y, CARBON_DIOXIDE, strokeWidth=1.1))
    points = [
        {"load": load, "lactate": value, "kind": _MEASURED} for load, value in zip(loads, values, strict=True)
    ]
    if found:
        kinds.append(legend_kind(_THRESHOLD, "square", PEAK, hollow=True))
        points += [
            {"load": _place(one, key), "lactate": one["lactate_mmol_l"], "kind": _THRESHOLD} for one in found
        ]
    layers.append(
        {
            "data": {"values": points},
            "mark": {"type": "point", "size": 55, "strokeWidth": 1.6, "opacity": 1},
            "encoding": {"x": x, "y": y, **legend_scales(kinds)},
        }
    )
    layers += _names(found, key, x)
    panels: list[Spec] = [{"width": width, "height": 320, "layer": layers}]
    if with_heart:
        panels.append(_heart_rate(hearts, found, key, x, width))
    sentences = _sentences(lactate, key)
    return chart(
        title=title,
        subtitle=sentences,
        description=" ".join((f"{title}. Lactate of {len(stages)} stages.", *sentences)),
        body={"vconcat": panels, "spacing": 8, "bounds": "full"},
    )


def _place(one: Mapping[str, Any], key: str) -> float | None:
    value = one.get(key if key != "cost_ml_kg_min" else "load")
    return None if value is None else float(value)


def _names(found: Sequence[Mapping[str, Any]], key: str, x: Spec) -> list[Spec]:
    """A drop line of each threshold, its name at the top, each on its own row."""
    layers: list[Spec] = []
    names: list[Spec] = []
    low, high = x["scale"]["domain"]
    for row, one in enumerate(sorted(found, key=lambda item: _place(item, key) or 0.0)):
        at = _place(one, key) or 0.0
        data = {"values": [{"load": at}]}
        # Curves rise to the right: names stand to the left, where there is room.
        left = (at - low) / (high - low) > 0.3
        layers.append(
            {
                "data": data,
                "mark": {"type": "rule", "color": PEAK, "strokeWidth": 0.9, "strokeDash": [2, 3]},
                "encoding": {"x": x, "y": {"value": 12 + 17 * row}, "y2": {"value": 320}},
            }
        )
        names += haloed_words(
            data["values"],
            f"{LABELS[one['method']]}: {_shown(at, key)}",
            {"x": x, "y": {"value": 14 + 17 * row}},
            align="right" if left else "left",
            dx=-5 if left else 5,
            fontSize=11,
            color=INK,
        )
    return [*layers, *names]


def _shown(value: float, key: str) -> str:
    unit, decimals = _UNITS[key]
    return f"{value:.{decimals}f} {unit}"


def _heart_rate(
    hearts: Sequence[tuple[float, Any]], found: Sequence[Mapping[str, Any]], key: str, x: Spec, width: int
) -> Spec:
    known = [(load, float(value)) for load, value in hearts if value is not None]
    below = {**x, "axis": {"title": _AXES[key], "tickCount": 8}}
    y = upright_axis("heart_rate", ["Heart rate", "(beats/min)"], room([value for _, value in known]), "d")
    return {
        "width": width,
        "height": 100,
        "layer": [
            line(known, below, y, INK, strokeWidth=1.4, point={"color": INK, "size": 30}),
            {
                "data": {"values": [{"load": _place(one, key)} for one in found]},
                "mark": {"type": "rule", "color": PEAK, "strokeWidth": 0.9, "strokeDash": [2, 3]},
                "encoding": {"x": below},
            },
        ],
    }


def _sentences(lactate: Mapping[str, Any], key: str) -> list[str]:
    sentences = ["Methods differ on the same samples; follow one of them over time, never one after another."]
    missing = [
        f"{LABELS[one['method']]}: {str(one['reason']).rstrip('.')}."
        for one in lactate.get("thresholds") or []
        if _place(one, key) is None and one.get("reason")
    ]
    if missing:
        sentences.append("Not found - " + " ".join(missing))
    site, analyser = lactate.get("sample_site"), lactate.get("analyser")
    sentences.append(
        f"Blood taken from: {_SITES.get(str(site), site) if site else 'not recorded'}; measured with: "
        f"{analyser or 'not recorded'}."
    )
    return sentences + [str(one) for one in lactate.get("remarks") or []]
