"""Migrations with data in every table, and the guards that keep one from losing rows."""

import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic import command
from alembic.script import ScriptDirectory

from service.db import migrate
from service.db.engine import make_engine
from service.db.models import Base


def counts(settings):
    engine = make_engine(settings)
    with engine.connect() as connection:
        found = migrate.table_counts(connection)
    engine.dispose()
    return found


@pytest.fixture
def filled(settings, fill):
    """The settings of a database at the newest schema with rows in every table, and its row counts."""
    migrate.upgrade(settings)
    engine = make_engine(settings)
    before = fill(engine)
    engine.dispose()
    return settings, before


def test_every_table_of_the_models_is_made_and_filled(filled):
    _, before = filled
    assert set(before) == set(Base.metadata.tables)
    assert set(before.values()) == {3}


def test_the_models_agree_with_the_migrations(filled):
    settings, _ = filled
    command.check(migrate.alembic_config(settings))


def test_a_column_that_no_migration_makes_is_found(filled):
    settings, _ = filled
    stray = sa.Column("stray", sa.Integer)
    table = sa.Table("stray_table", Base.metadata, stray)
    try:
        with pytest.raises(Exception, match="stray_table"):
            command.check(migrate.alembic_config(settings))
    finally:
        Base.metadata.remove(table)


def test_down_to_nothing_and_up_again_with_rows_in_every_table(filled):
    settings, _ = filled
    command.downgrade(migrate.alembic_config(settings), "base")
    assert counts(settings) == {}
    assert migrate.schema_state(settings).current is None
    migrate.upgrade(settings)
    assert set(counts(settings).values()) == {0}
    command.check(migrate.alembic_config(settings))


@pytest.mark.parametrize("later", [0, 1, 2])
def test_the_files_say_what_alembic_reads_out_of_them(settings, later_migration, later):
    for place in range(later):
        later_migration("pass", name=f"later_{place}")
    script = ScriptDirectory.from_config(migrate.alembic_config(settings))
    every = {one.revision: one.down_revision for one in script.walk_revisions()}
    files = (migrate.migrations_folder() / "versions").glob("*.py")
    assert dict(migrate._step(file) for file in files) == every
    for current in (None, *every, "from_the_future"):
        state = migrate._state_of(current)
        assert state.newest == script.get_current_head()
        assert state.known == (current is None or current in every)


def test_two_newest_schemas_are_not_taken_for_one(settings, later_migration):
    later_migration("pass", name="later")
    folder = migrate.migrations_folder() / "versions"
    (twin,) = folder.glob("*_later.py")
    (folder / "20990101_0001_twin.py").write_text(twin.read_text().replace("'later'", "'twin'"))
    with pytest.raises(ValueError, match="too many values"):
        migrate.schema_state(settings)


def test_a_database_of_two_schemas_is_refused(settings):
    migrate.upgrade(settings)
    with sqlite3.connect(settings.sqlite_path) as connection:
        connection.execute("INSERT INTO alembic_version VALUES ('0001')")
    connection.close()
    with pytest.raises(migrate.DatabaseUnusable, match="more than one schema: 0001, "):
        migrate.schema_state(settings)


def test_upgrading_twice_changes_nothing(filled):
    settings, before = filled
    assert "at the newest schema" in migrate.upgrade(settings)
    assert counts(settings) == before


@pytest.mark.parametrize("table", ["subject", "visit", "exercise_test", "cohort", "api_key", "change"])
def test_a_batch_change_of_a_parent_table_keeps_its_children(filled, later_migration, table):
    # A batch change copies the table and drops the old one: with foreign keys on, the drop deletes the children.
    settings, before = filled
    later_migration(
        f"with op.batch_alter_table({table!r}, recreate='always') as batch:\n"
        "        batch.add_column(sa.Column('later', sa.Integer()))"
    )
    migrate.upgrade(settings)
    assert counts(settings) == before
    with closing(sqlite3.connect(settings.sqlite_path)) as connection:
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
    assert "later" in columns


def test_the_trap_is_real(filled):
    # What the guards are for: the same steps with foreign keys on delete the children without a word.
    settings, _ = filled
    with closing(sqlite3.connect(settings.sqlite_path)) as connection:
        connection.execute("PRAGMA foreign_keys=ON")
        connection.execute("CREATE TABLE copy AS SELECT * FROM exercise_test")
        connection.execute("DROP TABLE exercise_test")
        assert connection.execute("SELECT count(*) FROM interval").fetchone() == (0,)


@pytest.mark.parametrize(
    ("upgrade", "told"),
    [
        ("op.execute('DELETE FROM interval WHERE seq = 1')", "row counts.*interval"),
        ("op.execute('DELETE FROM subject WHERE id = 1')", "without their parent"),
        ("op.execute('UPDATE visit SET subject_id = 99 WHERE id = 1')", "without their parent"),
        ("op.execute('no such statement')", "syntax error"),
    ],
)
def test_a_bad_migration_fails_and_is_undone(filled, later_migration, upgrade, told):
    settings, before = filled
    old = migrate.schema_state(settings).current
    later_migration(f"op.add_column('site', sa.Column('later', sa.Integer()))\n    {upgrade}")
    with pytest.raises(migrate.MigrationFailed, match=rf"(?s)undone.*{told}"):
        migrate.upgrade(settings)
    assert counts(settings) == before
    assert migrate.schema_state(settings).current == old
    with closing(sqlite3.connect(settings.sqlite_path)) as connection:
        assert "later" not in [row[1] for row in connection.execute("PRAGMA table_info(site)")]


def test_a_migration_may_change_the_rows_of_a_table_it_names(filled, later_migration):
    settings, before = filled
    later_migration(
        "op.execute('DELETE FROM interval WHERE seq = 1')", before="rows_may_change = ('interval',)"
    )
    migrate.upgrade(settings)
    assert counts(settings) == before | {"interval": 2}


def test_a_copy_is_made_before_data_is_upgraded(filled, later_migration):
    settings, before = filled
    old = migrate.schema_state(settings).current
    later_migration("op.execute('DELETE FROM interval')", before="rows_may_change = ('interval',)")
    told = migrate.upgrade(settings)
    (copy,) = Path(settings.sqlite_path).parent.glob("record.db.before-later-*")
    assert str(copy) in told
    of_copy = settings.model_copy(update={"database_url": f"sqlite:///{copy}"})
    assert counts(of_copy) == before
    assert migrate.schema_state(of_copy).current == old


def test_an_empty_database_is_not_copied(settings):
    assert "from empty to schema" in migrate.upgrade(settings)
    assert [path.name for path in Path(settings.sqlite_path).parent.glob("*before*")] == []


def test_no_copy_where_the_setting_says_so(filled, later_migration):
    settings, _ = filled
    later_migration("pass")
    migrate.upgrade(settings.model_copy(update={"backup_before_upgrade": False}))
    assert not list(Path(settings.sqlite_path).parent.glob("*before*"))


def test_a_newer_database_is_refused_unchanged(filled):
    settings, before = filled
    with closing(sqlite3.connect(settings.sqlite_path)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = 'from_the_future'")
    with pytest.raises(migrate.DatabaseTooNew, match=r"from_the_future.*newer.*Install that version"):
        migrate.upgrade(settings)
    assert counts(settings) == before


def test_a_file_that_is_no_database_is_refused_and_kept(settings):
    path = Path(settings.sqlite_path)
    path.write_bytes(b"time,vo2\n" * 500)
    with pytest.raises(migrate.DatabaseUnusable, match="not a database"):
        migrate.upgrade(settings)
    assert path.read_bytes() == b"time,vo2\n" * 500


def test_names_of_the_files_begin_with_date_and_time():
    names = [path.name for path in (migrate.migrations_folder() / "versions").glob("*.py")]
    assert names
    assert [name for name in names if not re.fullmatch(r"20\d{6}_[0-2]\d[0-5]\d_[a-z0-9_]+\.py", name)] == []


def test_there_is_one_newest_and_one_first(settings):
    script = ScriptDirectory.from_config(migrate.alembic_config(settings))
    assert len(script.get_heads()) == 1
    assert len(script.get_bases()) == 1


def test_every_constraint_has_a_name(filled):
    settings, _ = filled
    engine = make_engine(settings)
    unnamed = []
    inspector = sa.inspect(engine)
    for table in inspector.get_table_names():
        if table == "alembic_version":
            continue
        found = [
            # SQLite writes the key of a table that counts for itself (AUTOINCREMENT) into the column, without a name.
            *([inspector.get_pk_constraint(table)] if table != "change" else []),
            *inspector.get_foreign_keys(table),
            *inspector.get_unique_constraints(table),
            *inspector.get_check_constraints(table),
        ]
        unnamed += [(table, one) for one in found if not one["name"]]
    engine.dispose()
    assert unnamed == []


def test_intervals_are_kept_without_row_ids(filled):
    settings, _ = filled
    with closing(sqlite3.connect(settings.sqlite_path)) as connection:
        without = {row[1] for row in connection.execute("PRAGMA table_list") if row[4]}
    assert {"interval", "interval_extra"} <= without


def test_a_trend_is_one_range_scan(filled):
    settings, _ = filled
    with closing(sqlite3.connect(settings.sqlite_path)) as connection:
        plan = connection.execute(
            "EXPLAIN QUERY PLAN SELECT value FROM result WHERE subject_id = 1 AND quantity = 'x' ORDER BY occurred_at"
        ).fetchall()
    assert len(plan) == 1
    assert "ix_result_subject_id_quantity_occurred_at" in plan[0][3]
