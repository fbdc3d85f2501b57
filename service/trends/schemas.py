"""What goes over the wire about results over time."""

from datetime import date
from typing import Any

from service.http.wire import Answer


class TrendedQuantity(Answer):
    """A quantity that a subject has results of."""

    quantity: str
    n: int
    first_date: date
    last_date: date
    modes: list[str]


class TrendOut(Answer):
    """A trend: one series for each mode, basis and protocol family."""

    subject_id: str | None
    quantity: str
    unit: str
    series: list[dict[str, Any]]
