"""Invented tests for the charts: shapes of recordings, not check values."""

import math
import random

import pytest


def _uptake(load_w, ceiling):
    return min(350 + 10.2 * load_w, ceiling)


def step_test():
    """Fifteen-second means of a step test on the cycle: 3-min stages of 40 W, a ceiling at 3,400 mL/min."""
    rng = random.Random(4)
    rows = {
        key: []
        for key in (
            "seq",
            "end_s",
            "duration_s",
            "phase",
            "stage",
            "vo2_ml_min",
            "vco2_ml_min",
            "work_rate_w",
            "excluded",
        )
    }
    uptake = 330.0
    for i in range(120):
        end = 15.0 * (i + 1)
        if end <= 120:
            phase, stage, load = "rest", None, 0.0
        elif end <= 300:
            phase, stage, load = "warm_up", None, 50.0
        elif end <= 1560:
            stage = int((end - 301) // 180) + 1
            phase, load = "exercise", 60.0 + 40 * stage
        else:
            phase, stage, load = "recovery", None, 30.0
        target = _uptake(load, 3400) if phase != "rest" else 330
        uptake += (target - uptake) * (1 - math.exp(-15 / 38))
        ratio = 0.84 if phase != "exercise" else 0.82 + 0.33 * (uptake / 3400) ** 2.4
        if phase == "recovery":
            ratio = 1.28 - 0.0008 * (end - 1560)
        vo2 = uptake + rng.gauss(0, 45)
        values = (i + 1, end, 15.0, phase, stage, vo2, vo2 * ratio + rng.gauss(0, 25), load, None)
        for key, value in zip(rows, values, strict=True):
            rows[key].append(value)
    return rows


def breath_ramp():
    """About 1,500 breaths of a ramp of 20 W/min."""
    rng = random.Random(8)
    rows = {
        key: []
        for key in ("end_s", "duration_s", "phase", "vo2_ml_min", "vco2_ml_min", "work_rate_w", "excluded")
    }
    end, uptake = 0.0, 420.0
    while end < 1380:
        load = 0.0 if end < 60 else 30.0 if end < 240 else 30 + (end - 240) / 3 if end < 1140 else 20.0
        phase = "rest" if end < 60 else "warm_up" if end < 240 else "exercise" if end < 1140 else "recovery"
        demand = uptake / 3600
        duration = max(0.7, rng.gauss(3.4 - 2.4 * demand, 0.25))
        end += duration
        target = _uptake(load, 3550) if phase != "rest" else 380
        uptake += (target - uptake) * (1 - math.exp(-duration / 35))
        vo2 = uptake * rng.gauss(1, 0.075)
        ratio = 0.8 + 0.36 * (uptake / 3550) ** 2.2 if phase != "recovery" else 1.25
        values = (end, duration, phase, vo2, vo2 * ratio * rng.gauss(1, 0.03), round(load), None)
        for key, value in zip(rows, values, strict=True):
            rows[key].append(value)
    return rows


def analysis(peak=None, *, plateau="seen", effort="plateau", rule=None, fit=None):
    """An analysis object of the contract's shape, as far as a chart reads it."""
    return {
        "test_id": "t1",
        "peak": {
            "label": "VO2max", "convention": "time_weighted", "window_s": 30.0, "window_breaths": None,
            "effective_window_s": 30.0, "start_s": 1515.0, "end_s": 1545.0, "vo2_ml_min": 3412.0,
            "vo2_ml_kg_min": 43.7,
        } | (peak or {}),
        "plateau": {"verdict": plateau, "rules": [rule] if rule else [], "fit": fit},
        "effort": {"verdict": effort, "rule_set": "default", "criteria": [], "verification": None},
        "findings": [],
    }  # fmt: skip


def rule(**more):
    return {
        "rule": "half_expected_rise_step", "primary": True, "verdict": "seen", "observed": 31.0, "threshold": 204.0,
        "expected_rise": 408.0, "window_s": 60.0, "unit": "mL/min", "reason": None, "source": "niemeyer_2021",
    } | more  # fmt: skip


def mean_between(rows, start, end):
    inside = [
        (vo2, duration)
        for vo2, duration, at in zip(rows["vo2_ml_min"], rows["duration_s"], rows["end_s"], strict=True)
        if start < at <= end
    ]
    return sum(vo2 * duration for vo2, duration in inside) / sum(duration for _, duration in inside)


@pytest.fixture
def steps():
    rows = step_test()
    before, after = mean_between(rows, 1320, 1380), mean_between(rows, 1500, 1560)
    fit = {
        "basis": "load", "slope": 10.2, "points": [[480.0, 1370.0], [1200.0, 2980.0], [1560.0, 3810.0]],
        "earlier": [1320.0, 1380.0, before], "later": [1500.0, 1560.0, after],
    }  # fmt: skip
    found = analysis(
        {"vo2_ml_min": mean_between(rows, 1515, 1545)}, rule=rule(observed=after - before), fit=fit
    )
    return found, rows, {"exercise_start_s": 300.0, "exercise_end_s": 1560.0}


@pytest.fixture
def breaths():
    rows = breath_ramp()
    value = mean_between(rows, 1095, 1125)
    before, after = mean_between(rows, 1020, 1080), mean_between(rows, 1080, 1140)
    found = analysis(
        {"vo2_ml_min": value, "start_s": 1095.0, "end_s": 1125.0, "label": "VO2peak"},
        plateau="not_seen",
        effort="secondary_criteria",
        rule=rule(
            rule="half_expected_rise_ramp", verdict="not_seen", observed=after - before, expected_rise=204.0
        ),
    )
    return found, rows, {"exercise_start_s": 240.0, "exercise_end_s": 1140.0}


@pytest.fixture
def faulty():
    """The step test with a leak taken out by hand, an impossible row, no VCO2, no phases and no load."""
    rows = step_test()
    for i in range(60, 67):
        rows["vo2_ml_min"][i] *= 0.6
        rows["excluded"][i] = {"by": "tester", "reason": "mask slipped"}
    rows["vo2_ml_min"][80] = 31500.0
    rows["vo2_ml_min"][90] = None
    kept = {key: rows[key] for key in ("end_s", "duration_s", "vo2_ml_min", "excluded")}
    found = analysis(
        {"label": "VO2peak", "vo2_ml_min": mean_between(rows, 1515, 1545)},
        plateau="not_assessable",
        effort="undetermined",
        rule=rule(
            verdict="not_assessable", observed=None, expected_rise=None, reason="the load is not known"
        ),
    )
    return found, kept, {}


@pytest.fixture(scope="session")
def valid_vega_lite():
    """Checks a specification against the schema that altair brings, all of it and with no network."""
    import json
    from importlib.resources import files

    from jsonschema import Draft7Validator

    schema = json.loads(
        files("altair.vegalite.v6.schema").joinpath("vega-lite-schema.json").read_text(encoding="utf-8")
    )
    validator = Draft7Validator(schema)

    def check(spec):
        json.dumps(spec, allow_nan=False)
        validator.validate(spec)

    return check


@pytest.fixture
def no_network(monkeypatch):
    import socket

    def refuse(*args, **kwargs):
        raise AssertionError("a chart asked for the network")

    for name in ("socket", "create_connection", "getaddrinfo"):
        monkeypatch.setattr(socket, name, refuse)
