"""A research export as files: CSV, Parquet, and a Data Package (version 2.0) around the CSV files.

Rows come and are written in pieces, column by column, so that memory does not grow with them. The CSV files can be read back
with `read_csv`, which undoes what is done to texts that a spreadsheet would run.
"""

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from itertools import islice
from pathlib import Path
from typing import IO, Any, Literal, Protocol

from service.outlets import phrases
from service.outlets.cells import inert, restored
from service.outlets.tables import DICTIONARY, Column, Profile, Table, Type

Format = Literal["csv", "parquet", "datapackage"]
PACKAGE_SCHEMA = "https://datapackage.org/profiles/2.0/datapackage.json"
_RESOURCE_SCHEMA = "https://datapackage.org/profiles/2.0/dataresource.json"
_TABLE_SCHEMA = "https://datapackage.org/profiles/2.0/tableschema.json"
_ROWS_AT_ONCE = 5000
#: Of Parquet. What is told of each group is held to the end, so groups must be few; rows are held to the end of a group.
_ROWS_A_GROUP = 50_000
#: Some rows of a table, column by column; a column that is absent is missing in all of them.
Piece = Mapping[str, Sequence[Any]]


class Target(Protocol):
    """Where the files of an export go."""

    def open(self, name: str) -> Any:
        """A context in which a new file of this name is written, as a binary stream."""


@dataclass(frozen=True, slots=True)
class Folder:
    """An export as a folder."""

    path: Path

    @contextmanager
    def open(self, name: str) -> Iterator[IO[bytes]]:
        """A new file of this name; refuses to write over another."""
        with (self.path / name).open("xb") as stream:
            yield stream


@dataclass(frozen=True, slots=True)
class Zip:
    """An export as one zip archive, written from its beginning to its end."""

    archive: zipfile.ZipFile
    folder: str = ""

    @contextmanager
    def open(self, name: str) -> Iterator[IO[bytes]]:
        """A new member of this name; its time tells nothing."""
        member = zipfile.ZipInfo(self.folder + name, (1980, 1, 1, 0, 0, 0))
        member.compress_type = zipfile.ZIP_DEFLATED
        with self.archive.open(member, "w", force_zip64=True) as stream:
            yield stream


@dataclass(slots=True)
class Counted:
    """A binary stream that counts and digests what is written to it.

    Attributes
    ----------
    stream : binary stream
    size : int
        Bytes.
    """

    stream: IO[bytes]
    size: int = 0
    closed: bool = False
    _digest: Any = field(default_factory=hashlib.sha256)

    def write(self, data: Any) -> int:
        """Write on."""
        piece = bytes(data)
        self._digest.update(piece)
        self.size += len(piece)
        self.stream.write(piece)
        return len(piece)

    def tell(self) -> int:
        """Bytes so far."""
        return self.size

    def flush(self) -> None:
        """Nothing is held back here."""

    def readable(self) -> bool:
        return False

    def writable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return False

    def close(self) -> None:
        """The stream below is closed by whoever opened it."""

    @property
    def sha256(self) -> str:
        """Of everything written."""
        return str(self._digest.hexdigest())


@dataclass(frozen=True, slots=True)
class Written:
    """One file of an export."""

    table: Table
    path: str
    rows: int
    size: int
    sha256: str


def in_pieces(columns: Sequence[Column], rows: Iterable[Mapping[str, Any]]) -> Iterator[Piece]:
    """Rows, each column to value, in pieces to write; a column that is absent is missing."""
    left = iter(rows)
    while part := list(islice(left, _ROWS_AT_ONCE)):
        yield {column.name: [row.get(column.name) for row in part] for column in columns}


def evenly(pieces: Iterable[Piece]) -> Iterator[Piece]:
    """Pieces of any length, all with the same columns, in pieces to write."""
    held: dict[str, list[Any]] = {}
    for piece in pieces:
        for name, values in piece.items():
            held.setdefault(name, []).extend(values)
        while _length(held) >= _ROWS_AT_ONCE:
            yield {name: values[:_ROWS_AT_ONCE] for name, values in held.items()}
            held = {name: values[_ROWS_AT_ONCE:] for name, values in held.items()}
    if _length(held):
        yield held


def _length(piece: Piece) -> int:
    return len(next(iter(piece.values()), ()))


def write_table(
    target: Target, table: Table, profile: Profile, pieces: Iterable[Piece], form: Format
) -> Written:
    """Write one table as one file.

    Parameters
    ----------
    target : Target
    table : Table
    profile : str
    pieces : iterable of Piece
    form : {"csv", "parquet", "datapackage"}
    """
    columns = table.of_profile(profile)
    path = f"{table.name}.{'parquet' if form == 'parquet' else 'csv'}"
    writer: Callable[[Counted, Sequence[Column], Iterable[Piece]], int] = (
        write_parquet if form == "parquet" else write_csv
    )
    with target.open(path) as stream:
        counted = Counted(stream)
        count = writer(counted, columns, pieces)
    return Written(table, path, count, counted.size, counted.sha256)


def write_csv(stream: Any, columns: Sequence[Column], pieces: Iterable[Piece]) -> int:
    """Write rows as CSV (RFC 4180, UTF-8); how many there were."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow([column.name for column in columns])
    count = 0
    for piece in pieces:
        length = _length(piece)
        cells = [
            _cells(column, piece[column.name]) if column.name in piece else [""] * length
            for column in columns
        ]
        writer.writerows(zip(*cells, strict=True))
        count += length
        stream.write(buffer.getvalue().encode())
        buffer.seek(0)
        buffer.truncate()
    stream.write(buffer.getvalue().encode())
    return count


def _cells(column: Column, values: Sequence[Any]) -> list[str]:
    told = _TOLD[column.type]
    return ["" if value is None else told(value) for value in values]


def _moment(value: date | datetime) -> str:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    return value.isoformat()


_TOLD: Mapping[Type, Callable[[Any], str]] = {
    "string": lambda value: str(inert(value)),
    "integer": str,
    "number": lambda value: repr(float(value)),
    "boolean": lambda value: "true" if value else "false",
    "date": _moment,
    "datetime": _moment,
    "object": lambda value: json.dumps(value, ensure_ascii=False, sort_keys=True),
}
_PARSE: Mapping[Type, Callable[[str], Any]] = {
    "string": restored,
    "integer": int,
    "number": float,
    "boolean": lambda text: text == "true",
    "date": date.fromisoformat,
    "datetime": datetime.fromisoformat,
    "object": json.loads,
}


def read_csv(stream: IO[str], columns: Sequence[Column]) -> Iterator[dict[str, Any]]:
    """Rows of a CSV file of an export as they were before they were written.

    Parameters
    ----------
    stream : text stream
        Opened with ``newline=""``.
    columns : sequence of Column
        Of its table and profile.

    Raises
    ------
    ValueError
        The header is not that of the columns, or a cell is not of the type of its column.
    """
    reader = csv.reader(stream)
    names = [column.name for column in columns]
    if next(reader, None) != names:
        raise ValueError(f"the header is not {', '.join(names)}")
    for cells in reader:
        yield {
            column.name: None if cell == "" else _PARSE[column.type](cell)
            for column, cell in zip(columns, cells, strict=True)
        }


def arrow_schema(columns: Sequence[Column]) -> Any:
    """The schema of a Parquet file: title, description, unit and codes are metadata of each field."""
    import pyarrow as pa

    types = {
        "string": pa.string(),
        "object": pa.string(),
        "integer": pa.int64(),
        "number": pa.float64(),
        "boolean": pa.bool_(),
        "date": pa.date32(),
        "datetime": pa.timestamp("us", tz="UTC"),
    }
    return pa.schema(
        [
            pa.field(
                column.name,
                types[column.type],
                nullable=not column.required,
                metadata={
                    name: value
                    for name, value in (
                        ("title", column.title),
                        ("description", column.description),
                        ("unit", column.unit),
                        ("ucum", column.ucum),
                        ("loinc", column.loinc or ""),
                    )
                    if value
                },
            )
            for column in columns
        ]
    )


def write_parquet(stream: Any, columns: Sequence[Column], pieces: Iterable[Piece]) -> int:
    """Write rows as Parquet; how many there were. Texts are as they are: no program runs them."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = arrow_schema(columns)
    count = 0
    group = [schema.empty_table()]
    with pq.ParquetWriter(pa.PythonFile(stream, mode="w"), schema) as writer:
        for piece in pieces:
            length = _length(piece)
            arrays = [
                pa.array(_parquet_values(column, piece[column.name]), type=field.type)
                if column.name in piece
                else pa.nulls(length, field.type)
                for column, field in zip(columns, schema, strict=True)
            ]
            group.append(pa.Table.from_arrays(arrays, schema=schema))
            count += length
            if sum(len(one) for one in group) >= _ROWS_A_GROUP:
                writer.write_table(pa.concat_tables(group))
                group = []
            # Not beside the next piece.
            del piece, arrays
        if group:
            writer.write_table(pa.concat_tables(group))
    return count


def _parquet_values(column: Column, values: Sequence[Any]) -> Sequence[Any]:
    if column.type == "string" and "" in values:
        return [None if value == "" else value for value in values]
    if column.type == "object":
        return [None if value is None else _TOLD["object"](value) for value in values]
    return values


def table_schema(table: Table, profile: Profile) -> dict[str, Any]:
    """The Table Schema (Data Package 2.0) of a table; `unit`, `ucum` and `loinc` are properties of our own."""
    columns = table.of_profile(profile)
    names = {column.name for column in columns}
    keys = []
    for key in table.foreign_keys:
        if key.column in names:
            reference: dict[str, Any] = {"fields": [key.reference]}
            if key.table != table.name:
                reference = {"resource": key.table, **reference}
            keys.append({"fields": [key.column], "reference": reference})
    schema: dict[str, Any] = {
        "$schema": _TABLE_SCHEMA,
        "fieldsMatch": "exact",
        "fields": [_field(column) for column in columns],
        "missingValues": [""],
        "primaryKey": list(table.primary_key),
    }
    return schema | ({"foreignKeys": keys} if keys else {})


def _field(column: Column) -> dict[str, Any]:
    constraints: dict[str, Any] = {}
    if column.required:
        constraints["required"] = True
    if column.closed:
        constraints["enum"] = list(column.known)
    for name in ("minimum", "maximum"):
        if (limit := getattr(column, name)) is not None:
            constraints[name] = limit
    described = {
        "name": column.name,
        "type": column.type,
        "title": column.title,
        "description": column.description,
        "unit": column.unit,
        "ucum": column.ucum,
        "loinc": column.loinc,
        "constraints": constraints,
    }
    return {name: value for name, value in described.items() if value}


@dataclass(frozen=True, slots=True)
class About:
    """What is told of an export as a whole.

    Attributes
    ----------
    id : str
    profile : str
    title : str
    created : datetime, optional
        None where no date is told.
    program_version, analysis_version : str
    analysis_versions : mapping of str to int
        How many analyses there are of each version.
    smallest_group : int, optional
        People that share sex and age group with the person that shares them with the fewest.
    notes : tuple of str
        Further sentences for the reader.
    """

    id: str
    profile: Profile
    title: str
    created: datetime | None
    program_version: str
    analysis_version: str
    analysis_versions: Mapping[str, int]
    smallest_group: int | None = None
    notes: tuple[str, ...] = ()


CAUTIONS = (
    "For people who are trained and allowed to work with exercise tests. Nothing here is a diagnosis.",
    (
        "A number is only as good as the calibration, the fit of the mask and the effort behind it: read `findings` first, leave "
        "out tests whose status is void, and do not compare results of different basis, averaging or protocol family."
    ),
    (
        "These are health data. What may be done with them, and who may have them, is decided by law, by your institution and by "
        "what the people were told."
    ),
)

_OF_PROFILE: Mapping[Profile, str] = {
    "identified": "Identified: with names, birth dates and notes on the person.",
    "coded": "Coded: no names and no birth dates of subjects; codes, dates, places, names of testers and free text are in it, "
    "and free text may name people. Whoever has the record can tell whose data these are.",
    "deidentified": "De-identified: no dates but days since each person's first test, no free text, places, devices or codes; "
    "random ids of this export alone; ages of 90 and more together. Not anonymous: a person may be recognised by what is left. "
    "No promise is made; local rules decide.",
}


def descriptor(about: About, written: Sequence[Written]) -> dict[str, Any]:
    """The ``datapackage.json`` of an export. A licence is not named: the site gives it, or gives none."""
    package: dict[str, Any] = {
        "$schema": PACKAGE_SCHEMA,
        "name": f"exercise-tests-{about.id}",
        "id": about.id,
        "title": about.title,
        "description": "\n\n".join([_OF_PROFILE[about.profile], *about.notes, *CAUTIONS]),
        "version": "1.0.0",
        "profile_of_export": about.profile,
        "program_version": about.program_version,
        "analysis_version": about.analysis_version,
        "resources": [
            {
                "$schema": _RESOURCE_SCHEMA,
                "name": one.table.name,
                "path": one.path,
                "type": "table",
                "title": one.table.title,
                "description": one.table.description,
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "bytes": one.size,
                "hash": f"sha256:{one.sha256}",
                "dialect": {"lineTerminator": "\r\n"},
                "schema": table_schema(one.table, about.profile),
            }
            for one in written
        ],
    }
    if about.created is not None:
        package["created"] = (
            about.created.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        )
    return package


def readme(about: About, written: Sequence[Written]) -> str:
    """The text that goes with an export."""
    lines = [
        f"# {about.title}",
        "",
        f"Export {about.id}" + ("" if about.created is None else f", made {_moment(about.created)}") + ".",
        "",
        _OF_PROFILE[about.profile],
        "",
        *(line for note in about.notes for line in (note, "")),
        "## Versions",
        "",
        f"- Program {about.program_version}; analyses are now of version {about.analysis_version}.",
    ]
    lines += [
        f"- {count} analyses of version {version}"
        for version, count in sorted(about.analysis_versions.items())
    ]
    lines += [
        "",
        (
            "Cite the id of this export and the version of the analysis. Settings stand beside each analysis in `analyses`; the "
            "averaging, the window and the method beside each result in `results`."
        ),
        "",
        "## Files",
        "",
        "| File | Rows | What |",
        "| --- | --- | --- |",
        *(f"| `{one.path}` | {one.rows} | {one.table.description} |" for one in written),
        "",
        f"Every column is described in `{DICTIONARY.name}`, with its unit, UCUM code and, where it was verified, LOINC code.",
        "",
        "## How to read the files",
        "",
        (
            "- An empty cell is missing; an empty text was made missing too. Instants are in UTC. Times in seconds count from "
            "the beginning of the recording."
        ),
        (
            "- In the CSV files a text that begins with one of `= + - @` (or their wide forms), a tab, an end of line, a null "
            "character or an apostrophe has an apostrophe before it, so that no spreadsheet runs it. To have the text as it was, "
            "take one apostrophe away from the beginning of each text that has one. Numbers and dates are untouched, and Parquet "
            "files have the texts as they were."
        ),
    ]
    if about.smallest_group is not None:
        lines += [
            "",
            "## How alike people are",
            "",
            (
                f"The person who is least like others shares sex and age group (at the first visit) with "
                f"{about.smallest_group - 1} others in this export. The fewer they are, the sooner somebody is recognised."
            ),
        ]
    lines += ["", "## Cautions", "", *(f"- {caution}" for caution in CAUTIONS), ""]
    if any(column.loinc for one in written for column in one.table.of_profile(about.profile)):
        lines += [phrases.LOINC_NOTICE, ""]
    return "\n".join(lines)


def write_text(target: Target, name: str, text: str) -> None:
    """Write one text file."""
    with target.open(name) as stream:
        stream.write(text.encode())
