"""Tables of reference values: the published ones that ship with the service, and a site's own.

Both go through the same validation. Ages of a band are completed years as tables print them: 20-29 covers a decimal age
from 20.0 up to, not including, 30.0.
"""

import csv
import re
import tomllib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import pairwise
from math import isfinite
from types import MappingProxyType
from typing import Any, Literal, TypeGuard

from service.errors import InvalidContent, Place
from service.quantities import QUANTITIES

ReferenceKind = Literal["population_table", "population_summary", "median_only"]
Sex = Literal["female", "male"]

REFERENCE_KINDS: tuple[ReferenceKind, ...] = ("population_table", "population_summary", "median_only")
SEXES: tuple[Sex, ...] = ("female", "male")
MODES: tuple[str, ...] = ("treadmill", "cycle", "arm", "row", "ski", "step", "walk", "run")

#: The table a trend or a page uses where a site chose none; other modes have none.
DEFAULT_NORM_IDS: Mapping[str, str] = MappingProxyType(
    {"treadmill": "friend_2015_treadmill", "cycle": "friend_2017_cycle"}
)

_QUANTITY = QUANTITIES["vo2_peak_ml_kg_min"]
_ID = re.compile(r"[a-z][a-z0-9_]{2,63}")
_OLDEST_YEARS = 120
_MOST_ROWS = 5000
_RER_LIMITS = (0.7, 1.4)
_SD_LIMITS = (0.1, 30.0)

_TEXTS = ("id", "name", "mode", "reference", "population", "source")
_OPTIONAL = ("rer_least", "trust", "notes")
_BAND_FIELDS = ("sex", "age_low_years", "age_high_years", "n")
_ROW_FIELDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "percentile": ("percentile", "value_ml_kg_min"),
        "summary": ("mean_ml_kg_min", "sd_ml_kg_min"),
        "equation": ("median_constant", "median_per_year", "median_per_year_squared"),
    }
)
_FORMS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "population_table": ("percentile",),
        "population_summary": ("summary",),
        "median_only": ("percentile", "equation"),
    }
)


@dataclass(frozen=True, slots=True)
class Band:
    """The reference values of one sex and age band.

    Attributes
    ----------
    sex : {"female", "male"}
    age_low_years, age_high_years : int
        Completed years, both inclusive, as printed.
    n : int or None
        People in the band.
    percentiles, values_ml_kg_min : tuple of float
        Tabulated percentiles and their values, both rising; empty where the table has none.
    mean_ml_kg_min, sd_ml_kg_min : float or None
        Of a population summary.
    median_coefficients : tuple of float or None
        Constant, per year and per year squared of a median that is an equation in age.
    """

    sex: Sex
    age_low_years: int
    age_high_years: int
    n: int | None = None
    percentiles: tuple[float, ...] = ()
    values_ml_kg_min: tuple[float, ...] = ()
    mean_ml_kg_min: float | None = None
    sd_ml_kg_min: float | None = None
    median_coefficients: tuple[float, float, float] | None = None

    @property
    def label(self) -> str:
        """The band as printed: 20-29."""
        return f"{self.age_low_years}-{self.age_high_years}"

    def value_at(self, percentile: float) -> float | None:
        """The value at a percentile, linear between tabulated ones; None outside them."""
        if not self.percentiles or not self.percentiles[0] <= percentile <= self.percentiles[-1]:
            return None
        for (low, below), (high, above) in pairwise(
            zip(self.percentiles, self.values_ml_kg_min, strict=True)
        ):
            if percentile <= high:
                return below + (above - below) * (percentile - low) / (high - low)
        return self.values_ml_kg_min[0]  # the only percentile there is

    def quartiles(self) -> tuple[float, float] | None:
        """The 25th and 75th percentile, mL/kg/min; None where they lie outside the tabulated ones."""
        low, high = self.value_at(25), self.value_at(75)
        return None if low is None or high is None else (low, high)

    def median(self, age_years: float) -> float | None:
        """The median at a decimal age of the band, mL/kg/min; the mean where that is all there is."""
        if self.median_coefficients is not None:
            return _polynomial(self.median_coefficients, age_years)
        return self.mean_ml_kg_min if self.mean_ml_kg_min is not None else self.value_at(50)

    def covers(self, age_years: float) -> bool:
        """Whether a decimal age lies in the band, which is half-open."""
        return self.age_low_years <= age_years < self.age_high_years + 1


@dataclass(frozen=True, slots=True)
class NormTable:
    """One table of reference values for VO2peak per body mass, mL/kg/min.

    Attributes
    ----------
    id, name : str
    mode : str
        Mode of exercise it holds for, and for no other.
    reference : {"population_table", "population_summary", "median_only"}
        What may be said from it.
    population : str
        Whom it covers.
    rer_least : float or None
        Highest ratio (RER) a test must have reached to be in it.
    source : str
        Citation key, or the text of a site.
    trust : str
        How far the numbers may be trusted.
    notes : str
    bands : tuple of Band
        By sex, then age.
    site : bool
        Whether a site loaded it.
    """

    id: str
    name: str
    mode: str
    reference: ReferenceKind
    population: str
    rer_least: float | None
    source: str
    trust: str
    notes: str
    bands: tuple[Band, ...]
    site: bool = False

    @property
    def age_low_years(self) -> int:
        """The youngest age of any band, completed years."""
        return min(band.age_low_years for band in self.bands)

    @property
    def age_high_years(self) -> int:
        """The oldest age of any band, completed years."""
        return max(band.age_high_years for band in self.bands)

    def band(self, sex: str, age_years: float) -> Band | None:
        """The band of a sex that covers a decimal age."""
        return next((band for band in self.bands if band.sex == sex and band.covers(age_years)), None)

    @property
    def effort_criterion(self) -> str | None:
        """What a test must have reached, in words."""
        return None if self.rer_least is None else f"maximal RER at least {self.rer_least:.2f}"

    def as_document(self) -> dict[str, Any]:
        """The form `from_document` takes."""
        return {
            "id": self.id,
            "name": self.name,
            "mode": self.mode,
            "reference": self.reference,
            "population": self.population,
            "rer_least": self.rer_least,
            "source": self.source,
            "trust": self.trust,
            "notes": self.notes,
            "rows": [row for band in self.bands for row in _band_rows(band)],
        }

    @classmethod
    def from_document(
        cls, document: Mapping[str, Any], *, site: bool = True, taken: Collection[str] = (), where: str = ""
    ) -> "NormTable":
        """Make a table from its document, with everything about it checked.

        Parameters
        ----------
        document : mapping
            ``id``, ``name``, ``mode``, ``reference``, ``population``, ``source``, optional ``rer_least``, ``trust``,
            ``notes``, and ``rows``: each with ``sex``, ``age_low_years``, ``age_high_years`` (completed years, both
            inclusive), optional ``n``, and either ``percentile`` and ``value_ml_kg_min``, or ``mean_ml_kg_min`` and
            ``sd_ml_kg_min`` (a population summary), or ``median_constant``, ``median_per_year`` and
            ``median_per_year_squared`` (medians only, as an equation in age).
        site : bool
            Whether a site loads it.
        taken : collection of str
            Ids that are in use.
        where : str
            What the places of errors begin with, such as ``"body"``.

        Returns
        -------
        NormTable

        Raises
        ------
        InvalidContent
            Every fault with its place; `row` of a place counts the rows from 1.
        """
        prefix = f"{where}." if where else ""
        places = [*_wrong_head(document, taken, prefix)]
        rows = document.get("rows")
        bands: tuple[Band, ...] = ()
        if not isinstance(rows, list | tuple) or not rows:
            places.append(Place(prefix + "rows", "rows is a list with at least one row"))
        elif len(rows) > _MOST_ROWS:
            places.append(
                Place(prefix + "rows", f"rows has {len(rows)} rows; at most {_MOST_ROWS} are taken")
            )
        elif document.get("reference") in REFERENCE_KINDS:
            bands, wrong = _bands(rows, str(document["reference"]), f"{prefix}rows")
            places += wrong
        if places:
            raise InvalidContent(
                f"The table cannot be used: {places[0].message}"
                + (f" (and {len(places) - 1} more)" if len(places) > 1 else ""),
                tuple(places),
            )
        least = document.get("rer_least")
        return cls(
            document["id"],
            document["name"].strip(),
            document["mode"],
            document["reference"],
            document["population"].strip(),
            None if least is None else float(least),
            document["source"].strip(),
            str(document.get("trust") or "the site's own table"),
            str(document.get("notes") or ""),
            bands,
            site,
        )


def _band_rows(band: Band) -> list[dict[str, Any]]:
    head: dict[str, Any] = {
        "sex": band.sex,
        "age_low_years": band.age_low_years,
        "age_high_years": band.age_high_years,
        "n": band.n,
    }
    if band.mean_ml_kg_min is not None:
        return [head | {"mean_ml_kg_min": band.mean_ml_kg_min, "sd_ml_kg_min": band.sd_ml_kg_min}]
    if band.median_coefficients is not None:
        return [head | dict(zip(_ROW_FIELDS["equation"], band.median_coefficients, strict=True))]
    return [
        head | {"percentile": percentile, "value_ml_kg_min": value}
        for percentile, value in zip(band.percentiles, band.values_ml_kg_min, strict=True)
    ]


def _number(value: Any) -> TypeGuard[float]:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    # An integer of JSON may be too long for a float.
    return abs(value) < 1e15 if isinstance(value, int) else isfinite(value)


def _wrong_head(document: Mapping[str, Any], taken: Collection[str], prefix: str) -> Iterable[Place]:
    for name in document:
        if name not in (*_TEXTS, *_OPTIONAL, "rows"):
            yield Place(prefix + str(name), f"{name} is not a field of a table")
    for name in _TEXTS:
        value = document.get(name)
        if not isinstance(value, str) or not value.strip():
            yield Place(prefix + name, f"{name} is missing or empty")
    table_id, mode, kind = (document.get(name) for name in ("id", "mode", "reference"))
    if isinstance(table_id, str) and table_id.strip():
        if not _ID.fullmatch(table_id):
            yield Place(
                prefix + "id",
                "id has 3 to 64 small letters, digits and underscores, a letter first",
                table_id,
            )
        elif table_id in taken:
            yield Place(prefix + "id", f"there is a table {table_id} already; choose another id", table_id)
    if isinstance(mode, str) and mode.strip() and mode not in MODES:
        yield Place(prefix + "mode", f"mode is one of {', '.join(MODES)}", mode)
    if isinstance(kind, str) and kind.strip() and kind not in REFERENCE_KINDS:
        yield Place(prefix + "reference", f"reference is one of {', '.join(REFERENCE_KINDS)}", kind)
    least = document.get("rer_least")
    if least is not None and not (_number(least) and _RER_LIMITS[0] <= least <= _RER_LIMITS[1]):
        yield Place(prefix + "rer_least", "rer_least lies between 0.7 and 1.4, or is left out")
    for name in ("trust", "notes"):
        if document.get(name) is not None and not isinstance(document[name], str):
            yield Place(prefix + name, f"{name} is text")


def _wrong_row(row: Any, reference: str) -> Iterable[tuple[str, str]]:
    """What is wrong with one row by itself: (field, sentence)."""
    if not isinstance(row, Mapping):
        yield "", "a row is an object"
        return
    form = _form(row, reference)
    if form is None:
        choices = " or ".join(", ".join(_ROW_FIELDS[name]) for name in _FORMS[reference])
        yield "", f"a row of a {reference} has {choices}"
        return
    for name in row:
        if name not in (*_BAND_FIELDS, *_ROW_FIELDS[form]):
            yield name, f"{name} is not a field of a row of a {reference}"
    if row.get("sex") not in SEXES:
        yield "sex", "sex is female or male"
    ages: list[float] = []
    for name in ("age_low_years", "age_high_years"):
        age = row.get(name)
        if not _number(age) or age != int(age) or not 0 <= age <= _OLDEST_YEARS:
            yield name, f"{name} is a whole number of completed years from 0 to {_OLDEST_YEARS}"
        else:
            ages.append(age)
    if len(ages) == 2 and ages[0] > ages[1]:
        yield "age_high_years", "age_high_years lies below age_low_years"
    n = row.get("n")
    if n is not None and (not _number(n) or n != int(n) or n < 1):
        yield "n", "n is a whole number of people, or left out"
    yield from _wrong_values(row, form, reference)


def _wrong_values(row: Mapping[str, Any], form: str, reference: str) -> Iterable[tuple[str, str]]:
    for name in _ROW_FIELDS[form]:
        if not _number(row.get(name)):
            yield name, f"{name} is a number"
    if not all(_number(row.get(name)) for name in _ROW_FIELDS[form]):
        return
    if form == "percentile":
        if not 0 < row["percentile"] < 100:
            yield "percentile", "percentile lies between 0 and 100"
        elif reference == "median_only" and row["percentile"] != 50:
            yield "percentile", "a table of medians only has the percentile 50 and no other"
        yield from _impossible("value_ml_kg_min", row["value_ml_kg_min"])
    elif form == "summary":
        yield from _impossible("mean_ml_kg_min", row["mean_ml_kg_min"])
        if not _SD_LIMITS[0] <= row["sd_ml_kg_min"] <= _SD_LIMITS[1]:
            yield "sd_ml_kg_min", f"an SD lies between {_SD_LIMITS[0]:g} and {_SD_LIMITS[1]:g} mL/kg/min"
    elif _number(row.get("age_low_years")) and _number(row.get("age_high_years")):
        coefficients = [row[name] for name in _ROW_FIELDS["equation"]]
        for age in (row["age_low_years"], row["age_high_years"] + 1):
            for _, message in _impossible("the median", _polynomial(coefficients, age)):
                yield "median_constant", f"at {age:g} years {message}"


def _polynomial(coefficients: Iterable[float], age_years: float) -> float:
    return sum(coefficient * age_years**power for power, coefficient in enumerate(coefficients))


def _impossible(name: str, value: float) -> Iterable[tuple[str, str]]:
    if not _QUANTITY.possible(value):
        low, high = _QUANTITY.hard or (0.0, 0.0)
        yield name, f"{name} of {value:g} mL/kg/min cannot be: it lies between {low:g} and {high:g}"


def _form(row: Mapping[str, Any], reference: str) -> str | None:
    return next((form for form in _FORMS[reference] if any(name in row for name in _ROW_FIELDS[form])), None)


def _bands(rows: Iterable[Any], reference: str, location: str) -> tuple[tuple[Band, ...], list[Place]]:
    """Gather rows into bands; say what is wrong with single rows first, then with the bands."""
    places: list[Place] = []
    groups: dict[tuple[str, int, int], list[tuple[int, Mapping[str, Any]]]] = {}
    for index, row in enumerate(rows):
        wrong = list(_wrong_row(row, reference))
        places += [
            Place(
                f"{location}.{index}" + (f".{name}" if name else ""),
                message,
                row=index + 1,
                column=name or None,
            )
            for name, message in wrong
        ]
        if not wrong:
            key = (row["sex"], int(row["age_low_years"]), int(row["age_high_years"]))
            groups.setdefault(key, []).append((index, row))
    if places:
        return (), places
    bands = []
    for key, members in sorted(groups.items()):
        wrong_members = list(_wrong_band(members, reference))
        places += [
            Place(f"{location}.{index}.{name}", message, row=index + 1, column=name)
            for index, name, message in wrong_members
        ]
        bands.append(_band(key, [row for _, row in members], reference))
    first = {key: members[0][0] for key, members in groups.items()}
    places += _overlaps(first, location)
    return tuple(bands), places


def _wrong_band(
    members: list[tuple[int, Mapping[str, Any]]], reference: str
) -> Iterable[tuple[int, str, str]]:
    """What is wrong among the rows of one band: (row, field, sentence)."""
    first_index, first = members[0]
    for index, row in members[1:]:
        if row.get("n") != first.get("n"):
            yield index, "n", f"n differs from row {first_index + 1} of the same band"
    if reference != "population_table":
        for index, _ in members[1:]:
            yield index, "sex", f"row {first_index + 1} is the same band already; one row a band"
        return
    if len(members) < 2:
        yield (
            first_index,
            "percentile",
            "a band needs at least two percentiles; for medians only use median_only",
        )
    ordered = sorted(members, key=lambda member: float(member[1]["percentile"]))
    for (_, below), (index, above) in pairwise(ordered):
        if above["percentile"] == below["percentile"]:
            yield index, "percentile", f"the percentile {above['percentile']:g} stands twice in one band"
        elif above["value_ml_kg_min"] <= below["value_ml_kg_min"]:
            message = (
                f"the value {above['value_ml_kg_min']:g} at percentile {above['percentile']:g} does not lie above "
                f"{below['value_ml_kg_min']:g} at percentile {below['percentile']:g}"
            )
            yield index, "value_ml_kg_min", message


def _band(key: tuple[str, int, int], rows: list[Mapping[str, Any]], reference: str) -> Band:
    sex: Sex = "female" if key[0] == "female" else "male"
    n = rows[0].get("n")
    head = (sex, key[1], key[2], None if n is None else int(n))
    form = _form(rows[0], reference)
    if form == "summary":
        return Band(
            *head,
            mean_ml_kg_min=float(rows[0]["mean_ml_kg_min"]),
            sd_ml_kg_min=float(rows[0]["sd_ml_kg_min"]),
        )
    if form == "equation":
        constant, per_year, squared = (float(rows[0][name]) for name in _ROW_FIELDS["equation"])
        return Band(*head, median_coefficients=(constant, per_year, squared))
    ordered = sorted(rows, key=lambda row: float(row["percentile"]))
    return Band(
        *head,
        percentiles=tuple(float(row["percentile"]) for row in ordered),
        values_ml_kg_min=tuple(float(row["value_ml_kg_min"]) for row in ordered),
    )


def _overlaps(first: Mapping[tuple[str, int, int], int], location: str) -> list[Place]:
    places = []
    keys = sorted(first)
    for one, other in pairwise(keys):
        if one[0] == other[0] and other[1] <= one[2]:
            places.append(
                Place(
                    f"{location}.{first[other]}.age_low_years",
                    f"the {one[0]} bands {one[1]}-{one[2]} and {other[1]}-{other[2]} overlap; ages are completed years, "
                    "so that 20-29 is followed by 30-39",
                    row=first[other] + 1,
                    column="age_low_years",
                )
            )
    return places


_WHOLE = frozenset({"age_low_years", "age_high_years", "n"})


def _csv_rows(text: str) -> list[dict[str, Any]]:
    def read(name: str, cell: str) -> Any:
        if name == "sex":
            return cell
        return int(cell) if name in _WHOLE else float(cell)

    return [
        {name: read(name, cell) for name, cell in row.items() if cell != ""}
        for row in csv.DictReader(text.splitlines())
    ]


@cache
def builtin_norms() -> tuple[NormTable, ...]:
    """The published tables that ship with the service, by id.

    Returns
    -------
    tuple of NormTable
        Read once, from the CSV and TOML files beside this module.
    """
    folder = files("service.reference") / "norms"
    tables = []
    for entry in folder.iterdir():
        if not entry.name.endswith(".toml"):
            continue
        document = tomllib.loads(entry.read_text(encoding="utf-8"))
        rows = (folder / f"{document['id']}.csv").read_text(encoding="utf-8")
        tables.append(NormTable.from_document(document | {"rows": _csv_rows(rows)}, site=False))
    return tuple(sorted(tables, key=lambda table: table.id))
