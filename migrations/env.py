"""Runs the migrations: foreign keys off, a foreign-key check and row counts before the commit.

A batch change of a parent table copies it, drops the old one and renames; with foreign keys on, the drop
would cascade to the children and delete them without a word.
"""

import sqlalchemy as sa
from alembic import context

from service.db.engine import make_engine
from service.db.migrate import table_counts
from service.db.models import Base


def run() -> None:
    """Run on the database of the settings that were handed over."""
    engine = make_engine(context.config.attributes["settings"])
    sqlite = engine.dialect.name == "sqlite"
    allowed_losses = context.config.attributes.get("rows_may_change", ())
    try:
        with engine.connect() as connection:
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
                )
                context.run_migrations()
                if sqlite:
                    broken = connection.execute(sa.text("PRAGMA foreign_key_check")).fetchall()
                    if broken:
                        message = f"The migration would leave rows without their parent: {broken[:5]}"
                        raise RuntimeError(message)
                after = table_counts(connection)
                changed = {
                    name: (rows, after[name])
                    for name, rows in before.items()
                    if name in after and after[name] != rows and name not in allowed_losses
                }
                if changed:
                    message = f"The migration would change row counts: {changed}"
                    raise RuntimeError(message)
    finally:
        engine.dispose()


run()
