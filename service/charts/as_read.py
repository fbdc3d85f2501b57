"""A file as it was read, before anything is stored: uptake, heart rate and load, with what the sheet says drawn over them."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from service.charts.look import INK, LOAD, PEAK, UPTAKE, Spec, chart, empty_chart, quantity_of
from service.charts.traces import (
    MEAN_S,
    Columns,
    Floats,
    TestRows,
    cloud,
    line,
    load_steps,
    low_axis,
    path_of,
    points_of,
    read_rows,
    room,
    time_axis,
    upright_rules,
)

_HEIGHTS = {"vo2_ml_min": 190, "heart_rate_bpm": 130}
_LOAD_HEIGHT = 70
_STRIP = 18
_LOADS = ("work_rate_w", "speed_km_h", "grade_percent")
#: Roughly how wide a character of the small type is.
_CHARACTER_PX = 6.4


def as_read_spec(
    intervals: Columns,
    *,
    marks: Sequence[tuple[float, str]] = (),
    notes: Sequence[Mapping[str, Any]] = (),
    title: str = "The file as read",
    said: Sequence[str] = (),
    width: int = 760,
) -> Spec:
    """Vega-Lite specification of a file that is looked at.

    Parameters
    ----------
    intervals : mapping of str to sequence, each of length n
        Columns of the intervals, as of `service.charts.uptake.columns_of`.
    marks : sequence of (float, str)
        Moments in seconds with what they are: begin and end of exercise.
    notes : sequence of mapping
        ``time_s``, ``heart_rate_bpm`` and ``words`` of each note of the sheet.
    title : str
    said : sequence of str
        What stands below the title.
    width : int
        px.

    Returns
    -------
    dict
        Serializable as JSON, data inside.
    """
    rows = read_rows(intervals)
    shown = [
        (key, height, values)
        for key, height in (*_HEIGHTS.items(), *((key, _LOAD_HEIGHT) for key in _LOADS))
        if np.isfinite(values := rows.known(key)).any()
    ]
    if not shown:
        return empty_chart(
            title=title,
            sentence="The file holds neither oxygen uptake nor heart rate nor load, so there is nothing to draw.",
            width=width,
            height=200,
        )
    timed = [one for one in notes if one.get("time_s") is not None]
    places = [(at / 60, words) for at, words in marks]
    places += [(one["time_s"] / 60, "") for one in timed]
    domain = [
        min([float(rows.start_s.min()) / 60, *(at for at, _ in places)]),
        max([float(rows.end_s.max()) / 60, *(at for at, _ in places)]),
    ]

    def axis(*, bottom: bool) -> Spec:
        x = time_axis("t", rows, bottom=bottom)
        return {**x, "scale": {**x["scale"], "domain": domain}}

    panels: list[Spec] = []
    # The words have strips of their own: in a low panel they would lie on the curves.
    above = axis(bottom=False)
    if marks:
        worded = [(at / 60, words) for at, words in marks]
        panels.append(
            {"width": width, "height": _STRIP * len(marks), "layer": upright_rules(worded, above, LOAD)}
        )
    if words := [(one["time_s"] / 60, str(one["words"])) for one in timed if one.get("words")]:
        panels.append({"width": width, "height": _STRIP, "layer": [_stages(words, above, width)]})
    for place, (key, height, values) in enumerate(shown):
        x = axis(bottom=place == len(shown) - 1)
        layers = _layers(rows, key, values, timed)(x)
        panels.append(
            {
                "width": width,
                "height": height,
                "title": {
                    "text": _heading(key, timed),
                    "anchor": "start",
                    "frame": "group",
                    "fontSize": 11,
                    "fontWeight": 500,
                    "color": INK,
                    "offset": 4,
                },
                "layer": [*upright_rules([(at, "") for at, _ in places], x, LOAD), *layers],
            }
        )
    sentences = [
        f"Lines are means over {MEAN_S:g} s, points single breaths."
        if rows.dense
        else "Lines join the rows as read.",
        *said,
    ]
    return chart(
        title=title,
        subtitle=sentences,
        description=" ".join(
            (f"{title}. {', '.join(quantity_of(key).label for key, *_ in shown)} against time.", *sentences)
        ),
        body={"vconcat": panels, "spacing": 7, "bounds": "full"},
    )


def _heading(key: str, timed: Sequence[Mapping[str, Any]]) -> str:
    quantity = quantity_of(key)
    words = f"{quantity.label}, {quantity.unit}"
    noted = key == "heart_rate_bpm" and any(one.get("heart_rate_bpm") is not None for one in timed)
    return f"{words}; diamonds: noted on the sheet" if noted else words


def _layers(
    rows: TestRows, key: str, values: Floats, timed: Sequence[Mapping[str, Any]]
) -> Callable[[Spec], list[Spec]]:
    if key in _LOADS:
        return load_steps(rows, values)
    noted = [
        (one["time_s"] / 60, float(one["heart_rate_bpm"]))
        for one in timed
        if key == "heart_rate_bpm" and one.get("heart_rate_bpm") is not None
    ]
    path = path_of(rows, values)
    seen = [value for _, value in (*path, *noted) if np.isfinite(value)]
    seen = seen or values[np.isfinite(values)].tolist()
    domain = room(seen, below=0.08, above=0.12)
    y = low_axis(domain, ",.1~f")

    def layers(x: Spec) -> list[Spec]:
        plain = {"stroke": {"value": UPTAKE}, "fill": {"value": UPTAKE}}
        answer = [cloud(points_of(rows, values, key, domain), x, y, plain, dense=rows.dense)]
        answer.append(line(path, x, y, UPTAKE, strokeWidth=1.8 if rows.dense else 1.1))
        if noted:
            answer.append(
                {
                    "data": {"values": [{"t": round(at, 4), "value": value} for at, value in noted]},
                    "mark": {"type": "point", "shape": "diamond", "size": 90, "color": PEAK, "filled": True},
                    "encoding": {"x": x, "y": y},
                }
            )
        return answer

    return layers


def _stages(worded: Sequence[tuple[float, str]], x: Spec, width: int) -> Spec:
    """The words of notes, but those that would lie on the one before."""
    low, high = x["scale"]["domain"]
    per_px = (high - low) / width
    kept: list[Spec] = []
    free = -np.inf
    for at, words in sorted(worded):
        half = (len(words) * _CHARACTER_PX + 8) / 2 * per_px
        if at - half >= free:
            kept.append({"t": round(at, 4), "words": words})
            free = at + half
    return {
        "data": {"values": kept},
        "mark": {"type": "text", "fontSize": 11, "color": LOAD},
        "encoding": {"x": x, "text": {"field": "words"}},
    }
