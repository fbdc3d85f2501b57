"""The files as people have them: one writer a layout, all of our own making.

Each writer takes the averaged rows (or the breaths) of a test and answers with the bytes of a file. Units stand in
the header or in a line of their own; values are rounded as a printout rounds them.
"""

import io
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
from physiology import Breaths, Floats, Trace

#: Words for the phases as the layouts with a phase column print them.
PHASE_WORDS = {"rest": "Rest", "warm_up": "Warm-up", "exercise": "Exercise", "recovery": "Recovery"}


@dataclass(frozen=True, slots=True)
class Rows:
    """What a file holds, one entry an interval; NaN where nothing was recorded.

    `values` has the keys of the project's registry of quantities. `cadence_name` says what turns: cadence or strokes.
    """

    end_s: Floats
    duration_s: Floats
    phase: tuple[str, ...]
    stage: tuple[int, ...]
    values: Mapping[str, Floats]
    cadence_name: str = "Cadence"


@dataclass(frozen=True, slots=True)
class Heading:
    """What the printed top of a file says about the test."""

    code: str
    date: str
    body_mass_kg: float
    temperature_c: float
    barometric_pressure_mmhg: float


@dataclass(frozen=True, slots=True)
class Column:
    """One column: header, unit, and the value of a row as text."""

    header: str
    unit: str
    value: Callable[[int], str]


def average(
    trace: Trace, breaths: Breaths, heart_rate: Floats, cadence: Floats, window_s: float = 15.0
) -> Rows:
    """Means over consecutive windows, weighted by the length of the breaths that end in each.

    The load of a row and its phase are those at the middle of the window; an incomplete last window is dropped.
    """
    count = int(trace.time_s[-1] // window_s)
    edges = window_s * np.arange(count + 1)
    bins = np.digitize(breaths.end_s, edges, right=True) - 1
    names = {
        "vo2_ml_min": breaths.vo2,
        "vco2_ml_min": breaths.vco2,
        "ve_l_min": breaths.ve,
        "tidal_volume_l": breaths.tidal_volume_l,
        "peto2_mmhg": breaths.peto2,
        "petco2_mmhg": breaths.petco2,
    }
    values = {name: np.full(count, np.nan) for name in names}
    values["respiratory_rate_per_min"] = np.full(count, np.nan)
    for index in range(count):
        inside = bins == index
        if not inside.any():
            continue
        weight = breaths.duration_s[inside]
        for name, channel in names.items():
            values[name][index] = np.average(channel[inside], weights=weight)
        values["respiratory_rate_per_min"][index] = 60.0 * inside.sum() / weight.sum()
        values["tidal_volume_l"][index] = values["ve_l_min"][index] * weight.sum() / (60.0 * inside.sum())
    seconds = [slice(int(edges[i]), int(edges[i + 1])) for i in range(count)]
    values["heart_rate_bpm"] = np.array([heart_rate[part].mean() for part in seconds])
    values["spo2_percent"] = np.array([trace.spo2[part].mean() for part in seconds])
    values["cadence_per_min"] = np.array([cadence[part].mean() for part in seconds])
    middle = (edges[:-1] + window_s / 2.0).astype(int)
    for name, load in _loads(trace).items():
        values[name] = load[middle]
    return Rows(
        end_s=edges[1:],
        duration_s=np.full(count, window_s),
        phase=tuple(trace.phase[i] for i in middle),
        stage=tuple(int(trace.stage[i]) for i in middle),
        values=values,
    )


def breath_rows(trace: Trace, breaths: Breaths, heart_rate: Floats) -> Rows:
    """One row a breath; heart rate, load and phase are those at the end of the breath."""
    at = np.minimum(breaths.end_s.astype(int), len(trace.time_s) - 1)
    values = {
        "vo2_ml_min": breaths.vo2,
        "vco2_ml_min": breaths.vco2,
        "ve_l_min": breaths.ve,
        "tidal_volume_l": breaths.tidal_volume_l,
        "respiratory_rate_per_min": 60.0 / breaths.duration_s,
        "peto2_mmhg": breaths.peto2,
        "petco2_mmhg": breaths.petco2,
        "heart_rate_bpm": heart_rate[at],
        **{name: load[at] for name, load in _loads(trace).items()},
    }
    return Rows(
        end_s=breaths.end_s,
        duration_s=breaths.duration_s,
        phase=tuple(trace.phase[i] for i in at),
        stage=tuple(int(trace.stage[i]) for i in at),
        values=values,
    )


def _loads(trace: Trace) -> dict[str, Floats]:
    if trace.speed_km_h.any():
        return {"speed_km_h": trace.speed_km_h, "grade_percent": trace.grade_percent}
    return {"work_rate_w": trace.work_rate_w}


def _number(values: Floats, decimals: int, *, comma: bool = False) -> Callable[[int], str]:
    def text(index: int) -> str:
        value = float(values[index])
        if not np.isfinite(value):
            return ""
        shown = f"{value:.{decimals}f}"
        return shown.replace(".", ",") if comma else shown

    return text


def _ratio(rows: Rows, *, comma: bool = False) -> Callable[[int], str]:
    return _number(rows.values["vco2_ml_min"] / rows.values["vo2_ml_min"], 2, comma=comma)


def _stage(rows: Rows) -> Callable[[int], str]:
    return lambda index: "" if rows.stage[index] < 0 else str(rows.stage[index])


def _phase(rows: Rows) -> Callable[[int], str]:
    return lambda index: PHASE_WORDS[rows.phase[index]]


def _minutes_seconds(seconds: float) -> str:
    return f"{int(seconds) // 60:02d}:{int(seconds) % 60:02d}"


def _hours(seconds: float) -> str:
    return f"{int(seconds) // 3600}:{int(seconds) // 60 % 60:02d}:{int(seconds) % 60:02d}"


def _lines(columns: Sequence[Column], count: int, separator: str) -> list[str]:
    return [separator.join(column.value(index) for column in columns) for index in range(count)]


def plain_comma(rows: Rows, _: Heading) -> bytes:
    """Header first, units in parentheses, seconds, phase and stage columns."""
    v = rows.values
    columns = [
        Column("Time", "s", _number(rows.end_s, 0)),
        Column("Phase", "", _phase(rows)),
        Column("Stage", "", _stage(rows)),
        Column("Work rate", "W", _number(v["work_rate_w"], 0)),
        Column(rows.cadence_name, "/min", _number(v["cadence_per_min"], 0)),
        Column("VO2", "mL/min", _number(v["vo2_ml_min"], 0)),
        Column("VCO2", "mL/min", _number(v["vco2_ml_min"], 0)),
        Column("RER", "", _ratio(rows)),
        Column("VE", "L/min", _number(v["ve_l_min"], 1)),
        Column("RR", "/min", _number(v["respiratory_rate_per_min"], 0)),
        Column("HR", "beats/min", _number(v["heart_rate_bpm"], 0)),
    ]
    header = ",".join(f"{c.header} ({c.unit})" if c.unit else c.header for c in columns)
    return ("\n".join([header, *_lines(columns, rows.end_s.size, ",")]) + "\n").encode("ascii")


def semicolon_units_line(rows: Rows, heading: Heading) -> bytes:
    """A printed top, the header in line 6, a units line, mm:ss, semicolons, decimal commas, byte-order mark."""
    v = rows.values
    columns = [
        Column("Time", "min:s", lambda i: _minutes_seconds(rows.end_s[i])),
        Column("Phase", "", _phase(rows)),
        Column("Load", "W", _number(v["work_rate_w"], 0, comma=True)),
        Column("HR", "beats/min", _number(v["heart_rate_bpm"], 0, comma=True)),
        Column("VO2", "L/min", _number(v["vo2_ml_min"] / 1000.0, 3, comma=True)),
        Column("VCO2", "L/min", _number(v["vco2_ml_min"] / 1000.0, 3, comma=True)),
        Column("RER", "", _ratio(rows, comma=True)),
        Column("VE BTPS", "L/min", _number(v["ve_l_min"], 1, comma=True)),
        Column("RR", "1/min", _number(v["respiratory_rate_per_min"], 0, comma=True)),
        Column("VT", "L", _number(v["tidal_volume_l"], 2, comma=True)),
    ]
    top = [
        "Graded exercise test, 15-s means",
        f"Client;{heading.code}",
        f"Date;{heading.date}",
        f"Body mass (kg);{heading.body_mass_kg:.1f}".replace(".", ","),
        "",
        ";".join(column.header for column in columns),
        ";".join(column.unit for column in columns),
    ]
    return ("\r\n".join([*top, *_lines(columns, rows.end_s.size, ";")]) + "\r\n").encode("utf-8-sig")


def treadmill_brackets(rows: Rows, heading: Heading) -> bytes:
    """Units in brackets, h:mm:ss, uptake also per body mass, end-tidal pressures, summary lines at the end."""
    v = rows.values
    columns = [
        Column("Time", "h:mm:ss", lambda i: _hours(rows.end_s[i])),
        Column("Phase", "", _phase(rows)),
        Column("Speed", "km/h", _number(v["speed_km_h"], 1)),
        Column("Grade", "%", _number(v["grade_percent"], 1)),
        Column("HR", "beats/min", _number(v["heart_rate_bpm"], 0)),
        Column("VO2", "mL/min", _number(v["vo2_ml_min"], 0)),
        Column("VO2/kg", "mL/kg/min", _number(v["vo2_ml_min"] / heading.body_mass_kg, 1)),
        Column("VCO2", "mL/min", _number(v["vco2_ml_min"], 0)),
        Column("VE", "L/min", _number(v["ve_l_min"], 1)),
        Column("RR", "/min", _number(v["respiratory_rate_per_min"], 0)),
        Column("PETO2", "mmHg", _number(v["peto2_mmhg"], 0)),
        Column("PETCO2", "mmHg", _number(v["petco2_mmhg"], 0)),
    ]
    header = ",".join(f"{c.header} [{c.unit}]" if c.unit else c.header for c in columns)
    highest = f"Highest,,,,{np.nanmax(v['heart_rate_bpm']):.0f},{np.nanmax(v['vo2_ml_min']):.0f},,,,,,"
    return ("\n".join([header, *_lines(columns, rows.end_s.size, ","), "", highest]) + "\n").encode("ascii")


def start_marks(rows: Rows, _: Heading) -> bytes:
    """Times that mark the start of each interval, VO2 in L/min, no phase column; SpO2 beside the rest."""
    v = rows.values
    columns = [
        Column("Time", "s", _number(rows.end_s - rows.duration_s, 0)),
        Column("Work rate", "W", _number(v["work_rate_w"], 0)),
        Column("VO2", "L/min", _number(v["vo2_ml_min"] / 1000.0, 3)),
        Column("VCO2", "L/min", _number(v["vco2_ml_min"] / 1000.0, 3)),
        Column("VE", "L/min", _number(v["ve_l_min"], 1)),
        Column("RR", "/min", _number(v["respiratory_rate_per_min"], 0)),
        Column("HR", "beats/min", _number(v["heart_rate_bpm"], 0)),
        Column("SpO2", "%", _number(v["spo2_percent"], 0)),
    ]
    header = ",".join(f"{c.header} ({c.unit})" for c in columns)
    return ("\n".join([header, *_lines(columns, rows.end_s.size, ",")]) + "\n").encode("ascii")


def decimal_minutes(rows: Rows, heading: Heading) -> bytes:
    """Decimal minutes, semicolons and decimal points, Latin-1 with a degree sign in the printed top."""
    v = rows.values
    columns = [
        Column("Time", "min", _number(rows.end_s / 60.0, 2)),
        Column("Stage", "", _stage(rows)),
        Column("Power", "W", _number(v["work_rate_w"], 0)),
        Column(rows.cadence_name, "/min", _number(v["cadence_per_min"], 0)),
        Column("HR", "beats/min", _number(v["heart_rate_bpm"], 0)),
        Column("VO2", "mL/min", _number(v["vo2_ml_min"], 0)),
        Column("VCO2", "mL/min", _number(v["vco2_ml_min"], 0)),
        Column("VE", "L/min", _number(v["ve_l_min"], 1)),
        Column("RR", "/min", _number(v["respiratory_rate_per_min"], 0)),
    ]
    top = [
        f"Rowing ergometer test {heading.code}, {heading.date}",
        f"Room {heading.temperature_c:.1f} \N{DEGREE SIGN}C, {heading.barometric_pressure_mmhg:.0f} mmHg",
        "",
        ";".join(f"{c.header} ({c.unit})" if c.unit else c.header for c in columns),
    ]
    return ("\n".join([*top, *_lines(columns, rows.end_s.size, ";")]) + "\n").encode("latin-1")


def breath_by_breath(rows: Rows, _: Heading) -> bytes:
    """One row a breath, times to a hundredth of a second."""
    v = rows.values
    load = (
        [Column("Work rate", "W", _number(v["work_rate_w"], 0))]
        if "work_rate_w" in v
        else [
            Column("Speed", "km/h", _number(v["speed_km_h"], 1)),
            Column("Grade", "%", _number(v["grade_percent"], 1)),
        ]
    )
    columns = [
        Column("Time", "s", _number(rows.end_s, 2)),
        Column("Phase", "", _phase(rows)),
        *load,
        Column("VO2", "mL/min", _number(v["vo2_ml_min"], 0)),
        Column("VCO2", "mL/min", _number(v["vco2_ml_min"], 0)),
        Column("VE", "L/min", _number(v["ve_l_min"], 1)),
        Column("VT", "L", _number(v["tidal_volume_l"], 2)),
        Column("RR", "/min", _number(v["respiratory_rate_per_min"], 1)),
        Column("PETO2", "mmHg", _number(v["peto2_mmhg"], 0)),
        Column("PETCO2", "mmHg", _number(v["petco2_mmhg"], 0)),
        Column("HR", "beats/min", _number(v["heart_rate_bpm"], 0)),
    ]
    header = ",".join(f"{c.header} ({c.unit})" if c.unit else c.header for c in columns)
    return ("\n".join([header, *_lines(columns, rows.end_s.size, ",")]) + "\n").encode("ascii")


def workbook(rows: Rows, heading: Heading) -> bytes:
    """An XLSX workbook: a sheet about the test and a sheet with the intervals.

    The sheet of intervals has its header in row 4, its units in row 5 and spreadsheet times.
    """
    v = rows.values
    about: list[list[Any]] = [
        ["Graded exercise test"],
        ["Client", heading.code],
        ["Date", heading.date],
        ["Body mass (kg)", heading.body_mass_kg],
        ["Room temperature (°C)", heading.temperature_c],
        ["Barometric pressure (mmHg)", heading.barometric_pressure_mmhg],
    ]
    table: list[list[Any]] = [
        ["Means over 15 s"],
        [f"{heading.code}, {heading.date}"],
        [],
        [
            "Time",
            "Phase",
            "Work rate",
            rows.cadence_name,
            "VO2",
            "VCO2",
            "VE",
            "VT",
            "RR",
            "HR",
            "VE/VO2",
            "VE/VCO2",
        ],
        ["h:mm:ss", None, "W", "/min", "mL/min", "mL/min", "L/min", "L", "/min", "beats/min", None, None],
    ]
    for index in range(rows.end_s.size):

        def of(name: str, decimals: int, row: int = index) -> float | int | None:
            value = float(v[name][row])
            if not np.isfinite(value):
                return None
            return round(value, decimals) if decimals else round(value)

        table.append(
            [
                _Clock(rows.end_s[index]),
                PHASE_WORDS[rows.phase[index]],
                of("work_rate_w", 0),
                of("cadence_per_min", 0),
                of("vo2_ml_min", 0),
                of("vco2_ml_min", 0),
                of("ve_l_min", 1),
                of("tidal_volume_l", 2),
                of("respiratory_rate_per_min", 0),
                of("heart_rate_bpm", 0),
                round(1000.0 * v["ve_l_min"][index] / v["vo2_ml_min"][index], 1),
                round(1000.0 * v["ve_l_min"][index] / v["vco2_ml_min"][index], 1),
            ]
        )
    return _xlsx({"About": about, "Intervals": table})


@dataclass(frozen=True, slots=True)
class _Clock:
    """A time of day cell: seconds, written as a fraction of a day with a time format."""

    seconds: float


_SPREADSHEET = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml"
_XML = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'


def _cell(reference: str, value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, _Clock):
        return f'<c r="{reference}" s="1"><v>{value.seconds / 86400.0:.12g}</v></c>'
    if isinstance(value, str):
        return f'<c r="{reference}" t="inlineStr"><is><t>{escape(value)}</t></is></c>'
    return f'<c r="{reference}"><v>{float(value):.12g}</v></c>'


def _xlsx(sheets: Mapping[str, Sequence[Sequence[Any]]]) -> bytes:
    """A workbook after ECMA-376, written so that the same content gives the same bytes (stored, fixed dates)."""
    parts: dict[str, str] = {}
    numbers = range(1, len(sheets) + 1)
    overrides = "".join(
        f'<Override PartName="/xl/worksheets/sheet{n}.xml" ContentType="{_TYPE}.worksheet+xml"/>'
        for n in numbers
    )
    parts["[Content_Types].xml"] = (
        f'<Types xmlns="{_PACKAGE}/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="xml" ContentType="application/xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{_TYPE}.sheet.main+xml"/>'
        f'<Override PartName="/xl/styles.xml" ContentType="{_TYPE}.styles+xml"/>{overrides}</Types>'
    )
    parts["_rels/.rels"] = (
        f'<Relationships xmlns="{_PACKAGE}/relationships">'
        f'<Relationship Id="rId1" Type="{_OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>'
    )
    listed = "".join(
        f'<sheet name="{escape(name)}" sheetId="{n}" r:id="rId{n}"/>'
        for n, name in zip(numbers, sheets, strict=True)
    )
    parts["xl/workbook.xml"] = (
        f'<workbook xmlns="{_SPREADSHEET}" xmlns:r="{_OFFICE}"><sheets>{listed}</sheets></workbook>'
    )
    related = "".join(
        f'<Relationship Id="rId{n}" Type="{_OFFICE}/worksheet" Target="worksheets/sheet{n}.xml"/>'
        for n in numbers
    )
    parts["xl/_rels/workbook.xml.rels"] = (
        f'<Relationships xmlns="{_PACKAGE}/relationships">{related}'
        f'<Relationship Id="rId{len(sheets) + 1}" Type="{_OFFICE}/styles" Target="styles.xml"/></Relationships>'
    )
    parts["xl/styles.xml"] = (
        f'<styleSheet xmlns="{_SPREADSHEET}"><fonts count="1"><font/></fonts>'
        '<fills count="2"><fill><patternFill patternType="none"/></fill>'
        '<fill><patternFill patternType="gray125"/></fill></fills>'
        '<borders count="1"><border/></borders><cellStyleXfs count="1"><xf/></cellStyleXfs>'
        '<cellXfs count="2"><xf xfId="0"/><xf numFmtId="21" applyNumberFormat="1" xfId="0"/></cellXfs>'
        '<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>'
    )
    for n, table in zip(numbers, sheets.values(), strict=True):
        lines = []
        for r, row in enumerate(table, start=1):
            cells = "".join(_cell(f"{chr(65 + c)}{r}", value) for c, value in enumerate(row))
            lines.append(f'<row r="{r}">{cells}</row>')
        parts[f"xl/worksheets/sheet{n}.xml"] = (
            f'<worksheet xmlns="{_SPREADSHEET}"><sheetData>{"".join(lines)}</sheetData></worksheet>'
        )
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        for name, text in parts.items():
            entry = zipfile.ZipInfo(name, date_time=(2026, 1, 1, 0, 0, 0))
            entry.create_system = 3
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, (_XML + text).encode("utf-8"))
    return buffer.getvalue()


WRITERS: Mapping[str, Callable[[Rows, Heading], bytes]] = {
    "plain_comma": plain_comma,
    "semicolon_units_line": semicolon_units_line,
    "treadmill_brackets": treadmill_brackets,
    "start_marks": start_marks,
    "decimal_minutes": decimal_minutes,
    "breath_by_breath": breath_by_breath,
    "workbook": workbook,
}

#: Layouts that say for each row which phase it belongs to; the others need the marks of the exercise beside them.
WITH_PHASES = frozenset(
    {"plain_comma", "semicolon_units_line", "treadmill_brackets", "breath_by_breath", "workbook"}
)
ENDINGS = {"workbook": "xlsx"}
