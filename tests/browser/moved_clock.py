"""The command with a clock that stands still until a test moves it: ``python -m tests.browser.moved_clock FILE serve ...``.

FILE holds the present, so that a test of half an hour is recorded in a minute, and to the second.
"""

import sys
from datetime import datetime
from pathlib import Path

from service.db import transactions

_present = Path(sys.argv.pop(1))


def _now() -> datetime:
    return datetime.fromisoformat(_present.read_text(encoding="ascii"))


# Before any other module takes the name.
transactions.now = _now

if __name__ == "__main__":
    from service.cli import main

    main()
