"""The table of speed judges as its goals say, and can be made."""

import json
import subprocess
import sys

import pytest

from tests.benchmarks.rows import in_turn, judged
from tests.benchmarks.table import table


@pytest.mark.parametrize(
    ("value", "floor", "goal", "ratio", "met"),
    [
        (600.0, 1000.0, {"at_least": 0.5, "rate": True}, 0.6, True),
        (400.0, 1000.0, {"at_least": 0.5, "rate": True}, 0.4, False),
        # A time that must reach a part of the floor's speed.
        (30.0, 12.0, {"at_least": 0.5}, 0.4, False),
        (20.0, 12.0, {"at_least": 0.5}, 0.6, True),
        (30.0, 12.0, {"at_most": 2.0}, 2.5, False),
        (30.0, 15.0, {"at_most": 2.0}, 2.0, True),
        (30.0, 15.0, {}, 2.0, None),
        (149.0, None, {"at_most": 150.0, "unit": " ms"}, None, True),
        (151.0, None, {"at_most": 150.0, "unit": " ms"}, None, False),
    ],
)
def test_a_goal_is_judged(value, floor, goal, ratio, met):
    row = judged("work", "size", value, floor="floor", floor_value=floor, **goal)
    assert row.ratio == (None if ratio is None else pytest.approx(ratio))
    assert row.met is met
    (line,) = list(table([row]))[2:]
    assert line.endswith({True: "| yes |", False: "| no |", None: "|  |"}[met])


def test_what_is_compared_is_asked_in_turn():
    asked = []

    def kind(name, values):
        each = iter(values)
        return lambda: (asked.append(name), next(each))[1]

    found = in_turn({"a": kind("a", [1, 9, 2]), "b": kind("b", [5, 6, 7])}, 3)
    assert asked == ["a", "b"] * 3
    assert found == {"a": 2, "b": 6}


@pytest.mark.proof
def test_the_table_can_be_made(tmp_path):
    out = tmp_path / "bench.json"
    command = [
        sys.executable,
        "-W",
        "ignore",
        "-m",
        "tests.benchmarks.table",
        "--quick",
        "--sizes",
        "100",
        "200",
    ]
    told = subprocess.run(
        [*command, "--only", "serving", "bulk", "analyses", "--out", str(out)],
        capture_output=True,
        text=True,
        check=True,
    )
    rows = json.loads(out.read_text(encoding="utf-8"))
    assert len(rows) == told.stdout.count("\n| ") - 1
    for row in rows:
        assert list(row) == ["work", "size", "floor", "value", "floor_value", "ratio", "goal", "met"]
        assert row["value"] > 0
        assert (row["floor_value"] is None) == (row["ratio"] is None)
        assert bool(row["goal"]) == (row["met"] is not None)
