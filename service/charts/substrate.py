"""Fat and carbohydrate over the stages of one test."""

from collections.abc import Mapping, Sequence
from typing import Any

from service.charts.look import (
    CARBON_DIOXIDE,
    PEAK,
    UPTAKE,
    Spec,
    chart,
    empty_chart,
)
from service.charts.traces import line, room, upright_axis, words_at
from service.methods.catalogue import METHODS

_AXES = (
    ("work_rate_w", "Work rate (W)"),
    ("speed_km_h", "Speed (km/h)"),
    ("vo2_ml_min", "Oxygen uptake, VO2 (mL/min)"),
)


def substrate_spec(
    energy: Mapping[str, Any], *, title: str = "Fat and carbohydrate over the stages", width: int = 760
) -> Spec:
    """Vega-Lite specification of fat and carbohydrate oxidation against load.

    Parameters
    ----------
    energy : mapping
        The ``energy`` of an analysis.
    title : str
    width : int
        px.

    Returns
    -------
    dict
        Serializable as JSON, data inside.
    """
    reasons: Mapping[str, str] = energy.get("reasons") or {}
    told = [one for one in energy.get("substrates") or [] if one.get("fat_g_min") is not None]
    if not told:
        return empty_chart(
            title=title,
            sentence=reasons.get("substrates")
            or energy.get("reason")
            or "Fuel can be told in no stage of this test.",
            width=width,
            height=280,
        )
    key, axis = _along(told)
    loads = [float(one[key]) for one in told]
    span = (max(loads) - min(loads)) or max(loads[0], 1.0)
    x = {
        "field": "load",
        "type": "quantitative",
        "scale": {
            "domain": [min(loads) - 0.06 * span, max(loads) + 0.06 * span],
            "nice": False,
            "zero": False,
        },
        "axis": {"title": axis, "tickCount": 8},
    }
    best = energy.get("highest_fat")
    panels = [
        _panel(told, loads, field, words, colour, x, width, height, bottom=field == "carbohydrate_g_min")
        for field, words, colour, height in (
            ("fat_g_min", "Fat (g/min)", UPTAKE, 210),
            ("carbohydrate_g_min", "Carbohydrate (g/min)", CARBON_DIOXIDE, 150),
        )
    ]
    if best is not None and best.get(key) is not None:
        at, fat = float(best[key]), float(best["fat_g_min"])
        late = (at - min(loads)) / span > 0.6
        y = panels[0]["layer"][0]["encoding"]["y"]
        panels[0]["layer"].append(
            words_at(at, fat, f"highest fat {fat:.2f} g/min", {**x, "axis": None}, y, colour=PEAK, left=late)
        )
    sentences = _sentences(energy, best, reasons)
    return chart(
        title=title,
        subtitle=sentences,
        description=" ".join((f"{title}, {len(told)} steady stages.", *sentences)),
        body={"vconcat": panels, "spacing": 10, "bounds": "full"},
    )


def _panel(
    told: Sequence[Mapping[str, Any]],
    loads: Sequence[float],
    field: str,
    title: str,
    colour: str,
    x: Spec,
    width: int,
    height: int,
    *,
    bottom: bool,
) -> Spec:
    values = [float(one[field] or 0.0) for one in told]
    along = x if bottom else {**x, "axis": None}
    y = upright_axis("value", title, (0.0, room([0.0, *values], below=0.0, above=0.2)[1]), "~g")
    shape = "diamond" if field == "carbohydrate_g_min" else "circle"
    pairs = sorted(zip(loads, values, strict=True))
    return {
        "width": width,
        "height": height,
        "layer": [
            line(pairs, along, y, colour, point={"shape": shape, "size": 60, "color": colour, "opacity": 1})
        ],
    }


def _along(told: Sequence[Mapping[str, Any]]) -> tuple[str, str]:
    for key, axis in _AXES:
        values = [one.get(key) for one in told]
        if all(value is not None for value in values) and (
            len(set(values)) == len(values) or key == _AXES[-1][0]
        ):
            return key, axis
    return _AXES[-1]


def _sentences(
    energy: Mapping[str, Any], best: Mapping[str, Any] | None, reasons: Mapping[str, str]
) -> list[str]:
    labels = [METHODS[str(energy[name])].label for name in ("fat_equation", "carbohydrate_equation")]
    equations = f"Equations: {labels[0]}; {labels[1]}."
    sentences = []
    if best is None:
        if reasons.get("highest_fat"):
            sentences.append(f"No highest fat oxidation: {reasons['highest_fat']}")
    else:
        share = best.get("percent_of_peak")
        where = "" if share is None else f", at {share:.0f} % of peak uptake"
        heart = best.get("heart_rate_bpm")
        rate = "" if heart is None else f", {heart:.0f} beats/min"
        sentences.append(
            f"Highest fat oxidation {best['fat_g_min']:.2f} g/min in stage {best['stage']}{where}{rate}."
        )
        if best.get("remark"):
            sentences.append(str(best["remark"]))
    left_out = [str(one["stage"]) for one in energy.get("substrates") or [] if one.get("fat_g_min") is None]
    if left_out:
        sentences.append(f"Not told in stage {', '.join(left_out)}: not steady, or a ratio of 1.00 and more.")
    return [*sentences, equations]
