"""What goes over the wire about the settings of the site."""

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from service.analyses.schemas import SettingsIn
from service.analysis.change import PAIRS_FOR_OWN_TYPICAL_ERROR
from service.http.wire import Answer, Number, ShortText, WholeNumber, Wire
from service.quantities import QUANTITIES

_Mode = Literal["treadmill", "cycle", "arm", "row", "ski", "step", "walk", "run"]
_OF_RESULTS = frozenset({"result", "measurement"})


def _of_results(by_quantity: dict[str, Any]) -> dict[str, Any]:
    """Refuse what is no quantity of results."""
    for key in by_quantity:
        if key not in QUANTITIES or not _OF_RESULTS.intersection(QUANTITIES[key].kinds):
            raise ValueError(f"{key[:80]!r} is no quantity of results; GET /v1/quantities lists them")
    return by_quantity


def _smaller_than_possible(changes: dict[str, float]) -> dict[str, float]:
    """Refuse a change that is larger than the quantity can be."""
    for key, change in changes.items():
        hard = QUANTITIES[key].hard
        if hard is not None and change >= hard[1] - hard[0]:
            raise ValueError(
                f"{key}: a change of {change:g} {QUANTITIES[key].unit} is as large as all that is possible"
            )
    return changes


class TypicalErrorIn(Wire):
    """The site's own typical error of a quantity, from pairs of repeated tests."""

    value: Annotated[
        Number,
        Field(
            gt=0, description="Coefficient of variation in % on the log scale, else in the quantity's unit."
        ),
    ]
    scale: Literal["log", "linear"]
    df: Annotated[Number, Field(gt=0, le=1_000_000, description="Degrees of freedom.")]
    n_pairs: Annotated[
        WholeNumber,
        Field(
            ge=1,
            le=1_000_000,
            description=f"Repeat pairs it rests on; used from {PAIRS_FOR_OWN_TYPICAL_ERROR} on, below that the published one is.",
        ),
    ]
    source: ShortText

    @model_validator(mode="after")
    def _believable(self) -> "TypicalErrorIn":
        if self.scale == "log" and self.value > 100:
            raise ValueError("value is a coefficient of variation in per cent, at most 100")
        return self


class SiteAnalysisIn(SettingsIn):
    """Settings of an analysis that differ from the program's; one that is left out or null is the program's."""


class SitePatch(Wire):
    """Changes of the settings. Each part that is given replaces the whole of that part; null sets it back."""

    analysis: SiteAnalysisIn | None = Field(
        None, description="What differs from the program's settings of an analysis."
    )
    default_norms: (
        Annotated[
            dict[_Mode, ShortText | None],
            Field(description="Table that trends and pages use, by mode; null for none."),
        ]
        | None
    ) = None
    smallest_worthwhile_change: (
        Annotated[
            dict[str, Annotated[Number, Field(gt=0)]],
            AfterValidator(_of_results),
            AfterValidator(_smaller_than_possible),
            Field(description="By quantity, in its unit."),
        ]
        | None
    ) = None
    retest_interval_days: Annotated[WholeNumber, Field(ge=1, le=3650)] | None = None
    typical_errors: (
        Annotated[dict[str, TypicalErrorIn], AfterValidator(_of_results), Field(description="By quantity.")]
        | None
    ) = None


class SiteOut(Answer):
    """The settings of the site."""

    revision: int = Field(description="Counts every change of what the site has set or loaded.")
    analysis: dict[str, Any] = Field(description="What the site has set; the rest is the program's.")
    default_norms: dict[str, str | None]
    smallest_worthwhile_change: dict[str, float]
    retest_interval_days: int | None
    typical_errors: dict[str, TypicalErrorIn]
    in_force: dict[str, Any] = Field(
        description="`analysis` and `default_norms` whole, with the program's settings where the site has set none."
    )
    notice: str = Field(description="What a change of the settings of the analysis does to stored analyses.")
