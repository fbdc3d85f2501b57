"""What goes over the wire about a rule set of effort."""

from typing import Annotated, Any, Literal

from pydantic import Field

from service.analysis.rule_sets import FEWEST_NEEDED
from service.http.wire import Answer, Flag, LongText, Number, ShortText, WholeNumber, Wire

_Mode = Literal["treadmill", "cycle", "arm", "row", "ski", "step", "walk", "run"]
_Years = Annotated[WholeNumber, Field(ge=0, le=120)]
_Id = Annotated[
    str,
    Field(
        pattern=r"^[a-z][a-z0-9_]{1,62}$",
        description="Small letters, digits and underscores, beginning with a letter.",
    ),
]


class CriterionThresholdIn(Wire):
    """Where a criterion is met, and for whom."""

    threshold: Number
    scale: Literal["6-20", "0-10"] | None = None
    sex: Literal["female", "male"] | None = None
    age_low_years: _Years | None = None
    age_high_years: _Years | None = None


class CriterionIn(Wire):
    """One criterion."""

    criterion: Literal[
        "respiratory_exchange_ratio", "perceived_exertion", "blood_lactate", "heart_rate_near_predicted"
    ]
    thresholds: Annotated[list[CriterionThresholdIn], Field(min_length=1, max_length=100)]
    counts: Flag = Field(
        description="Whether it may be one of those that are needed; false for a heart rate."
    )
    source: ShortText
    modes: Annotated[list[_Mode], Field(max_length=8)] = Field(
        default_factory=list, description="Modes it can be asked for; any where empty."
    )
    compared_as: Literal["value", "bpm_below_predicted", "percent_of_predicted"] = "value"
    method: ShortText | None = Field(
        default=None,
        description="Prediction of maximal heart rate; that of the settings where left out.",
    )


class RuleSetIn(Wire):
    """A site's own rule set."""

    id: _Id
    name: ShortText
    source: ShortText
    population: LongText = Field(default="", description="Whom it is for.")
    criteria: Annotated[list[CriterionIn], Field(min_length=1, max_length=4)]
    criteria_needed: Annotated[WholeNumber, Field(ge=1, le=4)] = FEWEST_NEEDED


class RuleSetOut(Answer):
    """A rule set, whole."""

    id: str
    name: str
    source: str
    population: str
    criteria_needed: int
    criteria: list[dict[str, Any]]
    built_in: bool
    citations: list[str]
