"""Rows as the de-identified profile has them.

What 45 CFR 164.514(b)(2) lists is taken out or coarsened: names, places, dates but as days since the person's first test,
ages over 89 together, device numbers, every code; free text goes altogether. A text is written only where it is a random id,
a label made here, or a word the program knows. No one can promise from this that nobody is recognised.
"""

import math
import re
import secrets
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from service.outlets.tables import AGE_GROUPS, Column, Table

#: Keys of a row as it is read that say whose it is and whether its value was worked out from age.
SUBJECT_KEY = "_subject"
FROM_AGE_KEY = "_from_age"
#: Without look-alikes, as the ids of the record; its last eight signs are digits.
_ALPHABET = "abcdefghjkmnpqrstuvwxyz23456789"
_OLDEST = 90
_BAND = re.compile(r"\d{1,2}-\d{1,2}")


@dataclass(frozen=True, slots=True)
class Life:
    """What must be known of a person before the first row is written.

    Attributes
    ----------
    origin : date or None
        Day 0; None where the person has no visit, so that no day is told.
    eldest : bool
        Whether the person is 90 or older at any time of the record.
    """

    origin: date | None
    eldest: bool


@dataclass(slots=True)
class Deidentifier:
    """Makes rows of the de-identified profile, with ids and labels of one export.

    Attributes
    ----------
    lives : mapping of int to Life
        By the internal key of the subject.
    labels : dict
        Kind -> what the site writes -> the label in its place, numbered in the order of appearance.
    """

    lives: Mapping[int, Life]
    labels: dict[str, dict[str, str]] = field(default_factory=dict)
    _ids: dict[str, dict[str, str]] = field(default_factory=dict)
    _taken: set[str] = field(default_factory=set)
    _alike: dict[int, tuple[Any, Any]] = field(default_factory=dict)

    def row(self, table: Table, raw: Mapping[str, Any]) -> dict[str, Any] | None:
        """One row as this profile has it; None where the row itself would tell an age over 89.

        Parameters
        ----------
        table : Table
        raw : mapping
            The row as the coded profile has it, with `SUBJECT_KEY` where it is a person's.
        """
        subject = raw.get(SUBJECT_KEY)
        life = None if subject is None else self.lives[subject]
        if life is not None and life.eldest and raw.get(FROM_AGE_KEY):
            return None
        return {
            column.name: self._value(column, raw.get(column.source), life)
            for column in table.of_profile("deidentified")
        }

    def _value(self, column: Column, value: Any, life: Life | None) -> Any:
        eldest = life is not None and life.eldest
        if column.how == "age_group":
            return "90+" if eldest else age_group(value)
        if value is None or (eldest and (column.tells_age or column.how == "whole_years")):
            return None
        match column.how:
            case "id":
                return self.id(column.kind, value)
            case "label":
                return value if value in column.known else self.label(column.kind, value)
            case "day":
                return None if life is None or life.origin is None else days_since(life.origin, value)
            case "whole_years":
                return math.floor(value)
            case "age_band":
                return value if _BAND.fullmatch(value) and int(value.split("-")[1]) < _OLDEST else None
            case _:
                return None if column.known and value not in column.known else value

    def id(self, kind: str, original: str) -> str:
        """A random id; the same one for the same record within this export alone."""
        of_kind = self._ids.setdefault(kind, {})
        if original not in of_kind:
            of_kind[original] = self._new_id()
        return of_kind[original]

    def _new_id(self) -> str:
        while True:
            # Digits between letters: no name, no date and no word can come about.
            made = "".join(
                secrets.choice(_ALPHABET[-8:] if place % 3 == 1 else _ALPHABET[:-8]) for place in range(15)
            )
            if made not in self._taken:
                self._taken.add(made)
                return made

    def label(self, kind: str, original: str) -> str:
        """A label that says nothing, such as ``arm 1``."""
        of_kind = self.labels.setdefault(kind, {})
        return of_kind.setdefault(original, f"{kind.replace('_', ' ')} {len(of_kind) + 1}")

    def seen(self, subject: int, sex: Any, age_years: float | None) -> None:
        """Note what is told of a person at the first visit, for `smallest_group`."""
        group = "90+" if self.lives[subject].eldest else age_group(age_years)
        self._alike.setdefault(subject, (sex, group))

    @property
    def smallest_group(self) -> int | None:
        """How many people share sex and age group with the person that shares them with the fewest."""
        return min(Counter(self._alike.values()).values(), default=None)


def age_group(age_years: float | None) -> str | None:
    """The ten completed years that an age lies in.

    Parameters
    ----------
    age_years : float or None
        Years; from 90 on there is one group.
    """
    return None if age_years is None else AGE_GROUPS[min(int(age_years // 10), len(AGE_GROUPS) - 1)]


def days_since(origin: date, moment: date | datetime) -> int:
    """Days from the origin to a day; negative before it."""
    day = moment.date() if isinstance(moment, datetime) else moment
    return (day - origin).days
