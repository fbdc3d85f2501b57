"""The load of a test: how hard the work was at each moment, and how it rose.

On an ergometer the load is the work rate. On a treadmill it is the oxygen cost of speed and grade by the ACSM
equations, which are two: one for walking, one for running. Their costs are not comparable at the speeds between, so a
load is known only where the speed tells the gait.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from service.analysis.marks import Marks, counted_values, exercise_load
from service.analysis.moments import median
from service.analysis.series import (
    PHASES,
    Bools,
    Floats,
    Mode,
    Series,
    Shape,
    StageNote,
    TestInput,
    known_of_series,
)
from service.findings import Finding, finding
from service.methods.metabolic_equations import acsm_running, acsm_walking

LoadUnit = Literal["W", "mL/kg/min"]
Gait = Literal["walking", "running"]
ShapeBasis = Literal["given", "inferred"]

#: Modes whose load is the work rate of an ergometer.
ERGOMETERS: frozenset[Mode] = frozenset({"cycle", "arm", "row", "ski", "step"})

#: Order in `Loads.side`; -1 is a load on neither side.
NO_GAIT, WALKING, RUNNING, UNKNOWN_SIDE = 0, 1, 2, -1
_SIDE_NAMES: dict[int, Gait] = {WALKING: "walking", RUNNING: "running"}

#: Ranges of the ACSM equations (acsm_2021): walking up to 100 m/min, running from 134 m/min; between them the speed
#: does not tell which of the two it was.
FASTEST_WALK_KM_H = 6.0
SLOWEST_RUN_KM_H = 8.04

#: A stage lasts at least this long; a load that changes more often is a ramp.
SHORTEST_STAGE_S = 60.0
#: An unfinished stage counts from this much of it.
UNFINISHED_STAGE_S = 120.0
UNFINISHED_STAGE_PART = 0.75

#: Loads nearer to each other than these are one load: resolution and jitter of ergometers (project default).
SAME_LOAD: Mapping[str, float] = {"work_rate_w": 2.0, "speed_km_h": 0.06, "grade_percent": 0.15}
_WARM_UP = PHASES.index("warm_up")
_SLACK_S = 1e-6


@dataclass(frozen=True, slots=True)
class Stage:
    """A time of constant load.

    Attributes
    ----------
    number : int
        1 for the first load of exercise.
    recorded_stage : int or None
        Stage number of the file, where its rows have one.
    start_s, end_s : float
        On the clock of the series.
    load : float or None
        In the unit of the loads; None where it is not known.
    planned_s : float or None
        Usual length of the stages of this test, seconds; None where there is only one.
    completed : bool
        Whether it lasted as long as planned.
    counts : bool
        Completed, or at least 2 minutes or three quarters of it were done.
    side : int
        `NO_GAIT`, `WALKING`, `RUNNING` or `UNKNOWN_SIDE`.
    work_rate_w, speed_km_h, grade_percent : float or None
        The load as it was set.
    """

    number: int
    recorded_stage: int | None
    start_s: float
    end_s: float
    load: float | None
    planned_s: float | None
    completed: bool
    counts: bool
    side: int
    work_rate_w: float | None
    speed_km_h: float | None
    grade_percent: float | None

    @property
    def length_s(self) -> float:
        """How long the load was held, seconds."""
        return self.end_s - self.start_s

    @property
    def gait(self) -> Gait | None:
        """The gait its speed tells; None off the treadmill and between the two."""
        return _SIDE_NAMES.get(self.side)


@dataclass(frozen=True, slots=True)
class InferredShape:
    """How the load of a test rose.

    Attributes
    ----------
    shape : str or None
        None where nothing says it.
    basis : {"given", "inferred"} or None
    findings : tuple of Finding
        That it was inferred, and from what.
    """

    shape: Shape | None
    basis: ShapeBasis | None
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Loads:
    """The load of every interval.

    Attributes
    ----------
    unit : {"W", "mL/kg/min"}
        W on an ergometer; on a treadmill the estimated oxygen cost.
    per_row : ndarray of float, shape (n,)
        NaN where the load is not known, and after exercise.
    side : ndarray of int8, shape (n,)
        Gait of each row: `NO_GAIT` off the treadmill, `WALKING`, `RUNNING`, or `UNKNOWN_SIDE`.
    stages : tuple of Stage
        Of a test in steps, and the one stage of a constant load; empty for a ramp.
    warm_up : ndarray of bool, shape (n,)
        Rows of the warm-up before exercise whose load is known.
    shape : str or None
        Given or inferred.
    shape_basis : {"given", "inferred"} or None
    reason : str or None
        Why there is no load at all.
    findings : tuple of Finding
    """

    unit: LoadUnit
    per_row: Floats
    side: NDArray[np.int8]
    stages: tuple[Stage, ...]
    warm_up: Bools
    shape: Shape | None
    shape_basis: ShapeBasis | None
    reason: str | None = None
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class _Run:
    """Rows `first` to `last` at one load, from `start_s`."""

    first: int
    last: int
    start_s: float
    end_s: float
    load: tuple[float, ...]

    @property
    def rows(self) -> int:
        return self.last - self.first + 1

    @property
    def length_s(self) -> float:
        return self.end_s - self.start_s


def infer_shape(test: TestInput, marks: Marks) -> InferredShape:
    """Tell step, ramp or constant from how long each load of exercise was held.

    A shape that was given wins. Held for at least 60 s at a time is step, changing more often ramp, never changing
    constant; the first and the last load, which may be a warm-up and a broken-off stage, are left out where others
    remain. Without work rates (or speed and grade) nothing is inferred.

    Parameters
    ----------
    test : TestInput
    marks : Marks

    Returns
    -------
    InferredShape
    """
    if test.shape is not None:
        return InferredShape(test.shape, "given")
    series, _ = _with_noted_loads(test.series, test.mode, test.notes)
    return _shape_of(_runs(series, marks, _load_keys(test.mode)))


def find_loads(test: TestInput, marks: Marks) -> Loads:
    """Find the load of every interval, and the stages.

    Parameters
    ----------
    test : TestInput
    marks : Marks

    Returns
    -------
    Loads
        All NaN with a reason where the load cannot be had: no work rates, no speed, handrail held.

    Notes
    -----
    Work rates missing from the whole series are taken from the stage notes by stage number. A row cut by the end of
    exercise has the load of the last full row. ACSM walking and running equations (acsm_2021).
    """
    return _loads(test.series, marks, test.mode, test.shape, test.notes, test.handrail_support)


@known_of_series
def _loads(
    recorded: Series,
    marks: Marks,
    mode: Mode,
    stated_shape: Shape | None,
    notes: tuple[StageNote, ...],
    handrail_support: bool | None,
) -> Loads:
    series, findings = _with_noted_loads(recorded, mode, notes)
    keys = _load_keys(mode)
    # A stated ramp has no stages to be found.
    runs = _runs(series, marks, keys) if stated_shape in {None, "step", "constant"} else []
    found = InferredShape(stated_shape, "given") if stated_shape is not None else _shape_of(runs)
    findings += found.findings
    unit: LoadUnit = "W" if mode in ERGOMETERS else "mL/kg/min"
    per_row, side, reason = _load_of_rows(series, marks, mode, handrail_support=handrail_support)
    if unit == "mL/kg/min" and reason is None and not series.has("grade_percent"):
        findings.append(
            finding(
                "grade_taken_as_level", "The file has no grade; the treadmill was taken as level throughout."
            )
        )
    stages: tuple[Stage, ...] = ()
    if found.shape in {"step", "constant"}:
        stages = _stages(series, runs, keys, per_row, side)
    return Loads(
        unit,
        per_row,
        side,
        stages,
        _warm_up_rows(series, marks, per_row, reason),
        found.shape,
        found.basis,
        reason,
        tuple(findings),
    )


def _load_keys(mode: Mode) -> tuple[str, ...]:
    return ("work_rate_w",) if mode in ERGOMETERS else ("speed_km_h", "grade_percent")


def _with_noted_loads(series: Series, mode: Mode, notes: Sequence[StageNote]) -> tuple[Series, list[Finding]]:
    """The series with a load channel filled from the stage notes, where it has none and its rows have stages.

    A row taken out for its gas values still tells the load, so exclusions are lifted.
    """
    if series.excluded.any():
        series = replace(series, excluded=np.zeros(len(series), dtype=np.bool_))
    findings: list[Finding] = []
    filled: dict[str, Floats] = {}
    for key in _load_keys(mode):
        if series.has(key):
            continue
        values = np.full(len(series), np.nan)
        for note in notes:
            load = getattr(note, key)
            if load is not None and note.stage is not None:
                values[_rows_of_note(series, note)] = load
        if np.isfinite(values).any():
            filled[key] = values
            findings.append(
                finding(
                    "load_from_stage_notes", f"The series has no {key}; it was taken from the stage notes."
                )
            )
    return (replace(series, channels={**series.channels, **filled}) if filled else series), findings


def _rows_of_note(series: Series, note: StageNote) -> Bools:
    rows: Bools = series.stage == note.stage
    if note.phase is not None and (series.phase >= 0).any():
        rows &= series.phase == PHASES.index(note.phase)
    return rows


def _load_of_rows(
    series: Series, marks: Marks, mode: Mode, *, handrail_support: bool | None
) -> tuple[Floats, NDArray[np.int8], str | None]:
    """Load and side of every row, and why there is none."""
    n = len(series)
    if mode in ERGOMETERS:
        side = np.full(n, NO_GAIT, dtype=np.int8)
        load = _until_end(series, marks, "work_rate_w")
        reason = None if np.isfinite(load).any() else "the test has no work rates"
        return load, side, reason
    nowhere = np.full(n, np.nan), np.full(n, UNKNOWN_SIDE, dtype=np.int8)
    if handrail_support:
        return *nowhere, "the handrail was held, so speed and grade do not tell the oxygen cost"
    speed = _until_end(series, marks, "speed_km_h")
    if not np.isfinite(speed).any():
        return *nowhere, "the test has no speed"
    grade = (
        _until_end(series, marks, "grade_percent")
        if series.has("grade_percent")
        else np.where(np.isfinite(speed), 0.0, np.nan)
    )
    side = _side_of_speed(speed, mode)
    load = np.full(n, np.nan)
    for gait, cost in ((WALKING, acsm_walking), (RUNNING, acsm_running)):
        rows = (side == gait) & np.isfinite(grade)
        load[rows] = cost(speed[rows], grade[rows])
    reason = None
    if not np.isfinite(load).any():
        reason = (
            f"all speeds lie between {FASTEST_WALK_KM_H:g} and {SLOWEST_RUN_KM_H:g} km/h, "
            "where speed does not tell walking from running"
        )
    return load, side, reason


def _side_of_speed(speed: Floats, mode: Mode) -> NDArray[np.int8]:
    side = np.full(speed.shape, UNKNOWN_SIDE, dtype=np.int8)
    moving = speed > 0
    if mode in {"walk", "run"}:
        side[moving] = WALKING if mode == "walk" else RUNNING
        return side
    side[moving & (speed <= FASTEST_WALK_KM_H + 1e-9)] = WALKING
    side[moving & (speed >= SLOWEST_RUN_KM_H - 1e-9)] = RUNNING
    return side


def _until_end(series: Series, marks: Marks, key: str) -> Floats:
    """A load channel before and during exercise; what belongs to recovery is left out."""
    values = counted_values(series, key)
    before = series.end_s <= marks.exercise_start_s + _SLACK_S
    return np.where(before, values, exercise_load(series, marks, key))


def _warm_up_rows(series: Series, marks: Marks, per_row: Floats, reason: str | None) -> Bools:
    if reason is not None:
        return np.zeros(len(series), dtype=np.bool_)
    before = (series.end_s <= marks.exercise_start_s + _SLACK_S) & np.isfinite(per_row)
    # Without phases only a load above zero tells warming up from sitting still.
    stated = (series.phase >= 0).any()
    rows: Bools = before & ((series.phase == _WARM_UP) if stated else (per_row > 0))
    return rows


def _runs(series: Series, marks: Marks, keys: Sequence[str]) -> list[_Run]:
    """Times of one load in exercise, in order."""
    if not series.has(keys[0]):
        return []
    named = [key for key in keys if series.has(key)]
    columns = [exercise_load(series, marks, key) for key in named]
    known = np.logical_and.reduce([np.isfinite(column) for column in columns])
    worked = known & (columns[0] > 0)
    if keys[0] == "speed_km_h":
        known = worked  # a belt at rest is a pause
    elif worked.any():
        # Pedalling unloaded may be the first stage; no load later on is a pause.
        known[int(np.argmax(worked)) :] &= columns[0][int(np.argmax(worked)) :] > 0
    # Row by row, numbers of Python are quicker than arrays of one or two.
    loads = list(zip(*(column.tolist() for column in columns), strict=True))
    rows: list[int] = np.flatnonzero(known).tolist()
    groups = _without_mixed_rows(_alike(loads, rows, [SAME_LOAD[key] for key in named]), loads)
    end = np.minimum(series.end_s, marks.exercise_end_s)
    start = np.maximum(series.start_s, marks.exercise_start_s)
    return [
        _Run(
            group[0],
            group[-1],
            float(start[group[0]]),
            float(end[group[-1]]),
            _median_load([loads[row] for row in group]),
        )
        for group in groups
    ]


_Load = tuple[float, ...]


def _alike(loads: Sequence[_Load], rows: Sequence[int], tolerance: Sequence[float]) -> list[list[int]]:
    """Neighbouring rows in groups of one load: that of a group is the median of its first three rows."""
    groups: list[list[int]] = []
    reference: _Load = ()
    for row in rows:
        if groups and all(
            abs(one - other) <= limit
            for one, other, limit in zip(loads[row], reference, tolerance, strict=True)
        ):
            groups[-1].append(row)
        else:
            groups.append([row])
        if len(groups[-1]) <= 3:
            reference = _median_load([loads[one] for one in groups[-1]])
    return groups


def _median_load(loads: Sequence[_Load]) -> _Load:
    return tuple(median(column) for column in zip(*loads, strict=True))


def _without_mixed_rows(groups: list[list[int]], loads: Sequence[_Load]) -> list[list[int]]:
    """Give a single row in which the load changed, between two longer runs, to the run that it begins."""
    kept: list[list[int]] = []
    pending: list[int] = []
    for place, group in enumerate(groups):
        if len(group) == 1 and 0 < place < len(groups) - 1:
            earlier, later = groups[place - 1], groups[place + 1]
            around = zip(loads[earlier[-1]], loads[group[0]], loads[later[0]], strict=True)
            if (
                len(earlier) > 1
                and len(later) > 1
                and all(min(one, other) <= load <= max(one, other) for one, load, other in around)
            ):
                pending = group
                continue
        kept.append(pending + group)
        pending = []
    # The mean of a mixed row is not the load of its run; the median over the run is not moved by one row of three.
    return kept


def _shape_of(runs: list[_Run]) -> InferredShape:
    if not runs:
        return InferredShape(None, None)
    if len(runs) == 1:
        return _inferred("constant", f"the load never changed in {runs[0].length_s:.0f} s")
    inner = runs[1:-1] if len(runs) >= 3 else runs[:1]
    if all(run.rows == 1 and run.length_s >= SHORTEST_STAGE_S - _SLACK_S for run in inner):
        # A ramp looks the same as stages where one row is as long as a stage.
        return InferredShape(
            None,
            None,
            (
                finding(
                    "shape_not_told",
                    f"Every interval of {inner[0].length_s:.0f} s has another load, which a ramp and stages of that length "
                    "both give.",
                ),
            ),
        )
    held = median([run.length_s for run in inner])
    if held >= SHORTEST_STAGE_S - _slack_of(runs):
        return _inferred("step", f"the load was held for about {held:.0f} s at a time")
    return _inferred("ramp", f"the load changed about every {held:.0f} s")


def _inferred(shape: Shape, seen: str) -> InferredShape:
    return InferredShape(shape, "inferred", (finding("shape_inferred", f"Taken as {shape}: {seen}."),))


def _slack_of(runs: list[_Run]) -> float:
    """How much a stage may seem too short because rows (breaths) do not end where it does, seconds."""
    rows = sum(run.rows for run in runs)
    return min(5.0, sum(run.length_s for run in runs) / rows)


def _stages(
    series: Series, runs: list[_Run], keys: Sequence[str], per_row: Floats, side: NDArray[np.int8]
) -> tuple[Stage, ...]:
    if not runs:
        return ()
    lengths = [run.length_s for run in (runs[1:-1] if len(runs) >= 3 else runs[:1])]
    planned = median(lengths) if len(runs) > 1 else None
    slack = _slack_of(runs)
    named = [key for key in keys if series.has(key)]
    stages = []
    for number, run in enumerate(runs, start=1):
        rows = np.arange(run.first, run.last + 1)
        here = per_row[rows][np.isfinite(per_row[rows])]
        completed = planned is not None and run.length_s >= planned - slack
        least = UNFINISHED_STAGE_S
        if planned is not None:
            least = min(least, UNFINISHED_STAGE_PART * planned)
        recorded = series.stage[rows][series.stage[rows] >= 0]
        sides = side[rows]
        as_set: dict[str, float | None] = dict.fromkeys(("work_rate_w", "speed_km_h", "grade_percent"))
        as_set |= dict(zip(named, run.load, strict=True))
        stages.append(
            Stage(
                number,
                int(median(recorded)) if recorded.size else None,
                run.start_s,
                run.end_s,
                median(here) if here.size else None,
                planned,
                completed,
                completed or run.length_s >= least - slack,
                int(sides[-1]) if (sides == sides[-1]).all() else UNKNOWN_SIDE,
                as_set["work_rate_w"],
                as_set["speed_km_h"],
                as_set["grade_percent"],
            )
        )
    return tuple(stages)
