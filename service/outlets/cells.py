"""Text in cells that a spreadsheet must not run."""

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
