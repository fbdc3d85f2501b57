"""Rows of the table of speed: a kind of work, the floor that was measured in turn with it, and the goal."""

import statistics
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

#: So often each is measured, in turn.
TIMES = 5


@dataclass(frozen=True, slots=True)
class Row:
    """One row.

    Attributes
    ----------
    work, size : str
        What is done, with its unit, and to how much.
    floor : str
        What it is held against; empty where there is no floor.
    value, floor_value : float
        Medians.
    ratio : float or None
        Of what the goal is about; None where there is no floor.
    goal : str
        Such as ``at least 0.5``, ``at most 2``; empty where a figure stands for information.
    met : bool or None
        None where there is no goal.
    """

    work: str
    size: str
    floor: str
    value: float
    floor_value: float | None
    ratio: float | None
    goal: str
    met: bool | None

    def as_dict(self) -> dict[str, Any]:
        """As it stands in build/bench.json."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


def judged(
    work: str,
    size: str,
    value: float,
    *,
    floor: str = "",
    floor_value: float | None = None,
    at_least: float | None = None,
    at_most: float | None = None,
    rate: bool = False,
    unit: str = "",
) -> Row:
    """A row with its ratio, and whether the goal is met.

    Parameters
    ----------
    at_least, at_most : float, optional
        The goal of the ratio, or of the value where there is no floor.
    rate : bool
        Whether value and floor are rates: then, and where the goal is "at most", the ratio is value over floor; a time that
        must reach a part of the floor's speed is turned round.
    unit : str
        Of a goal that is about the value.
    """
    ratio = None
    if floor_value is not None:
        upright = rate or at_least is None
        ratio = value / floor_value if upright else floor_value / value
    told = value if ratio is None else ratio
    goal, met = "", None
    if at_least is not None:
        goal, met = f"at least {at_least:g}{unit}", told >= at_least
    elif at_most is not None:
        goal, met = f"at most {at_most:g}{unit}", told <= at_most
    return Row(work, size, floor, value, floor_value, ratio, goal, met)


def milliseconds(work: Callable[[], object]) -> float:
    """How long one call takes."""
    began = time.perf_counter()
    work()
    return (time.perf_counter() - began) * 1000


def in_turn(kinds: Mapping[str, Callable[[], float]], times: int = TIMES) -> dict[str, float]:
    """Medians of what each kind answers, called in turn so that a slow moment of the machine falls on all."""
    taken: dict[str, list[float]] = {name: [] for name in kinds}
    for _ in range(times):
        for name, ask in kinds.items():
            taken[name].append(ask())
    return {name: statistics.median(values) for name, values in taken.items()}


def tell(text: str) -> None:
    """What is being measured, on standard error."""
    sys.stderr.write(f"{text}\n")
    sys.stderr.flush()
