"""Write a migration from the difference of the models to the newest schema: ``python migrations/new.py "what it does"``.

Read what was written before it is committed: Alembic sees tables, columns and constraints, not what the data needs.
"""

import sys
import tempfile

from alembic import command

from service.db.migrate import alembic_config, schema_state, upgrade
from service.db.transactions import now
from service.settings import Settings


def main(words: str) -> None:
    """Write the next migration, numbered, its file named by date and time."""
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings(database_url=f"sqlite:///{folder}/newest.db")
        upgrade(settings)
        config = alembic_config(settings)
        config.set_main_option("file_template", f"{now():%Y%m%d_%H%M}_%%(slug)s")
        number = int(schema_state(settings).newest) + 1
        command.revision(config, words, autogenerate=True, rev_id=f"{number:04d}")


if __name__ == "__main__":
    main(" ".join(sys.argv[1:]) or sys.exit('Say what it does: python migrations/new.py "add a column"'))
