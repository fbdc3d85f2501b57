"""How often the plateau rule is right, by simulation: ``python -m tests.analysis.plateau_rates`` prints the table.

The tests are simulated (`tests.analysis.simulated_tests`), never measured, so it is known of each whether uptake had
reached a ceiling and for how long the load had demanded it.
"""

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np

from service.analysis.loads import find_loads
from service.analysis.marks import find_marks
from service.analysis.plateau import assess_plateau
from tests.analysis.simulated_tests import (
    RAMP_15,
    RAMP_25,
    RUN_RAMP,
    RUN_STEP,
    STEP_20,
    STEP_25,
    Protocol,
    random_body,
    simulate,
)

SEED = 20_000
TESTS = 200
DEMANDED_S = (0.0, 60.0, 90.0, 150.0, 240.0)
PROTOCOLS = (RAMP_15, RAMP_25, STEP_20, STEP_25, RUN_RAMP, RUN_STEP)
ROWS = ("breaths", 15.0)
HEADER = (
    "| test | intervals | seen, no ceiling (false) | seen, 60 s | seen, 90 s | seen, 150 s | seen, 240 s | "
    "not assessable |"
)
RESPONSES_S = (20.0, 30.0, 40.0, 50.0)
RESPONSE_HEADER = (
    "| mean response time | 15 W/min, 90 s | 15 W/min, 150 s | 25 W/min, 90 s | 25 W/min, 150 s |"
)


@dataclass(frozen=True)
class Rates:
    """Shares of the verdicts of simulated tests, 0 to 1."""

    seen: float
    not_assessable: float
    tests: int


def plateau_rates(
    protocol: Protocol,
    rows: str | float,
    demanded_s: float,
    tests: int = TESTS,
    seed: int = SEED,
    mean_response_s: float | None = None,
) -> Rates:
    """Verdicts of `tests` simulated tests in which the load had demanded the ceiling for `demanded_s` seconds.

    0 is a test with no ceiling, stopped at any moment. In a test of steps the ceiling lies anywhere between the demands of
    two stages, and the demand passes it when the second of them begins. `mean_response_s` gives everybody the same mean
    response time.
    """
    verdicts = Counter(
        _verdict(protocol, rows, demanded_s, seed + number, mean_response_s) for number in range(tests)
    )
    return Rates(verdicts["seen"] / tests, verdicts["not_assessable"] / tests, tests)


def _verdict(
    protocol: Protocol, rows: str | float, demanded_s: float, seed: int, mean_response_s: float | None
) -> str:
    random = np.random.default_rng(seed)
    exercise_s = float(random.uniform(480.0, 780.0))
    if protocol.stage_s is not None and demanded_s > 0:
        reached = max(4, round(exercise_s / protocol.stage_s)) * protocol.stage_s
        exercise_s = reached + demanded_s
    body = None
    if mean_response_s is not None:
        body = replace(
            random_body(random), delay_s=0.3 * mean_response_s, time_constant_s=0.7 * mean_response_s
        )
    test = simulate(
        protocol,
        seed,
        rows=rows,
        exercise_s=exercise_s,
        ceiling_demanded_s=demanded_s,
        ceiling_part=float(random.uniform(0.0, 1.0)),
        body=body,
    )
    marks = find_marks(test)
    return assess_plateau(test, marks, find_loads(test, marks)).verdict


def table_row(protocol: Protocol, rows: str | float, tests: int = TESTS, seed: int = SEED) -> str:
    """One row of the table, in per cent."""
    found = [plateau_rates(protocol, rows, demanded_s, tests, seed) for demanded_s in DEMANDED_S]
    intervals = rows if isinstance(rows, str) else f"{rows:.0f} s"
    unassessed = np.mean([one.not_assessable for one in found])
    cells = [protocol.name, intervals, *(f"{100 * one.seen:.1f}" for one in found), f"{100 * unassessed:.1f}"]
    return f"| {' | '.join(cells)} |"


def table(tests: int = TESTS, seed: int = SEED) -> str:
    """The whole table as markdown."""
    body = [table_row(protocol, rows, tests, seed) for protocol in PROTOCOLS for rows in ROWS]
    rule = "|---|---|" + "---:|" * (len(DEMANDED_S) + 1)
    return "\n".join([HEADER, rule, *body])


def response_table(tests: int = TESTS, seed: int = SEED) -> str:
    """Tests seen by mean response time, ramps breath by breath, as markdown."""
    lines = [RESPONSE_HEADER, "|---:|" + "---:|" * 4]
    for mean_response_s in RESPONSES_S:
        shares = [
            100 * plateau_rates(protocol, "breaths", demanded_s, tests, seed, mean_response_s).seen
            for protocol in (RAMP_15, RAMP_25)
            for demanded_s in (90.0, 150.0)
        ]
        lines.append(f"| {mean_response_s:.0f} s | {' | '.join(f'{share:.1f}' for share in shares)} |")
    return "\n".join(lines)


def read_table(page: str) -> dict[tuple[str, str], list[float]]:
    """The rows of a printed table: per cent by protocol and intervals."""
    answer = {}
    for line in page[page.index(HEADER) :].splitlines()[2:]:
        if not line.startswith("|"):
            break
        name, intervals, *cells = (cell.strip() for cell in line.strip("|").split("|"))
        answer[name, intervals] = [float(cell) for cell in cells]
    return answer


if __name__ == "__main__":
    print(table(), response_table(), sep="\n\n")  # noqa: T201 what this module is for
