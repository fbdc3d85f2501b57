"""Configuration: `UPSLOPE_*` environment variables, each described."""

import re
from functools import cached_property
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field
from pydantic_settings import BaseSettings, SettingsConfigDict


def _supported(url: str) -> str:
    if url.startswith("sqlite:///") and url != "sqlite:///" and ":memory:" not in url:
        return url
    if url.startswith("postgresql+psycopg://"):
        return url
    message = "must be sqlite:///FILE or postgresql+psycopg://... (a record is kept in a file or a server, not in memory)"
    raise ValueError(message)


def _known_locale(name: str) -> str:
    if name:
        from babel import Locale, UnknownLocaleError

        try:
            Locale.parse(name.replace("-", "_"))
        except (ValueError, UnknownLocaleError) as error:
            raise ValueError("must be a known locale such as en-GB or de-DE, or empty") from error
    return name


class Settings(BaseSettings):
    """Every setting of the service; an unknown `UPSLOPE_` variable is not an error, a bad value is."""

    model_config = SettingsConfigDict(env_prefix="UPSLOPE_", frozen=True)

    database_url: Annotated[str, AfterValidator(_supported)] = Field(
        "sqlite:///upslope.db",
        description="Where the record is kept: sqlite:///FILE (relative to the working directory) or postgresql+psycopg://...",
    )
    max_upload_mib: int = Field(50, ge=1, le=2048, description="Largest file accepted by an import, in MiB.")
    max_body_mib: int = Field(16, ge=1, le=2048, description="Largest JSON body accepted, in MiB.")
    max_import_rows: int = Field(200_000, ge=100, le=5_000_000, description="Most rows of one imported file.")
    ready_mib: int = Field(
        64,
        ge=0,
        le=16_384,
        description="Memory of each process for answers that are kept ready as long as the record stays the same, in MiB; "
        "0: none.",
    )
    require_if_match: bool = Field(
        False, description="Refuse (428) a change of a record that does not say which state it changes."
    )
    auth_failures_per_minute: int = Field(
        300, ge=1, description="Refused keys from one address in a minute before it has to wait."
    )
    requests_per_minute: int = Field(
        0, ge=0, description="Requests of one key in a minute before it has to wait; 0 is no limit."
    )
    session_hours: float = Field(
        12.0, gt=0, le=720, description="How long a browser that signed in stays signed in."
    )
    cors_origins: str = Field(
        "", description="Origins that may read the API from a browser, separated by commas."
    )
    base_url: str = Field(
        "",
        description="Public address of this service, for addresses of error types, codes and links; empty: relative ones.",
    )
    busy_timeout_s: float = Field(
        30.0, gt=0, description="How long a SQLite writer waits for another before it gives up."
    )
    link_days: int = Field(
        90, ge=1, le=3660, description="Most days that a link to a chart works without a key."
    )
    idempotency_hours: int = Field(
        24, ge=1, description="How long the first answer to an Idempotency-Key is kept."
    )
    retention_years: int = Field(
        0,
        ge=0,
        le=200,
        description="Years after the last visit of a person for which data are kept; those due are listed, never erased by "
        "themselves. 0: no such time.",
    )
    backup_before_upgrade: bool = Field(
        True, description="Copy a SQLite database beside itself before its schema is upgraded."
    )
    locale: Annotated[str, AfterValidator(_known_locale)] = Field(
        "",
        description="How pages, charts and reports write numbers and dates, such as en-GB or de-DE; "
        "empty: 2,060.5 and 2026-03-14. The words stay English.",
    )
    display_units: Literal["metric", "us"] = Field(
        "metric",
        description="Units on pages, in forms, charts and reports: metric, or us for lb, in, ft, mph and °F. "
        "The record, the API's values and files are metric always.",
    )
    backup_folder: str = Field(
        "",
        description="Where `serve` puts checked copies of a SQLite record by the clock; empty: it makes none.",
    )
    backup_hours: float = Field(24.0, gt=0, le=24 * 366, description="Hours from one such copy to the next.")
    backup_keep: int = Field(
        14, ge=1, le=10_000, description="How many such copies are kept; older ones are deleted."
    )
    log_level: str = Field(
        "info",
        pattern="^(debug|info|warning|error)$",
        description="Least severity that is logged; with debug a fault is logged with its message, which may hold personal data.",
    )

    @cached_property
    def sqlite_path(self) -> str | None:
        """Path of the SQLite file, None on PostgreSQL."""
        return (
            self.database_url.removeprefix("sqlite:///") if self.database_url.startswith("sqlite") else None
        )

    @property
    def shown_url(self) -> str:
        """The database without its password, for messages."""
        return re.sub(r"(://[^:/@]*):[^@]*@", r"\1:***@", self.database_url)

    @classmethod
    def described(cls) -> list[dict[str, Any]]:
        """Name, default and description of each variable, for the guide and the command."""
        return [
            {
                "name": f"UPSLOPE_{name.upper()}",
                "default": field.default,
                "description": field.description,
            }
            for name, field in cls.model_fields.items()
        ]
