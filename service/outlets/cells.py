"""Flat rows as CSV, with no text in a cell that a spreadsheet would run."""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

# As the first sign of a text: what ASVS 5.0 (1.2.10) names, their wide forms, and ends of lines. The apostrophe is here so
# that the rule can be undone: a text that begins with one gets another.
_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\0", "＝", "＋", "－", "＠", "'")


def inert(value: Any) -> Any:
    """A text that a spreadsheet would take for a formula, with an apostrophe before it; anything else as it is.

    Only texts are touched: a number may begin with a minus. (OWASP ASVS 5.0, 1.2.10.)
    """
    return f"'{value}" if isinstance(value, str) and value.startswith(_STARTS) else value


def restored(text: str) -> str:
    """The text that `inert` was given: one apostrophe at the beginning is taken away."""
    return text.removeprefix("'")


def csv_text(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> str:
    """These columns of flat rows as CSV (RFC 4180); a row without one has an empty cell."""
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, columns, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows({name: inert(row.get(name)) for name in columns} for row in rows)
    return buffer.getvalue()
