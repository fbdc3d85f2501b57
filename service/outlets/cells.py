"""Text in cells that a spreadsheet must not run."""

from typing import Any

_STARTS = ("=", "+", "-", "@", "\t", "\r")


def inert(value: Any) -> Any:
    """A text that a spreadsheet would take for a formula, with an apostrophe before it; anything else as it is.

    Only texts are touched: a number may begin with a minus. (OWASP ASVS 5.0, 1.2.10.)
    """
    return f"'{value}" if isinstance(value, str) and value.startswith(_STARTS) else value
