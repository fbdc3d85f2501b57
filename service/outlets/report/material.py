"""What a report is written from: what the record holds and what was found out, as they are served."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from service.outlets.display import Display
from service.outlets.report.document import NOT_RECORDED, Figure, Paper

Part = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Person:
    """Whom a report is about.

    Attributes
    ----------
    code, name : str
        The name is empty where it is not kept or may not be seen.
    identity_shown : bool
        Whether name and birth date may be seen.
    sex : str or None
    age_years : float or None
        On the day of the test, or of the latest one.
    birth_date : date or None
        None where it is not kept or may not be seen.
    """

    code: str
    name: str
    identity_shown: bool
    sex: str | None
    age_years: float | None
    birth_date: date | None


@dataclass(frozen=True, slots=True)
class Sheet:
    """How a report is printed.

    Attributes
    ----------
    paper : {"a4", "letter"}
    printed : date
        Of the clock of the place of the test.
    display : Display
    program : str
        Name and version.
    """

    paper: Paper
    printed: date
    display: Display
    program: str


@dataclass(frozen=True, slots=True)
class TestMaterial:
    """One test.

    Attributes
    ----------
    person : Person
    at : datetime
        Of the visit, on the clock of its place.
    visit, test : mapping
        As served, with every field.
    protocol : mapping or None
    notes : sequence of mapping
        What was written down at the stages.
    calibrations, reported : sequence of mapping
        Reported: what came without intervals.
    analysis : mapping
        As stored, or as it was when it was signed.
    frozen : mapping or None
        The conclusion under whose signature the analysis is, where the report is made from that.
    conclusions : sequence of mapping
        Every version, the newest first.
    changed_since : bool
        Whether the analysis of today is another than the signed one.
    trend : mapping
        Of peak uptake per body mass, up to this test and of its series alone; no series where it has no point.
    rank : mapping or None
        Standing in the table of the test's point.
    figures : sequence of Figure
    names : mapping
        What reference tables and equations are called, by id.
    """

    __test__ = False

    person: Person
    at: datetime
    visit: Part
    test: Part
    protocol: Part | None
    notes: Sequence[Part]
    calibrations: Sequence[Part]
    reported: Sequence[Part]
    analysis: Part
    frozen: Part | None
    conclusions: Sequence[Part]
    changed_since: bool
    trend: Part
    rank: Part | None
    figures: Sequence[Figure]
    names: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class HistoryMaterial:
    """The tests of one person.

    Attributes
    ----------
    person : Person
    trend : mapping
        Of peak uptake per body mass.
    rank : mapping or None
        Standing of the latest test.
    tests : sequence of mapping
        ``day``, ``mode``, ``protocol``, ``purpose``, ``status``, ``effort``, ``warnings`` and ``peak``, the latest first.
    measurements : sequence of mapping
        ``quantity``, ``value``, ``day``: the latest of each.
    figures : sequence of Figure
    """

    person: Person
    trend: Part
    rank: Part | None
    tests: Sequence[Part]
    measurements: Sequence[Part]
    figures: Sequence[Figure]


def shown(display: Display, value: float | None, quantity: str) -> str:
    """A value with its unit, or that it is not recorded."""
    return NOT_RECORDED if value is None else display.quantity(value, quantity)


def told(value: Any) -> str:
    """A text or a word of a closed list, or that it is not recorded."""
    if value is None or value == "":
        return NOT_RECORDED
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def in_words(identifier: str | None) -> str:
    """A word of a closed list as people write it."""
    return told(None if identifier is None else identifier.replace("_", " "))


def clock(seconds: float | None) -> str:
    """Minutes and seconds."""
    if seconds is None:
        return NOT_RECORDED
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d} min"


def sentence(text: str) -> str:
    """A text that begins with a capital and ends with a stop."""
    text = text.strip()
    return f"{text[:1].upper()}{text[1:].rstrip('.')}." if text else ""


def clipped(text: str, most: int) -> str:
    """A text of at most so many signs; where it is cut, that is said."""
    if len(text) <= most:
        return text
    return f"{text[:most].rstrip()}\N{HORIZONTAL ELLIPSIS} (cut here; the whole text stands in the record)"


def who(person: Person, display: Display) -> str:
    """Name or code, sex and age."""
    told_of = [
        f"{clipped(person.name, 120)} ({clipped(person.code, 60)})"
        if person.name
        else clipped(person.code, 60)
    ]
    if person.sex is not None:
        told_of.append({"female": "woman", "male": "man"}[person.sex])
    if person.age_years is not None:
        told_of.append(f"{display.figure(int(person.age_years))} years")
    return ", ".join(told_of)
