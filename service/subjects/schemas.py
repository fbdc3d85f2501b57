"""What goes over the wire about a subject."""

from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from service.db.transactions import now
from service.http.wire import Answer, IsoDate, LongText, ShortText, WholeNumber, Wire

Sex = Literal["female", "male"]


def _born(value: date | None) -> date | None:
    if value is not None and value > now().date():
        raise ValueError("lies in the future")
    if value is not None and value.year < 1880:
        raise ValueError("lies too far in the past")
    return value


def _born_in(value: int | None) -> int | None:
    if value is not None and value > now().year:
        raise ValueError("lies in the future")
    return value


def _due(value: date | None) -> date | None:
    if value is not None and not 1900 <= value.year <= 2199:
        raise ValueError("must lie between the years 1900 and 2199")
    return value


DueDate = Annotated[IsoDate | None, AfterValidator(_due)]
BirthDate = Annotated[IsoDate | None, AfterValidator(_born)]
BirthYear = Annotated[WholeNumber | None, Field(ge=1880), AfterValidator(_born_in)]


class SubjectFields(Wire):
    """What may be known of a subject; everything but the code is optional."""

    given_name: ShortText | None = None
    family_name: ShortText | None = None
    birth_date: BirthDate = None
    birth_year: BirthYear = Field(
        None, description="Where the birth date is not kept: age is then taken at mid-year."
    )
    sex: Sex | None = Field(None, description="For reference tables; null gives no rank.")
    notes: LongText | None = None
    next_test_due_on: DueDate = Field(
        None, description="Set by a tester; where null the site's interval after the last test decides."
    )

    @model_validator(mode="after")
    def _one_birth(self) -> "SubjectFields":
        if self.birth_date is not None and self.birth_year not in {None, self.birth_date.year}:
            raise ValueError("birth_year does not agree with birth_date; give one of them")
        return self


class SubjectIn(SubjectFields):
    """A new subject."""

    code: ShortText = Field(description="Unique; what the laboratory calls this person in its papers.")


class SubjectPatch(SubjectFields):
    """Changes of a subject; a field left out stays as it is."""

    code: ShortText | None = None

    @model_validator(mode="after")
    def _code_stays(self) -> "SubjectPatch":
        if "code" in self.model_fields_set and self.code is None:
            raise ValueError("code cannot be taken away")
        return self


class NextTestDue(Answer):
    """When the next test is due, and who says so."""

    due_on: date | None
    set_by: Literal["tester", "site_interval"] | None
    last_test_on: date | None = Field(description="Of the last complete test.")
    reason: str | None = Field(description="Why there is no date.")


class SubjectOut(Answer):
    """A subject; names, birth date and notes only for a key that may see them."""

    id: str
    code: str
    given_name: str | None
    family_name: str | None
    birth_date: date | None
    birth_year: int | None
    sex: Sex | None
    notes: str | None
    next_test_due_on: date | None = Field(description="As a tester set it.")
    next_test_due: NextTestDue
    revision: int
    created_at: datetime
