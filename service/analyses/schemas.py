"""What goes over the wire about an analysis.

The document itself is made by the pure core and is described by its parts; its inner objects grow with the
methods, so the schema names the parts a caller may rely on.
"""

from typing import Annotated, Any, Literal

from pydantic import Field

from service.http.wire import Answer, Number, WholeNumber, Wire

Convention = Literal[
    "time_weighted", "moving_seconds", "consecutive_bins", "moving_breaths", "trimmed_breaths"
]


class SettingsIn(Wire):
    """Settings asked for this test. What is left out stays as it was asked before; null takes a wish back.

    What nobody asked for the test is as its cohort and the site have it now.
    """

    peak_convention: Convention | None = None
    peak_window_s: Annotated[Number, Field(ge=1, le=600)] | None = None
    peak_window_breaths: Annotated[WholeNumber, Field(ge=1, le=200)] | None = None
    effort_rules: str | None = None
    plateau_rule: str | None = None
    heart_rate_max_method: str | None = None
    aberrant_breaths: str | None = Field(
        None, description="Rule that leaves out single breaths out of line: local_4_sd, or none."
    )


class ReanalysisIn(Wire):
    """A wish to analyse anew."""

    settings: SettingsIn = Field(default_factory=SettingsIn)


class AnalysisOut(Answer):
    """The analysis of a test. Whatever cannot be had is null with a reason."""

    test_id: str
    analysis_version: str
    provisional: bool
    settings: dict[str, Any]
    settings_changed_since: list[dict[str, Any]]
    breath_care: dict[str, Any]
    peak: dict[str, Any]
    maxima: dict[str, Any]
    peak_by_window: list[dict[str, Any]]
    plateau: dict[str, Any]
    effort: dict[str, Any]
    thresholds: list[dict[str, Any]]
    threshold_fits: list[dict[str, Any]]
    slopes: dict[str, Any]
    steady_state: dict[str, Any]
    recovery: dict[str, Any]
    energy: dict[str, Any]
    blood_pressure: dict[str, Any]
    reserves: dict[str, Any]
    predicted: list[dict[str, Any]]
    ranks: list[dict[str, Any]]
    training_ranges: list[dict[str, Any]]
    findings: list[dict[str, Any]]
    cautions: list[str]


class ReanalysedOut(AnalysisOut):
    """The new analysis, stored, and what it changed."""

    changed: list[dict[str, Any]]
