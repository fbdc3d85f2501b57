"""The kinds of value that cross the wire, each as strict as it should be.

Lax parsing accepts ``false`` for a number, an epoch for a date and NaN for a float; none of them here.
"""

import math
import re
from datetime import date, datetime
from typing import Annotated, Any

from pydantic import AfterValidator, AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field, Strict

from service.quantities import QUANTITIES


class Wire(BaseModel):
    """A body: unknown fields, NaN and infinities are refused."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class Answer(BaseModel):
    """What is answered."""

    model_config = ConfigDict(allow_inf_nan=False)


_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_INSTANT = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d{1,9})?(Z|[+-]\d{2}:\d{2})")


def _iso_date(value: Any) -> Any:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    if not isinstance(value, str) or not _DATE.fullmatch(value):
        raise ValueError("must be a date such as 2026-03-14")
    return value


def _rfc3339(value: Any) -> Any:
    if isinstance(value, datetime):
        return value
    if not isinstance(value, str) or not _INSTANT.fullmatch(value):
        raise ValueError("must be an instant with its offset, such as 2026-03-14T09:30:00+01:00")
    return value


def _of_our_time(value: datetime) -> datetime:
    # At the ends of the calendar an instant has no date in another offset.
    if not 1880 <= value.year < 2200:
        raise ValueError("must lie between the years 1880 and 2199")
    return value


def _no_control_characters(value: str) -> str:
    if any(ord(sign) < 32 and sign not in "\n\r\t" for sign in value) or "\x7f" in value:
        raise ValueError("must not hold control characters")
    if any(0xD800 <= ord(sign) < 0xE000 for sign in value):
        raise ValueError("must not hold half of a surrogate pair")
    return value


def _not_blank(value: str) -> str:
    if not value.strip():
        raise ValueError("must not be blank")
    if value != value.strip():
        raise ValueError("must not begin or end with spaces")
    return value


IsoDate = Annotated[date, BeforeValidator(_iso_date, json_schema_input_type=date)]
InstantWithOffset = Annotated[
    AwareDatetime,
    BeforeValidator(_rfc3339, json_schema_input_type=datetime),
    AfterValidator(_of_our_time),
]
Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
WholeNumber = Annotated[int, Strict(), Field(ge=-(2**53), le=2**53)]
Flag = Annotated[bool, Strict()]
ShortText = Annotated[
    str,
    Strict(),
    Field(min_length=1, max_length=200),
    AfterValidator(_no_control_characters),
    AfterValidator(_not_blank),
]
LongText = Annotated[str, Strict(), Field(max_length=10_000), AfterValidator(_no_control_characters)]
Fraction = Annotated[float, Strict(), Field(ge=0, le=1, allow_inf_nan=False)]
Seconds = Annotated[float, Strict(), Field(ge=0, le=1_000_000, allow_inf_nan=False)]


def _finite_json(value: Any) -> Any:
    """Refuse NaN, infinities, control characters and nesting without end anywhere in a free JSON value."""
    stack: list[tuple[Any, int]] = [(value, 0)]
    while stack:
        item, depth = stack.pop()
        if depth > 20:
            raise ValueError("is nested too deeply")
        if isinstance(item, float) and not math.isfinite(item):
            raise ValueError("must not hold NaN or an infinity")
        if isinstance(item, str):
            _no_control_characters(item)
        if isinstance(item, dict):
            stack.extend((inner, depth + 1) for pair in item.items() for inner in pair)
        elif isinstance(item, list):
            stack.extend((inner, depth + 1) for inner in item)
    return value


FreeObject = Annotated[dict[str, Any], AfterValidator(_finite_json)]


def within_hard_limit(key: str) -> AfterValidator:
    """A validator that refuses a value of the quantity `key` beyond what is possible."""
    quantity = QUANTITIES[key]

    def check(value: float | None) -> float | None:
        if value is not None and not quantity.possible(value):
            assert quantity.hard is not None  # noqa: S101 `possible` is true without limits
            low, high = quantity.hard
            raise ValueError(
                f"is not possible: {quantity.label.lower()} lies between {low:g} and {high:g} {quantity.unit}".rstrip()
            )
        return value

    return AfterValidator(check)
