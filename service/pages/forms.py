"""Forms that work without scripts: their fields, what was typed, and the faults beside it."""

import re
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Annotated, Any, Literal, TypeVar

from fastapi import Depends, Request
from pydantic import BaseModel
from starlette.datastructures import UploadFile

from service.errors import InvalidContent, Place, StaleRevision, UpslopeError
from service.http.problems import status_of
from service.pages.rendering import check_form, checked
from service.quantities import QUANTITIES

M = TypeVar("M", bound=BaseModel)
T = TypeVar("T")

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)")
_WHOLE = re.compile(r"[+-]?\d{1,9}")


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a form.

    Attributes
    ----------
    name : str
        As the schema names it.
    label : str
        With the unit.
    kind : {"text", "day", "time", "number", "whole", "choice", "long"}
    choices : tuple of (str, str)
        Values and words, where one is chosen.
    hint : str
        What to know before it is filled in.
    required : bool
    """

    name: str
    label: str
    kind: Literal["text", "day", "time", "number", "whole", "choice", "long"] = "text"
    choices: tuple[tuple[str, str], ...] = ()
    hint: str = ""
    required: bool = False
    empty: str = "not recorded"


def of_quantity(name: str, hint: str = "") -> Field:
    """The field of a number that the registry knows, with its unit in the label."""
    quantity = QUANTITIES[name]
    label = f"{quantity.label} ({quantity.unit})" if quantity.unit else quantity.label
    return Field(name, label, "number", hint=hint)


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
    stale : bool
        Whether the record has changed since the form was opened.
    status : int
    """

    typed: dict[str, str] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)
    told: list[str] = field(default_factory=list)
    stale: bool = False
    status: int = 200

    def refuse(self, error: UpslopeError) -> None:
        """Put what was refused to the fields it concerns."""
        self.status = status_of(error)
        self.stale = isinstance(error, StaleRevision)
        unplaced = not error.errors
        for place in error.errors:
            name = place.location.removeprefix("body.").removeprefix("options.").partition(".")[0]
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
        By field.
    """

    text: Mapping[str, str]
    files: Mapping[str, UploadFile]

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
    async with request.form() as form:
        items = form.multi_items()
        text = {name: value for name, value in items if isinstance(value, str)}
        check_form(request, text.get("form_token", ""))
        yield Sent(text, {name: value for name, value in items if isinstance(value, UploadFile)})


#: What was sent with a form whose token is that of the session.
SentDependency = Annotated[Sent, Depends(_sent)]


def typed_of(fields: Iterable[Field], sent: Mapping[str, str]) -> dict[str, str]:
    """What was typed in each field, the empty ones too."""
    return {one.name: sent.get(one.name, "") for one in fields}


def shown_value(value: Any) -> str:
    """A stored value as it is typed."""
    if value is None:
        return ""
    if isinstance(value, date):
        return value.isoformat()
    return f"{value:g}" if isinstance(value, float) and float(f"{value:g}") == value else str(value)


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
            if _NUMBER.fullmatch(text):
                values[one.name] = float(text)
            else:
                faults.append(Place(one.name, "must be a number with a decimal point, such as 71.5"))
        elif one.kind == "whole":
            if _WHOLE.fullmatch(text):
                values[one.name] = int(text)
            else:
                faults.append(Place(one.name, "must be a whole number"))
        else:
            values[one.name] = text
    if faults:
        raise InvalidContent(f"{faults[0].location}: {faults[0].message}", tuple(faults))
    return values


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
