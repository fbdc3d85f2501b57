"""What a report is made of. PDF and HTML are both drawn from this, and from nothing else.

Every text is plain text: whatever signs it holds, they are shown and mean nothing.
"""

from dataclasses import dataclass, field
from datetime import date
from typing import Literal

Audience = Literal["client", "record"]
Paper = Literal["a4", "letter"]

#: Printed in the place of whatever the record does not hold.
NOT_RECORDED = "not recorded"


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph."""

    text: str
    style: Literal["plain", "quiet", "note"] = "plain"
    kind: Literal["words"] = field(default="words", init=False)


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list."""

    lines: tuple[str, ...]
    style: Literal["plain", "quiet"] = "plain"
    kind: Literal["bullets"] = field(default="bullets", init=False)


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing that is known, or that it is not.

    Attributes
    ----------
    label, value : str
    remark : str
        How it was had, or why it was not.
    """

    label: str
    value: str
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Facts:
    """Labels and values; side by side unless they are long."""

    facts: tuple[Fact, ...]
    long: bool = False
    kind: Literal["facts"] = field(default="facts", init=False)


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table.

    Attributes
    ----------
    words : str
    figures : bool
        Whether it holds numbers, which stand to the right.
    share : float
        Of the width, beside the other columns.
    """

    words: str
    figures: bool = False
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class Table:
    """A table whose first column heads its rows, and whose head is repeated on every page."""

    words: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    kind: Literal["table"] = field(default="table", init=False)


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart as SVG, and the same in words for who cannot see it."""

    svg: str
    words: str
    kind: Literal["figure"] = field(default="figure", init=False)


Block = Words | Bullets | Facts | Table | Figure


@dataclass(frozen=True, slots=True)
class Section:
    """A part with a heading.

    Attributes
    ----------
    heading : str
    blocks : tuple
    side : {"whole", "left", "right"}
        The part of the width it takes; those of both sides stand beside each other, after the whole ones.
    """

    heading: str
    blocks: tuple[Block, ...]
    side: Literal["whole", "left", "right"] = "whole"


@dataclass(frozen=True, slots=True)
class Number:
    """A number that is shown large."""

    value: str
    unit: str
    words: str


@dataclass(frozen=True, slots=True)
class Report:
    """A report.

    Attributes
    ----------
    title : str
    about : tuple of str
        Whom and what it is about, a line each.
    lead : tuple of str
        What matters, in sentences.
    numbers : tuple of Number
    figures : tuple of Figure
    sections : tuple of Section
    cautions : tuple of str
        Printed at the end.
    reference : str
        What the report can be found by; at the foot of every page.
    printed : date
    paper : {"a4", "letter"}
    one_page : bool
        Type and charts are made as small as it takes.
    """

    title: str
    about: tuple[str, ...]
    lead: tuple[str, ...]
    numbers: tuple[Number, ...]
    figures: tuple[Figure, ...]
    sections: tuple[Section, ...]
    cautions: tuple[str, ...]
    reference: str
    printed: date
    paper: Paper
    one_page: bool = False
