"""The tables of an export: complete, and true to the registry."""

from typing import get_args

import pytest
import sqlalchemy as sa

from service.analysis.effort import EffortVerdict
from service.analysis.peaks import Convention
from service.analysis.summary import AnalysisSettings
from service.db.models import Base
from service.events.schemas import PersonKind, SiteKind
from service.exercise_tests.schemas import Mode, PhaseName, Purpose, Shape, Status, StopReason
from service.outlets.data_package import arrow_schema, table_schema
from service.outlets.tables import DICTIONARY, LEFT_OUT, PROFILES, TABLES, dictionary_rows, tables_of
from service.quantities import QUANTITIES

STORED = {
    f"{table.name}.{column.name}" for table in Base.metadata.tables.values() for column in table.columns
}
SHOWN = {name for table in TABLES for column in table.columns for name in column.of}


def test_every_stored_column_is_exported_or_left_out_with_a_reason():
    forgotten = {
        name for name in STORED - SHOWN if name not in LEFT_OUT and name.split(".")[0] not in LEFT_OUT
    }
    assert forgotten == set()
    assert all(reason.strip() for reason in LEFT_OUT.values())


def test_what_is_named_is_stored():
    assert SHOWN <= STORED
    assert {name for name in LEFT_OUT if "." in name} <= STORED - SHOWN
    assert {name for name in LEFT_OUT if "." not in name} <= set(Base.metadata.tables)


#: What an export shows in another type than it is stored in.
IN_ANOTHER_TYPE = {
    ("intervals", "phase"),  # stored as a code
    ("visits", "date"),  # of the instant
    ("tests", "source_columns"),  # a list within an object
}


def test_types_are_those_of_the_database():
    kinds = {
        "number": sa.Float, "integer": sa.Integer, "boolean": sa.Boolean, "string": sa.String, "object": sa.JSON,
        "date": sa.Date, "datetime": sa.DateTime,
    }  # fmt: skip
    checked = 0
    for table in TABLES:
        for column in table.of_profile("identified"):
            stored = [Base.metadata.tables[name.split(".")[0]].c[name.split(".")[1]] for name in column.of]
            # Ids and keys are integers inside; parts of a JSON value and of a document have no type of their own.
            if len(stored) != 1 or stored[0].foreign_keys or stored[0].name == "document":
                continue
            kind = stored[0].type.impl if isinstance(stored[0].type, sa.TypeDecorator) else stored[0].type
            part = isinstance(kind, sa.JSON) and column.type != "object"
            if not part and (table.name, column.name) not in IN_ANOTHER_TYPE:
                assert isinstance(kind, kinds[column.type]), (table.name, column.name)
                checked += 1
    assert checked > 120


def test_words_are_those_that_the_interface_takes():
    taken = {
        ("tests", "mode"): Mode,
        ("tests", "shape"): Shape,
        ("tests", "purpose"): Purpose,
        ("tests", "status"): Status,
        ("tests", "stop_reason"): StopReason,
        ("intervals", "phase"): PhaseName,
        ("events", "kind"): PersonKind | SiteKind,
        ("analyses", "peak_convention"): Convention,
        ("analyses", "effort_verdict"): EffortVerdict,
    }
    for (table_name, column_name), kind in taken.items():
        (column,) = [
            column
            for table in TABLES
            if table.name == table_name
            for column in table.of_profile("identified")
            if column.name == column_name
        ]
        words = {word for part in get_args(kind) for word in (get_args(part) or (part,))}
        assert set(column.known) == words, (table_name, column_name)


def test_every_setting_of_an_analysis_is_a_column():
    (analyses,) = [table for table in TABLES if table.name == "analyses"]
    assert set(AnalysisSettings.__slots__) <= {column.name for column in analyses.columns}


@pytest.mark.parametrize("profile", PROFILES)
def test_names_are_unique_and_keys_exist(profile):
    tables = {table.name: table for table in (*tables_of(profile), DICTIONARY)}
    for table in tables.values():
        names = [column.name for column in table.of_profile(profile)]
        assert len(set(names)) == len(names)
        assert set(table.primary_key) <= set(names)
        required = {column.name for column in table.of_profile(profile) if column.required}
        assert set(table.primary_key) <= required
        for key in table.foreign_keys:
            assert key.column in names
            assert tables[key.table].primary_key == (key.reference,)
    rows = dictionary_rows(profile)
    assert len({(row["table"], row["column"]) for row in rows}) == len(rows)


def test_quantities_are_named_and_coded_as_in_the_registry():
    checked = 0
    for table in TABLES:
        for column in table.columns:
            # The age has words of its own here; the ratio beside a result is the highest of its test.
            if column.name in QUANTITIES and column.name not in {"age_years", "rer"}:
                known = QUANTITIES[column.name]
                assert (column.unit, column.ucum, column.loinc, column.title) == (
                    known.unit, known.ucum, known.loinc, known.label,
                )  # fmt: skip
                checked += 1
    assert checked > 40


def test_a_unit_in_a_name_is_the_unit_of_the_column():
    for table in TABLES:
        for column in table.columns:
            if column.type == "number" and column.name.endswith("_s"):
                assert (column.unit, column.ucum) == ("s", "s"), column.name


def test_the_schemas_agree():
    for profile in PROFILES:
        for table in tables_of(profile):
            columns = table.of_profile(profile)
            fields = table_schema(table, profile)["fields"]
            schema = arrow_schema(columns)
            assert [field["name"] for field in fields] == schema.names
            for field, arrow in zip(fields, schema, strict=True):
                metadata = {name.decode(): value.decode() for name, value in (arrow.metadata or {}).items()}
                for name in ("title", "description", "unit", "ucum", "loinc"):
                    assert field.get(name) == metadata.get(name)
                assert field.get("constraints", {}).get("required", False) == (not arrow.nullable)
