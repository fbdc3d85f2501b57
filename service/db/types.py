"""Column types of our own."""

from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa


class Instant(sa.TypeDecorator[datetime]):
    """An instant, stored in UTC; refuses a time without an offset."""

    impl = sa.DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        """To naive UTC."""
        del dialect
        if value is None:
            return None
        if value.tzinfo is None:
            message = "an instant needs an offset"
            raise ValueError(message)
        return value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: Any, dialect: sa.Dialect) -> datetime | None:
        """To aware UTC."""
        del dialect
        return None if value is None else value.replace(tzinfo=UTC)
