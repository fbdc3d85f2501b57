"""Runs the migrations: foreign keys off, a foreign-key check and row counts before the commit.

A batch change of a parent table copies it, drops the old one and renames; with foreign keys on, the drop
would cascade to the children and delete them without a word. A migration that means to change the number of
rows of a table names it: ``rows_may_change = ("table",)`` beside its revision.
"""

from typing import Any

import sqlalchemy as sa
from alembic import context

from service.db.engine import BEGIN, make_engine
from service.db.migrate import RowsLost, table_counts
from service.db.models import Base


def run() -> None:
    """Run on the database of the settings that were handed over."""
    engine = make_engine(context.config.attributes["settings"])
    sqlite = engine.dialect.name == "sqlite"
    may_change: set[str] = set()

    def applied(*, step: Any, **_: Any) -> None:
        for script in step.up_revisions:
            may_change.update(getattr(script.module, "rows_may_change", ()))

    try:
        # The write lock from the start: of two programs that upgrade at once the second waits, and finds it done.
        with engine.connect().execution_options(**{BEGIN: "IMMEDIATE"}) as connection:
            if sqlite:
                # Only outside a transaction does this pragma do anything.
                connection.connection.driver_connection.execute("PRAGMA foreign_keys=OFF")  # type: ignore[union-attr]
            with connection.begin():
                before = table_counts(connection)
                context.configure(
                    connection=connection,
                    target_metadata=Base.metadata,
                    render_as_batch=sqlite,
                    compare_server_default=True,
                    on_version_apply=applied,
                )
                context.run_migrations()
                if sqlite:
                    broken = connection.execute(sa.text("PRAGMA foreign_key_check")).fetchall()
                    if broken:
                        message = f"The migration would leave rows without their parent: {broken[:5]}"
                        raise RowsLost(message)
                after = table_counts(connection)
                changed = {
                    name: (rows, after[name])
                    for name, rows in before.items()
                    if name in after and after[name] != rows and name not in may_change
                }
                if changed:
                    message = f"The migration would change row counts: {changed}"
                    raise RowsLost(message)
    finally:
        engine.dispose()


run()
