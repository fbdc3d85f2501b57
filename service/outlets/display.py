"""How numbers, units and dates are shown to people: by locale, in metric or US units.

Storage, the interface and files hold canonical units, decimal points and ISO dates; only what a person
reads on a page, in a chart or in a report goes through here, and what a person types into a form. The words
stay English whatever the locale: it decides the marks in numbers and the order in dates.
"""

import dataclasses
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from functools import cache
from types import MappingProxyType
from typing import Any, Literal

from babel import Locale
from babel.dates import format_skeleton, format_time
from babel.numbers import format_decimal

from service.quantities import QUANTITIES, Quantity

Units = Literal["metric", "us"]

#: What stands where there is no value.
NONE = "\N{EN DASH}"


@dataclass(frozen=True, slots=True)
class _Unit:
    """A unit of display: one of it is `factor` canonical units, counted from `zero` of its own."""

    text: str
    ucum: str
    factor: Fraction
    decimals: int
    zero: Fraction = Fraction(0)


#: By the canonical unit. Exact by definition: yard and pound of 1959, Fahrenheit's 180 degrees between 32 and 212.
_US: Mapping[str, _Unit] = {
    "kg": _Unit("lb", "[lb_av]", Fraction("0.45359237"), 1),
    "cm": _Unit("in", "[in_i]", Fraction("2.54"), 1),
    "m": _Unit("ft", "[ft_i]", Fraction("0.3048"), 0),
    "km/h": _Unit("mph", "[mi_i]/h", Fraction("1.609344"), 1),
    "°C": _Unit("°F", "[degF]", Fraction(5, 9), 1, Fraction(32)),
}
#: Fields of a document in the unit of its quantity; of them those that are differences.
_DIFFERENCES = frozenset({"absolute", "ci_low", "ci_high", "slope_per_year", "slope_ci_low", "slope_ci_high"})
_VALUES = _DIFFERENCES | {"value", "values", "mean", "detectable_low", "detectable_high", "expected_value"}

#: Grip is printed in kilograms in the tables that it is compared with (common practice, no source).
_STAYS_METRIC = frozenset({"grip_strength_kg"})

#: A number as sentences hold it: 2,060 or 29.4 or 1,234.5; not a part of a word, a version, a date or a doi.
_NUMBER_IN_WORDS = re.compile(
    r"(?<![\w.,/])(?:\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+\.\d+)(?![\w/]|[.,]\d)", re.ASCII
)
_DAY_IN_WORDS = re.compile(r"(?<![\w/-])\d{4}-\d{2}-\d{2}(?![\w-])", re.ASCII)


@dataclass(frozen=True, slots=True)
class Display:
    """How values are written for people.

    Attributes
    ----------
    locale : str
        Such as ``"de-DE"``. Empty is neutral: 2,060.5 and 2026-03-14 09:30.
    units : {"metric", "us"}
        ``"us"``: lb, in, ft, mph and °F. Oxygen uptake, power, pressures, flows and grip stay as they are.
    """

    locale: str = ""
    units: Units = "metric"

    def of(self, key: str) -> Quantity:
        """The registry's entry in the unit of display: unit, decimals and limits."""
        return _of(key, self.units)

    def unit(self, key: str) -> str:
        """The unit in which a quantity is shown; empty where it has none."""
        return self.of(key).unit

    def heading(self, key: str) -> str:
        """Label and unit, as over a column or beside a field."""
        quantity = self.of(key)
        return f"{quantity.label} ({quantity.unit})" if quantity.unit else quantity.label

    def converted(self, value: float, key: str, *, difference: bool = False) -> float:
        """A canonical value in the unit of display; a `difference` of two values knows no zero."""
        unit = _unit_of(key, self.units)
        if unit is None:
            return value
        shown = Fraction(value) / unit.factor
        return float(shown if difference else shown + unit.zero)

    def number(
        self, value: float | None, key: str, *, more: int = 0, sign: bool = False, difference: bool = False
    ) -> str:
        """A value in the unit of display without naming it, with `more` decimals than usual; a dash for none."""
        if value is None:
            return NONE
        shown = self.converted(value, key, difference=difference)
        return self._marked(shown, self.of(key).decimals + more, sign=sign)

    def quantity(self, value: float | None, key: str, *, sign: bool = False, difference: bool = False) -> str:
        """A value with its unit; a dash for none."""
        if value is None:
            return NONE
        text = self.number(value, key, sign=sign, difference=difference)
        unit = self.unit(key)
        return f"{text} {unit}" if unit else text

    def figure(self, value: float | None, decimals: int = 0, *, sign: bool = False) -> str:
        """A number that no quantity of the registry stands for; a dash for none."""
        return NONE if value is None else self._marked(value, decimals, sign=sign)

    def significant(self, value: float | None, digits: int = 4) -> str:
        """A number of a unit that is only known as text, to so many digits; a dash for none."""
        if value is None:
            return NONE
        rounded = Decimal(f"{value:.{digits}g}")
        exponent = rounded.normalize().as_tuple().exponent
        return self._marked(float(rounded), max(0, -int(exponent)))

    @property
    def quantities(self) -> Mapping[str, Quantity]:
        """The registry in the units of display."""
        return _registry(self.units)

    def columns(self, channels: Mapping[str, Sequence[Any]]) -> dict[str, Sequence[Any]]:
        """Columns of intervals, by channel, in the units of display."""
        return {
            key: [None if value is None else self.converted(value, key) for value in values]
            if key in QUANTITIES and _unit_of(key, self.units) is not None
            else values
            for key, values in channels.items()
        }

    def document(self, about: Mapping[str, Any]) -> Mapping[str, Any]:
        """A trend or a group's values of one quantity, as served, in the unit of display; remarks stay as written."""
        key = about["quantity"]
        if _unit_of(key, self.units) is None:
            return about

        def walk(value: Any) -> Any:
            if isinstance(value, Mapping):
                in_percent = value.get("scale") == "log"
                return {
                    name: scaled(inner, difference=name in _DIFFERENCES)
                    if name in _VALUES and not in_percent
                    else walk(inner)
                    for name, inner in value.items()
                }
            return [walk(inner) for inner in value] if isinstance(value, list | tuple) else value

        def scaled(value: Any, *, difference: bool) -> Any:
            if isinstance(value, list | tuple):
                return [scaled(inner, difference=difference) for inner in value]
            if isinstance(value, Mapping):
                return {name: scaled(inner, difference=difference) for name, inner in value.items()}
            number = isinstance(value, float | int)
            return self.converted(value, key, difference=difference) if number else value

        converted: Mapping[str, Any] = walk(about)
        return converted

    def day(self, value: date | str) -> str:
        """A date, or an ISO date as text."""
        if isinstance(value, str):
            value = date.fromisoformat(value[:10])
        if not self.locale:
            return f"{value:%Y-%m-%d}"
        return format_skeleton("yMd", value, locale=_locale(self.locale))

    def moment(self, value: datetime) -> str:
        """Day and time of day, as the clock stood where it was."""
        if not self.locale:
            return f"{value:%Y-%m-%d %H:%M}"
        return f"{self.day(value)} {format_time(value.time(), 'short', locale=_locale(self.locale))}"

    @staticmethod
    def clock(seconds: float | None) -> str:
        """Time on the clock of a test, in minutes and seconds, the same everywhere; a dash for none."""
        if seconds is None:
            return NONE
        whole = round(seconds)
        return f"{'-' * (whole < 0)}{abs(whole) // 60}:{abs(whole) % 60:02d}"

    def said(self, sentence: str) -> str:
        """A finished sentence with its numbers and dates marked by the locale; its units stay as they are named."""
        if not self.locale:
            return sentence
        dated = _DAY_IN_WORDS.sub(lambda match: _or_same(self.day, match.group()), sentence)
        return _NUMBER_IN_WORDS.sub(lambda match: self._again(match.group()), dated)

    def typed(self, value: float | None, key: str | None = None) -> str:
        """A stored number as it stands in a form, read back by `read`.

        In the unit of display, with as many decimals as read back to the stored value; where no reasonable number
        does (70 kg in pounds), with two more than it is shown with. A form that is sent as it was opened changes nothing
        all the same, because what is compared is the text.
        """
        if value is None:
            return ""
        unit = None if key is None else _unit_of(key, self.units)
        if unit is None or key is None:
            text = f"{Decimal(repr(value)).normalize():f}"
        else:
            shown = self.converted(value, key)
            tries = (f"{shown:.{decimals}f}" for decimals in range(5))
            text = next(
                (one for one in tries if _canonical(one, unit) == value), f"{shown:.{unit.decimals + 2}f}"
            )
        return text.replace(".", self.decimal_mark)

    def read(self, text: str, key: str | None = None) -> float:
        """What a typed number means, in the canonical unit: exact, rounded once to the stored precision.

        Raises
        ------
        ValueError
            Where it is no number in this way of writing.
        """
        if not re.fullmatch(
            rf"[+-]?(\d+({re.escape(self.decimal_mark)}\d*)?|{re.escape(self.decimal_mark)}\d+)",
            text,
            re.ASCII,
        ):
            what = "comma" if self.decimal_mark == "," else "point"
            raise ValueError(f"must be a number with a decimal {what}, such as 71{self.decimal_mark}5")
        plain = text.replace(self.decimal_mark, ".")
        unit = None if key is None else _unit_of(key, self.units)
        return float(plain) if unit is None else _canonical(plain, unit)

    @property
    def decimal_mark(self) -> str:
        """Between the whole and the rest."""
        return self._marks()[0]

    def of_the_charts(self) -> dict[str, Any]:
        """The same marks for the numbers that a chart writes by itself."""
        mark, group = self._marks()
        return {"decimal": mark, "thousands": group, "grouping": [3], "currency": ["", ""]}

    def _marks(self) -> tuple[str, str]:
        if not self.locale:
            return ".", ","
        symbols = _locale(self.locale).number_symbols["latn"]
        return str(symbols["decimal"]), str(symbols["group"])

    def _marked(self, value: float, decimals: int, *, sign: bool = False) -> str:
        plain = f"{value:{'+' if sign else ''}.{decimals}f}"
        if not float(plain):  # nothing is neither more nor less than nothing
            plain = plain.lstrip("+-")
        return self._again(plain) if self.locale else _grouped(plain)

    def _again(self, plain: str) -> str:
        """Digits that are rounded already, with the locale's marks."""
        bare = plain.replace(",", "")
        decimals = len(bare.partition(".")[2])
        digits = format_decimal(
            Decimal(bare),
            format=f"#,##0.{'0' * decimals}" if decimals else "#,##0",
            locale=_locale(self.locale),
        )
        return f"+{digits}" if bare.startswith("+") else digits


#: The way of the interface, the command and the files.
NEUTRAL = Display()


@cache
def _locale(name: str) -> Locale:
    return Locale.parse(name.replace("-", "_"))


def _unit_of(key: str, units: Units) -> _Unit | None:
    if units == "metric" or key in _STAYS_METRIC:
        return None
    return _US.get(QUANTITIES[key].unit)


@cache
def _of(key: str, units: Units) -> Quantity:
    quantity, unit = QUANTITIES[key], _unit_of(key, units)
    if unit is None:
        return quantity
    display = Display(units=units)

    def limits(pair: tuple[float, float] | None) -> tuple[float, float] | None:
        return None if pair is None else (display.converted(pair[0], key), display.converted(pair[1], key))

    return dataclasses.replace(
        quantity,
        unit=unit.text,
        ucum=unit.ucum,
        decimals=unit.decimals,
        soft=limits(quantity.soft),
        hard=limits(quantity.hard),
    )


@cache
def _registry(units: Units) -> Mapping[str, Quantity]:
    return MappingProxyType({key: _of(key, units) for key in QUANTITIES})


def _canonical(plain: str, unit: _Unit) -> float:
    return float((Fraction(plain.rstrip(".")) - unit.zero) * unit.factor)


def _grouped(plain: str) -> str:
    whole, point, rest = plain.partition(".")
    return (
        f"{int(whole):,}{point}{rest}"
        if whole[:1] not in "+-"
        else f"{whole[0]}{int(whole[1:]):,}{point}{rest}"
    )


def _or_same(show: Callable[[str], str], text: str) -> str:
    """A date as it is shown, or the same text where it is no date after all."""
    try:
        return show(text)
    except ValueError:
        return text
