"""From measurements of a control to charts, and to a warning on the tests that a shift may touch."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from service.analysis.control import RULES, ControlChart, ControlPoint, Shift, control_chart
from service.analysis.gas import (
    ANALYSER_LIMIT_FRACTION,
    VOLUME_LIMIT_PERCENT,
    CalibrationCheck,
    read_calibration,
)
from service.controls import queries
from service.controls.schemas import BaselineIn, ControlChartOut
from service.findings import Finding, finding
from service.quantities import QUANTITIES


@dataclass(frozen=True, slots=True)
class Baseline:
    """From which measurements the limits are taken; None takes what is stored for the device, else the first ten."""

    count: int | None = None
    from_date: dt.date | None = None
    to_date: dt.date | None = None

    @property
    def is_stated(self) -> bool:
        return (self.count, self.from_date, self.to_date) != (None, None, None)


@dataclass(frozen=True, slots=True)
class Charted:
    """A chart with what it is about.

    Attributes
    ----------
    about : mapping
        Fields of `ControlChartOut` that name the series.
    chart : ControlChart
    events : tuple of date
    """

    about: Mapping[str, Any]
    chart: ControlChart
    events: tuple[dt.date, ...]

    def warns_of(self, shift: Shift, day: dt.date) -> bool:
        """Whether a test of this day is warned of a shift.

        Calibrations come with every test, so that signals by chance are many: their shifts are told only where the last
        three readings since the signal lie, on average, more than half of the accepted error from what was expected
        (project's choice).
        """
        if not shift.covers(day):
            return False
        if self.about["kind"] == "biological":
            return True
        since = [one.value for one in self.chart.points if shift.signal_on <= one.on <= day][-3:]
        accepted = VOLUME_LIMIT_PERCENT if self.about["sensor"] == "volume" else 100 * ANALYSER_LIMIT_FRACTION
        return abs(sum(since) / len(since)) > accepted / 2

    @property
    def key(self) -> str:
        names = ("kind", "device", "subject_id", "mode", "work_rate_w", "speed_km_h", "grade_percent")
        more = ("quantity", "sensor", "when", "expected")
        values = [self.about[name] for name in (*names, *more)]
        return "/".join(
            f"{value:g}" if isinstance(value, float) else str(value) for value in values if value is not None
        )

    def out(self) -> ControlChartOut:
        """As it goes over the wire."""
        return ControlChartOut.model_validate(
            {
                **self.about,
                **self.chart.as_dict(),
                "key": self.key,
                "events": [day.isoformat() for day in self.events],
            }
        )


def _chart(
    about: Mapping[str, Any],
    points: Sequence[ControlPoint],
    baseline: Baseline,
    stored: Mapping[str, BaselineIn],
    events: Mapping[str, Sequence[dt.date]],
) -> Charted:
    device = about["device"]
    if not baseline.is_stated and (own := stored.get(device)) is not None:
        baseline = Baseline(None, own.from_date, own.to_date)
    days = tuple(events.get(device, ()))
    count = {} if baseline.count is None else {"baseline_count": baseline.count}
    chart = control_chart(
        points,
        baseline_from=baseline.from_date,
        baseline_to=baseline.to_date,
        events=days,
        biological=about["kind"] == "biological",
        **count,
    )
    return Charted(about, chart, days)


_NOTHING: Mapping[str, Any] = dict.fromkeys(
    (
        "subject_id",
        "mode",
        "work_rate_w",
        "speed_km_h",
        "grade_percent",
        "quantity",
        "sensor",
        "when",
        "expected",
    )
)


def biological_charts(
    session: Session, given: Mapping[str, Any], baseline: Baseline | None = None
) -> list[Charted]:
    """A chart for each device, person, mode, load and quantity that match.

    Parameters
    ----------
    given : mapping
        Columns with the values they have to have; None is any.
    """
    series: dict[tuple[Any, ...], list[ControlPoint]] = {}
    names = ("device", "subject_id", "mode", "work_rate_w", "speed_km_h", "grade_percent", "quantity")
    for row, subject_id in queries.in_time(session, given):
        key = tuple(subject_id if name == "subject_id" else getattr(row, name) for name in names)
        series.setdefault(key, []).append(
            ControlPoint(row.public_id, queries.instant_of(row).date(), row.value)
        )
    stored, events = queries.baselines(session), queries.events_of_devices(session)
    charts = []
    for key, points in series.items():
        named = dict(zip(names, key, strict=True))
        quantity = QUANTITIES[named["quantity"]]
        load = _load(named)
        about = {
            **_NOTHING,
            **named,
            "kind": "biological",
            "label": quantity.label,
            "unit": quantity.unit,
            "decimals": quantity.decimals,
            "title": f"{quantity.label} of a known person, {named['mode']}{load}: {named['device']}",
        }
        charts.append(_chart(about, points, baseline or Baseline(), stored, events))
    return sorted(charts, key=lambda one: one.key)


def _load(named: Mapping[str, Any]) -> str:
    told = [
        f"{named[name]:g} {unit}"
        for name, unit in (("work_rate_w", "W"), ("speed_km_h", "km/h"), ("grade_percent", "% grade"))
        if named[name] is not None
    ]
    return f" at {', '.join(told)}" if told else ""


def calibration_charts(
    session: Session,
    *,
    device: str | None = None,
    kind: str | None = None,
    baseline: Baseline | None = None,
) -> list[Charted]:
    """A chart for each device, sensor, moment and about-equal known value: measured less expected.

    Gas in percentage points, about the whole per cent of the known gas; volume in per cent of it, about the tenth of a
    litre. Readings that cannot be understood are left to the finding on their test.
    """
    series: dict[tuple[Any, ...], list[ControlPoint]] = {}
    for row in queries.calibrations(session, device=device, kind=kind):
        check = read_calibration(
            {
                "when": row.when,
                "kind": row.kind,
                "expected": row.expected,
                "measured": row.measured,
                "unit": row.unit,
            }
        )
        if row.device is None or not isinstance(check, CalibrationCheck):
            continue
        volume = check.sensor == "volume"
        about = round(check.expected, 1) if volume else float(round(100 * check.expected))
        value = 100 * check.off / check.expected if volume else 100 * check.off
        series.setdefault((row.device, check.sensor, check.when, about), []).append(
            ControlPoint(f"{row.test_id}.{row.seq}", row.on, value)
        )
    stored, events = queries.baselines(session), queries.events_of_devices(session)
    charts = []
    for (own, sensor, when, expected), points in series.items():
        volume = sensor == "volume"
        known = f"{expected:g} L" if volume else f"about {expected:g} % {sensor}"
        about_it = {
            **_NOTHING,
            "kind": "calibration",
            "device": own,
            "sensor": sensor,
            "when": when,
            "expected": expected,
            "label": "Measured less expected",
            "unit": "%" if volume else "percentage points",
            "decimals": 2,
            "title": f"Calibration check {when} the test, {known}: {own}",
        }
        charts.append(_chart(about_it, points, baseline or Baseline(), stored, events))
    return sorted(charts, key=lambda one: one.key)


# --- warnings --------------------------------------------------------------------------------------------------


_KEPT: dict[tuple[str, str, tuple[int, ...]], tuple[Charted, ...]] = {}
#: States of devices that are kept in memory.
_MOST_KEPT = 32


@dataclass(frozen=True, slots=True)
class TestedOn:
    """A test as far as devices go.

    Attributes
    ----------
    devices : frozenset of str
        Its analyser and ergometer.
    day : date
    """

    devices: frozenset[str]
    day: dt.date


def tested_on(analyser: str | None, ergometer: str | None, day: dt.date) -> TestedOn:
    """A test as far as devices go."""
    return TestedOn(frozenset(one for one in (analyser, ergometer) if one is not None), day)


def all_charts(session: Session) -> list[Charted]:
    """The charts of every device, as they are now."""
    return [one for device in queries.devices(session) for one in _charts_of(session, device)]


def _charts_of(session: Session, device: str) -> tuple[Charted, ...]:
    """All charts of a device as they are now.

    They are kept in memory under the state that they were made in, so none can be out of date: a large laboratory reads
    tens of thousands of calibrations for them.
    """
    key = (str(session.get_bind()), device, queries.state(session))
    found = _KEPT.get(key)
    if found is None:
        found = (
            *biological_charts(session, {"device": device}),
            *calibration_charts(session, device=device),
        )
        if len(_KEPT) >= _MOST_KEPT:
            _KEPT.clear()
        _KEPT[key] = found
    return found


def shift_warnings(session: Session, tests: Sequence[TestedOn]) -> list[tuple[Finding, ...]]:
    """For each test, a warning for each chart of its devices that showed a shift that day.

    It rests on data outside the subject, so it is told on reading and never stored with an analysis.
    """
    devices = {device for test in tests for device in test.devices}
    if not devices:
        return [() for _ in tests]
    charts = {device: _charts_of(session, device) for device in sorted(devices)}
    return [
        tuple(
            _warning(one, shift)
            for device in sorted(test.devices)
            for one in charts[device]
            for shift in one.chart.shifts
            if one.warns_of(shift, test.day)
        )
        for test in tests
    ]


def _warning(one: Charted, shift: Shift) -> Finding:
    words = "; ".join(RULES[rule][3] for rule in shift.rules)
    before = (
        ""
        if shift.last_in_control_on is None
        else f" The last measurement in control was on {shift.last_in_control_on.isoformat()}."
    )
    return finding(
        "device_shift",
        f"The control chart '{one.about['title']}' shows a shift {shift.direction} its mean, signalled on "
        f"{shift.signal_on.isoformat()} ({words}); this test came after it.{before}",
    )
