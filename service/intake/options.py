"""What the caller says about a file, and how large it may be."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

TimeMarks = Literal["end", "start"]
VolumeCondition = Literal["btps", "atps", "stpd"]
DecimalMark = Literal[".", ","]


@dataclass(frozen=True, slots=True)
class ColumnChoice:
    """What the caller says a column is.

    Attributes
    ----------
    quantity : str
        A key of `service.quantities.QUANTITIES` that a file may hold (``vo2_ml_min``), or one of
        ``time``, ``start``, ``end``, ``duration``, ``phase``, ``stage``, ``comment``.
    unit : str, optional
        The unit the column is in. Without one the unit of the header counts, and failing that the unit in
        the name of the quantity.
    """

    quantity: str
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """What the caller says about a file; each part wins over what the file says itself.

    Attributes
    ----------
    columns : mapping of str to ColumnChoice or None
        Header of the file -> what the column is; None leaves the column out. A header that occurs twice
        is named ``HR #2`` the second time.
    sheet : str, optional
        The sheet of a workbook.
    time_marks : {"end", "start"}, optional
        What a plain time column marks.
    volume_condition : {"btps", "atps", "stpd"}, optional
        Conditions under which ventilation and tidal volume are stated.
    rows : tuple of float, optional
        First and last second of the part to read, on the clock of the file.
    body_mass_kg, barometric_pressure_mmhg, temperature_c, relative_humidity_percent : float, optional
        Of the visit.
    offset_s : float
        Added to every time.
    decimal_mark : {".", ","}, optional
        Where the file cannot show whether a comma is a decimal mark.
    """

    columns: Mapping[str, ColumnChoice | None] = field(default_factory=lambda: MappingProxyType({}))
    sheet: str | None = None
    time_marks: TimeMarks | None = None
    volume_condition: VolumeCondition | None = None
    rows: tuple[float, float] | None = None
    body_mass_kg: float | None = None
    barometric_pressure_mmhg: float | None = None
    temperature_c: float | None = None
    relative_humidity_percent: float | None = None
    offset_s: float = 0.0
    decimal_mark: DecimalMark | None = None


@dataclass(frozen=True, slots=True)
class ReadLimits:
    """How much is read before a file is refused as too large.

    Attributes
    ----------
    max_bytes : int
        Of the file as it came.
    max_rows, max_columns : int
        Of the table.
    max_uncompressed_bytes : int
        Of a workbook once unpacked.
    max_cells : int
        Rows times columns of a sheet.
    max_line_characters : int
        Of one line of text.
    """

    max_bytes: int = 50 * 1024 * 1024
    max_rows: int = 200_000
    max_columns: int = 300
    max_uncompressed_bytes: int = 256 * 1024 * 1024
    max_cells: int = 8_000_000
    max_line_characters: int = 100_000
