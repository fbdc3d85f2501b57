"""How near the thresholds come, by simulation: ``python -m tests.analysis.threshold_accuracy`` prints the table.

The tests are simulated (`tests.analysis.threshold_tests`), never measured, so the thresholds of each are known.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from service.analysis.breath_care import with_breaths_left_out
from service.analysis.marks import find_marks
from service.analysis.peaks import find_peak
from service.analysis.series import ThresholdName
from service.analysis.thresholds import find_thresholds
from tests.analysis.threshold_tests import (
    FITNESS,
    Athlete,
    Kind,
    louder,
    random_athlete,
    simulate,
    without_break,
)

SEED = 30_000
TESTS = 300
LEVELS = tuple(FITNESS)
ESTIMATES: tuple[tuple[ThresholdName, str], ...] = (
    ("vt1", "v_slope"),
    ("vt1", "ventilatory_equivalents"),
    ("vt1", "excess_co2"),
    ("vt1", "consensus"),
    ("vt2", "ve_vco2"),
    ("vt2", "ve_vco2_equivalent"),
    ("vt2", "consensus"),
)
HEADER = (
    "| tests | threshold | method | given | within 5 % | median error % | bias % | true value in interval |"
)
NULL_HEADER = (
    "| tests without any break | "
    + " | ".join(f"{name.upper()} {method}" for name, method in ESTIMATES)
    + " |"
)


@dataclass
class Accuracy:
    """Errors of one method over many tests, per cent of the true uptake."""

    tests: int = 0
    errors: list[float] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)

    @property
    def given(self) -> float:
        """Tests in which the method gave a value, per cent."""
        return 100.0 * len(self.errors) / self.tests

    @property
    def within_5(self) -> float:
        """Tests in which it gave a value within 5 % of the true one, per cent of all tests."""
        return 100.0 * sum(abs(one) <= 5.0 for one in self.errors) / self.tests

    @property
    def median_error(self) -> float:
        """Median of the absolute errors."""
        return float(np.median(np.abs(self.errors))) if self.errors else float("nan")

    @property
    def bias(self) -> float:
        """Median of the errors with their signs."""
        return float(np.median(self.errors)) if self.errors else float("nan")

    @property
    def coverage(self) -> float:
        """Values whose interval holds the true one, per cent of those given."""
        return 100.0 * float(np.mean(self.covered)) if self.covered else float("nan")


@dataclass(frozen=True)
class Setting:
    """One kind of test."""

    name: str
    kind: Kind = "ramp"
    rows: str | float = "breaths"
    stage_s: float = 60.0
    levels: tuple[str, ...] = LEVELS
    change: Callable[[Athlete], Athlete] | None = None


def _muscle(athlete: Athlete) -> Athlete:
    return replace(athlete, excess_delay_s=15.0)


def _noisy(athlete: Athlete) -> Athlete:
    return louder(athlete, 1.5)


RAMPS = Setting("ramp, breaths")
SETTINGS = (
    RAMPS,
    Setting("ramp, breaths, low fitness", levels=("low",)),
    Setting("ramp, breaths, middle fitness", levels=("middle",)),
    Setting("ramp, breaths, high fitness", levels=("high",)),
    Setting("ramp, 15-s means", rows=15.0),
    Setting("1-min steps, breaths", kind="step"),
    Setting("1-min steps, 15-s means", kind="step", rows=15.0),
    Setting("3-min steps, breaths", kind="step", stage_s=180.0),
    Setting("ramp, breaths, noise 1.5 times as large", change=_noisy),
    Setting("ramp, breaths, extra CO2 15 s late", change=_muscle),
)
NULLS = (
    Setting("ramp, breaths", change=without_break),
    Setting("ramp, 15-s means", rows=15.0, change=without_break),
    Setting("1-min steps, breaths", kind="step", change=without_break),
)


def accuracy(
    setting: Setting, tests: int = TESTS, seed: int = SEED
) -> dict[tuple[ThresholdName, str], Accuracy]:
    """Errors of every method in `tests` simulated tests; in tests without a break, how often a value is given."""
    answer = {key: Accuracy() for key in ESTIMATES}
    for number in range(tests):
        random = np.random.default_rng(seed + number)
        athlete = random_athlete(random, setting.levels[number % len(setting.levels)])
        if setting.change is not None:
            athlete = setting.change(athlete)
        known = simulate(
            athlete, seed + number, kind=setting.kind, rows=setting.rows, stage_s=setting.stage_s
        )
        marks = find_marks(known.test)
        test, _ = with_breaths_left_out(known.test, marks)
        found = find_thresholds(test, marks, find_peak(test, marks))
        for name, method in ESTIMATES:
            one = found.of(name, method)  # type: ignore[arg-type]
            true = known.vt1_ml_min if name == "vt1" else known.vt2_ml_min
            place = answer[name, method]
            place.tests += 1
            if one is None or one.vo2_ml_min is None:
                continue
            place.errors.append(float("nan") if true is None else 100.0 * (one.vo2_ml_min / true - 1.0))
            if true is not None and one.ci_low_ml_min is not None and one.ci_high_ml_min is not None:
                place.covered.append(one.ci_low_ml_min <= true <= one.ci_high_ml_min)
    return answer


def response_errors(tests: int = TESTS, seed: int = SEED) -> tuple[float, float, float]:
    """Mean response time on ramps, breath by breath.

    Share of tests in which it was estimated, per cent; median and SD of the errors of the time used in all, seconds.
    """
    errors, estimated = [], 0
    for number in range(tests):
        athlete = random_athlete(np.random.default_rng(seed + number), LEVELS[number % len(LEVELS)])
        known = simulate(athlete, seed + number)
        marks = find_marks(known.test)
        test, _ = with_breaths_left_out(known.test, marks)
        found = find_thresholds(test, marks, find_peak(test, marks))
        estimated += found.mean_response_basis == "estimated"
        if found.mean_response_s is not None:
            errors.append(found.mean_response_s - known.mean_response_s)
    return 100.0 * estimated / tests, float(np.median(errors)), float(np.std(errors))


def table_rows(setting: Setting, tests: int = TESTS, seed: int = SEED) -> list[str]:
    """Rows of the table for one kind of test."""
    return [
        f"| {setting.name} | {name.upper()} | {method} | {one.given:.1f} | {one.within_5:.1f} | "
        f"{_cell(one.median_error, '.1f')} | {_cell(one.bias, '+.1f')} | {_cell(one.coverage, '.0f')} |"
        for (name, method), one in accuracy(setting, tests, seed).items()
    ]


def _cell(value: float, form: str) -> str:
    return "-" if np.isnan(value) else format(value, form)


def table(tests: int = TESTS, seed: int = SEED) -> str:
    """The whole table as markdown."""
    body = [row for setting in SETTINGS for row in table_rows(setting, tests, seed)]
    return "\n".join([HEADER, "|---|---|---|" + "---:|" * 5, *body])


def null_row(setting: Setting, tests: int = TESTS, seed: int = SEED) -> str:
    """How often each method claims a threshold in tests without a break, per cent."""
    shares = [f"{one.given:.1f}" for one in accuracy(setting, tests, seed).values()]
    return f"| {setting.name} | {' | '.join(shares)} |"


def null_table(tests: int = TESTS, seed: int = SEED) -> str:
    """The table of false claims as markdown."""
    body = [null_row(setting, tests, seed) for setting in NULLS]
    return "\n".join([NULL_HEADER, "|---|" + "---:|" * len(ESTIMATES), *body])


def read_tables(page: str) -> dict[str, dict[tuple[str, ...], list[float]]]:
    """Both tables of a printed page: cells by the words of their row."""
    answer: dict[str, dict[tuple[str, ...], list[float]]] = {}
    for header, words in ((HEADER, 3), (NULL_HEADER, 1)):
        rows: dict[tuple[str, ...], list[float]] = {}
        for line in page[page.index(header) :].splitlines()[2:]:
            if not line.startswith("|"):
                break
            cells = [cell.strip() for cell in line.strip("|").split("|")]
            rows[tuple(cells[:words])] = [np.nan if cell == "-" else float(cell) for cell in cells[words:]]
        answer[header] = rows
    return answer


if __name__ == "__main__":
    given, error, spread = response_errors()
    response = (
        f"Mean response time estimated: {given:.1f} % of tests; error {error:+.1f} s, SD {spread:.1f} s."
    )
    print(table(), null_table(), response, sep="\n\n")  # noqa: T201 what this module is for
