"""Forms that work without scripts: their fields, what was typed, and the faults beside it."""

import re
from collections.abc import AsyncIterator, Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timezone
from typing import Annotated, Any, Literal, TypeVar

from fastapi import Depends, Request
from pydantic import BaseModel
from starlette.datastructures import UploadFile

from service.errors import InvalidContent, Place, StaleRevision, UpslopeError
from service.http.problems import status_of
from service.outlets.display import NEUTRAL, Display
from service.pages.rendering import check_form, checked
from service.quantities import QUANTITIES

M = TypeVar("M", bound=BaseModel)
T = TypeVar("T")

#: Of one form: several files at once come with several fields for each.
_MOST_FILES = 1_010
_MOST_FIELDS = 10_010
_WHOLE = re.compile(r"[+-]?\d{1,9}")
_MOMENT = re.compile(r"(\d{4}-\d{2}-\d{2})[T ](\d{2}:\d{2})(:\d{2}(?:\.\d{1,6})?)?")

Kind = Literal["text", "day", "time", "moment", "number", "whole", "choice", "flag", "long"]


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a form.

    Attributes
    ----------
    name : str
        As the schema names it.
    label : str
        With the unit.
    kind : Kind
        A moment is a day and a time on the clock of the place; a flag is answered by yes or no.
    choices : tuple of (str, str)
        Values and words, where one is chosen.
    hint : str
        What to know before it is filled in.
    required : bool
    quantity : str
        Of the registry, where the number is one.
    display : Display
        In which unit and with which decimal mark a number is typed. `as_shown` gives it the site's; label and
        meaning of what is typed always agree, because both stand here.
    """

    name: str
    label: str
    kind: Kind = "text"
    choices: tuple[tuple[str, str], ...] = ()
    hint: str = ""
    required: bool = False
    empty: str = "not recorded"
    quantity: str = ""
    display: Display = NEUTRAL


def of_quantity(name: str, hint: str = "") -> Field:
    """The field of a number that the registry knows, with its unit in the label."""
    return Field(name, NEUTRAL.heading(name), "number", hint=hint, quantity=name)


def yes_or_no(name: str, label: str, hint: str = "", empty: str = "not recorded") -> Field:
    """The field of what either is or is not."""
    return Field(name, label, "flag", (("true", "yes"), ("false", "no")), hint, empty=empty)


def as_shown(fields: Iterable[Field], display: Display) -> tuple[Field, ...]:
    """The fields as this site shows them: numbers with its decimal mark, quantities in its unit."""
    return tuple(
        replace(one, label=display.heading(one.quantity) if one.quantity else one.label, display=display)
        for one in fields
    )


@dataclass(slots=True)
class Filled:
    """A form as it is shown: what stands in its fields, and what is wrong with it.

    Attributes
    ----------
    typed : dict
        Text of each field.
    faults : dict
        What is wrong, by field.
    told : list of str
        What is wrong with no one field.
    places : dict
        Field by place of the schema, where the two have other names.
    stale : bool
        Whether the record has changed since the form was opened.
    status : int
    """

    typed: dict[str, str] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)
    told: list[str] = field(default_factory=list)
    places: dict[str, str] = field(default_factory=dict)
    stale: bool = False
    status: int = 200

    def refuse(self, error: UpslopeError) -> None:
        """Put what was refused to the fields it concerns."""
        self.status = status_of(error)
        self.stale = isinstance(error, StaleRevision)
        unplaced = not error.errors
        for place in error.errors:
            location = place.location.removeprefix("body.").removeprefix("options.")
            name = self.places.get(location) or location.partition(".")[0]
            if name in self.typed:
                self.faults.setdefault(name, place.message)
            else:
                self.told.append(place.message)
        if unplaced and not self.stale:
            self.told.append(error.detail)


@dataclass(frozen=True, slots=True)
class Sent:
    """What a browser sent with a form of this session.

    Attributes
    ----------
    text : dict
        By field.
    files : dict
        By field; the last one where several were chosen.
    chosen : sequence of (str, UploadFile)
        Every file, with its field.
    """

    text: Mapping[str, str]
    files: Mapping[str, UploadFile]
    chosen: Sequence[tuple[str, UploadFile]] = ()

    def revision(self) -> int:
        """State of the record when the form was opened."""
        text = self.text.get("revision", "")
        if not _WHOLE.fullmatch(text):
            raise InvalidContent(
                "The form does not say which state of the record it changes; open it again.",
                (Place("revision", "must be a whole number"),),
            )
        return int(text)

    def only(self, names: Iterable[str]) -> None:
        """Refuse a field that the form does not have."""
        unknown = set(self.text) - {"form_token", *names}
        if unknown:
            name = min(unknown)[:100]
            raise InvalidContent(f"This form has no field {name!r}.", (Place(name, "is not known"),))


async def _sent(request: Request) -> AsyncIterator[Sent]:
    async with request.form(max_files=_MOST_FILES, max_fields=_MOST_FIELDS) as form:
        items = form.multi_items()
        text = {name: value for name, value in items if isinstance(value, str)}
        check_form(request, text.get("form_token", ""))
        files = [(name, value) for name, value in items if isinstance(value, UploadFile)]
        yield Sent(text, dict(files), files)


#: What was sent with a form whose token is that of the session.
SentDependency = Annotated[Sent, Depends(_sent)]


def typed_of(fields: Iterable[Field], sent: Mapping[str, str]) -> dict[str, str]:
    """What was typed in each field, the empty ones too."""
    return {one.name: sent.get(one.name, "") for one in fields}


def recorded(fields: Iterable[Field], record: object) -> dict[str, str]:
    """What a record holds, by field, as it is typed."""
    return {one.name: shown_value(getattr(record, one.name), one) for one in fields}


def shown_value(value: Any, one: Field | None = None) -> str:
    """A stored value as it is typed in its field."""
    if value is None:
        return ""
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return NEUTRAL.typed(value) if one is None else one.display.typed(value, one.quantity or None)
    return str(value)


def values_of(fields: Iterable[Field], typed: Mapping[str, str]) -> dict[str, Any]:
    """What is meant by what was typed; an empty field is not recorded.

    Raises
    ------
    InvalidContent
        A number that is none, or nothing where something is needed.
    """
    values: dict[str, Any] = {}
    faults = []
    for one in fields:
        # A browser sends line ends as two characters.
        text = typed[one.name].strip().replace("\r\n", "\n")
        if not text:
            values[one.name] = None
            if one.required:
                faults.append(Place(one.name, "is needed"))
        elif one.kind == "number":
            try:
                values[one.name] = _number(one, text)
            except ValueError as error:
                faults.append(Place(one.name, str(error)))
        elif one.kind == "whole":
            if _WHOLE.fullmatch(text):
                values[one.name] = int(text)
            else:
                faults.append(Place(one.name, "must be a whole number"))
        elif one.kind == "flag":
            values[one.name] = text == "true"
            if text not in {"true", "false"}:
                faults.append(Place(one.name, "must be yes or no"))
        elif one.kind == "moment":
            values[one.name] = text
            if not _MOMENT.fullmatch(text):
                faults.append(Place(one.name, "must be a day and a time such as 2026-03-14 07:30"))
        else:
            values[one.name] = text
    if faults:
        raise InvalidContent(f"{faults[0].location}: {faults[0].message}", tuple(faults))
    return values


def _number(one: Field, text: str) -> float:
    """In the canonical unit. What cannot be is refused here, in the unit that was typed, where that is another."""
    value = one.display.read(text, one.quantity or None)
    if one.quantity and not QUANTITIES[one.quantity].possible(value):
        typed = one.display.of(one.quantity)
        if typed.hard is not None and typed.unit != QUANTITIES[one.quantity].unit:
            low, high = (one.display.significant(limit) for limit in typed.hard)
            raise ValueError(
                f"is not possible: {typed.label.lower()} lies between {low} and {high} {typed.unit}"
            )
    return value


def clock_value(instant: datetime, offset: timezone) -> str:
    """An instant as it is typed: day and time on the clock of a place, with seconds where it has any."""
    there = instant.astimezone(offset).replace(tzinfo=None)
    whole = there.second == 0 and there.microsecond == 0
    return there.isoformat(timespec="minutes" if whole else "auto")


def instant_value(moment: str, offset: str) -> str:
    """What was typed in a field of a moment, as the interface takes an instant."""
    parts = _MOMENT.fullmatch(moment)
    assert parts is not None  # noqa: S101 the field was read by `values_of`
    return f"{parts[1]}T{parts[2]}{parts[3] or ':00'}{offset}"


def submitted(
    filled: Filled, schema: type[M], values: Callable[[], dict[str, Any]], store: Callable[[M], T]
) -> T | None:
    """What `store` makes of a form that is acceptable; None where it is refused, with the faults in `filled`."""
    try:
        return store(checked(schema, **values()))
    except UpslopeError as error:
        if status_of(error) in {403, 404}:
            raise
        filled.refuse(error)
        return None
