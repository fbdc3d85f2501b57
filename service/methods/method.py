"""What a method of the catalogue is: a published formula with its inputs, limits, source and trust."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from math import isfinite
from typing import Any, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from service.errors import InvalidContent, Place
from service.findings import Finding, finding
from service.quantities import QUANTITIES

Sex = Literal["female", "male"]
Kind = Literal["float", "int", "sex", "mode", "choice", "list"]
Trust = Literal["published", "value from memory", "common practice", "ours"]

#: A number, or an array of them: formulas that are plain arithmetic take either.
Number = TypeVar("Number", float, NDArray[np.float64])

COMMON_PRACTICE = "common practice, no source"
OURS = "default of this project"

SEXES: tuple[Sex, ...] = ("female", "male")


@dataclass(frozen=True, slots=True)
class Input:
    """One input of a method.

    Attributes
    ----------
    name : str
        Key in the body of a request; the unit is in the name.
    label, unit : str
        For people; the unit as printed.
    kind : {"float", "int", "sex", "mode", "choice", "list"}
    hard : tuple of float, optional
        What is possible, inclusive; beyond it the input is refused.
    valid : tuple of float, optional
        Where the method was developed, inclusive; beyond it the value is given with a finding.
    choices : tuple of str
        For kinds ``sex``, ``mode`` and ``choice``.
    optional : bool
        Whether it may be left out (or null).
    default : object
        What stands in for an optional input that is left out; None where the method decides.
    fields : tuple of Input
        For kind ``list``: what each row holds.
    least : int
        For kind ``list``: the fewest rows.
    """

    name: str
    label: str
    unit: str
    kind: Kind = "float"
    hard: tuple[float, float] | None = None
    valid: tuple[float, float] | None = None
    choices: tuple[str, ...] = ()
    optional: bool = False
    default: Any = None
    fields: tuple["Input", ...] = ()
    least: int = 1

    def as_dict(self) -> dict[str, Any]:
        """JSON form for the catalogue."""
        return {
            "name": self.name,
            "label": self.label,
            "unit": self.unit,
            "kind": self.kind,
            "hard_low": self.hard[0] if self.hard else None,
            "hard_high": self.hard[1] if self.hard else None,
            "valid_low": self.valid[0] if self.valid else None,
            "valid_high": self.valid[1] if self.valid else None,
            "choices": list(self.choices),
            "optional": self.optional,
            "default": self.default,
            "fields": [row.as_dict() for row in self.fields],
        }


@dataclass(frozen=True, slots=True)
class MethodAnswer:
    """What a method says.

    Attributes
    ----------
    value : float or None
        None where the formula has no meaning for these inputs; a finding says why.
    unit : str
    standard_error : float or None
        Published standard error of the estimate, in `unit`.
    source : str
        Citation key of `service.analysis.references`, or that there is none.
    trust : {"published", "value from memory", "common practice", "ours"}
    findings : tuple of Finding
    """

    value: float | None
    unit: str
    standard_error: float | None
    source: str
    trust: Trust
    findings: tuple[Finding, ...]

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "value": self.value,
            "unit": self.unit,
            "standard_error": self.standard_error,
            "source": self.source,
            "trust": self.trust,
            "findings": [remark.as_dict() for remark in self.findings],
        }


def _nothing(_inputs: Mapping[str, Any]) -> Iterable[str]:
    return ()


def _no_reason(_inputs: Mapping[str, Any]) -> str | None:
    return None


@dataclass(frozen=True, slots=True)
class Method:
    """One published formula.

    Attributes
    ----------
    id, label : str
    quantity : str
        What it gives: a key of `service.quantities.QUANTITIES` where there is one.
    unit : str
    inputs : tuple of Input
    function : callable
        The plain function; takes the inputs by name, returns a float.
    source : str
        Citation key, `COMMON_PRACTICE` or `OURS`.
    trust : {"published", "value from memory", "common practice", "ours"}
        How the project came by the numbers of the formula.
    validity : str
        Population and conditions it was developed in.
    standard_error : float or mapping of sex to float, optional
        Published standard error of the estimate, in `unit`.
    modes : tuple of str
        Modes of exercise it is for; empty where any.
    sexes : tuple of str
        Whom it is for.
    ages : tuple of float, optional
        Years it is for, where age is not an input.
    predicts : bool
        Whether it is a reference value for a person (age, sex, size) rather than an estimate from a test.
    doubts : callable
        Further ways the inputs lie outside the range, as sentences.
    refusal : callable
        Why no value can be given for inputs that are possible, or None.
    refused : callable
        Combinations of inputs that cannot be, as (field, sentence).
    below_zero : {"refuse", "zero", "allow"}
        What becomes of a negative value: no value, zero with a finding, or the value itself.
    notes : str
        What was changed from the source, which variants circulate.
    """

    id: str
    label: str
    quantity: str
    unit: str
    inputs: tuple[Input, ...]
    function: Callable[..., float]
    source: str
    trust: Trust
    validity: str
    standard_error: float | Mapping[Sex, float] | None = None
    modes: tuple[str, ...] = ()
    sexes: tuple[Sex, ...] = SEXES
    ages: tuple[float, float] | None = None
    predicts: bool = False
    doubts: Callable[[Mapping[str, Any]], Iterable[str]] = _nothing
    refusal: Callable[[Mapping[str, Any]], str | None] = _no_reason
    refused: Callable[[Mapping[str, Any]], Iterable[tuple[str, str]]] = field(default=lambda _inputs: ())
    below_zero: Literal["refuse", "zero", "allow"] = "refuse"
    notes: str = ""

    def as_dict(self) -> dict[str, Any]:
        """JSON form for the catalogue."""
        error = self.standard_error
        return {
            "id": self.id,
            "label": self.label,
            "quantity": self.quantity,
            "unit": self.unit,
            "inputs": [one.as_dict() for one in self.inputs],
            "source": self.source,
            "trust": self.trust,
            "validity": self.validity,
            "standard_error": dict(error) if isinstance(error, Mapping) else error,
            "modes": list(self.modes),
            "sexes": list(self.sexes),
            "notes": self.notes,
        }

    def see(self, sex: Sex | None) -> float | None:
        """The published standard error of the estimate for one sex."""
        if isinstance(self.standard_error, Mapping):
            return self.standard_error.get(sex) if sex is not None else None
        return self.standard_error

    def answer(self, inputs: Mapping[str, Any], *, where: str = "") -> MethodAnswer:
        """Check the inputs and compute.

        Parameters
        ----------
        inputs : mapping
            By name; see `inputs` of the method.
        where : str
            What the places of errors begin with, such as ``"body"``.

        Returns
        -------
        MethodAnswer
            With a finding for each input outside the range of the method.

        Raises
        ------
        InvalidContent
            Missing, unknown or impossible input; a place per field.
        """
        prefix = f"{where}." if where else ""
        known, places = checked(self.inputs, inputs, prefix)
        if not places:
            places = [Place(prefix + name, message, known.get(name)) for name, message in self.refused(known)]
        if places:
            raise InvalidContent(
                f"{self.label} cannot be computed: " + "; ".join(place.message for place in places),
                tuple(places),
            )
        remarks = [*outside(self.inputs, known), *self.doubts(known)]
        value = None
        if (reason := self.refusal(known)) is not None:
            remarks.append(f"No value is given: {reason}")
        else:
            computed = float(self.function(**known))
            value, remark = self._settled(computed)
            if remark:
                remarks.append(remark)
        return MethodAnswer(
            value,
            self.unit,
            None if value is None else self.see(known.get("sex")),
            self.source,
            self.trust,
            tuple(finding("outside_method_range", remark) for remark in remarks),
        )

    def _settled(self, computed: float) -> tuple[float | None, str | None]:
        if not isfinite(computed):
            return None, "No value is given: the formula has no finite value for these inputs."
        if computed >= 0 or self.below_zero == "allow":
            return computed, None
        said = f"the formula gives {computed:.4g} {self.unit}, which cannot be"
        if self.below_zero == "zero":
            return 0.0, f"Zero is given: {said}."
        return None, f"No value is given: {said}."


def checked(
    declared: tuple[Input, ...], inputs: Mapping[str, Any], prefix: str
) -> tuple[dict[str, Any], list[Place]]:
    """The inputs in the form the function takes, and what is wrong with them."""
    known: dict[str, Any] = {}
    names = {one.name for one in declared}
    places = [
        Place(prefix + name, f"{name} is not an input of this method; it takes {', '.join(sorted(names))}")
        for name in inputs
        if name not in names
    ]
    for one in declared:
        given = inputs.get(one.name)
        if given is None:
            if one.optional:
                known[one.name] = one.default
            else:
                places.append(Place(prefix + one.name, f"{one.name} is missing"))
            continue
        if one.kind == "list":
            rows, wrong = _rows(one, given, prefix)
            known[one.name] = rows
            places += wrong
        elif (message := _impossible(one, given)) is not None:
            places.append(Place(prefix + one.name, message, _shown(given)))
        else:
            known[one.name] = float(given) if one.kind == "float" else given
    return known, places


def _rows(one: Input, given: Any, prefix: str) -> tuple[tuple[dict[str, Any], ...], list[Place]]:
    if not isinstance(given, list | tuple) or not all(isinstance(row, Mapping) for row in given):
        return (), [Place(prefix + one.name, f"{one.name} is a list of objects")]
    if len(given) < one.least:
        return (), [
            Place(prefix + one.name, f"{one.name} needs at least {one.least} rows, it has {len(given)}")
        ]
    rows, places = [], []
    for index, row in enumerate(given):
        known, wrong = checked(one.fields, row, f"{prefix}{one.name}.{index}.")
        rows.append(known)
        places += wrong
    return tuple(rows), places


def _shown(given: Any) -> Any:
    if isinstance(given, str):
        return given[:80]
    return given if isinstance(given, int | float) and _finite(given) else None


def _finite(given: int | float) -> bool:  # noqa: PYI041  the two are told apart
    """Whether a number is finite; an integer of JSON may be too long for a float."""
    return abs(given) < 1e15 if isinstance(given, int) else isfinite(given)


def _impossible(one: Input, given: Any) -> str | None:
    if one.kind in {"sex", "mode", "choice"}:
        if given in one.choices:
            return None
        return f"{one.name} is one of {', '.join(one.choices)}"
    if isinstance(given, bool) or not isinstance(given, int | float):
        return f"{one.name} is a number"
    if not _finite(given):
        return f"{one.name} is a finite number"
    if one.kind == "int" and given != int(given):
        return f"{one.name} is a whole number"
    if one.hard is not None and not one.hard[0] <= given <= one.hard[1]:
        return f"{one.name} of {given:g} {one.unit}".rstrip() + (
            f" cannot be: it lies between {one.hard[0]:g} and {one.hard[1]:g}"
        )
    return None


def outside(declared: tuple[Input, ...], known: Mapping[str, Any]) -> list[str]:
    """Sentences about inputs outside the range a method was developed in."""
    remarks = []
    for one in declared:
        given = known.get(one.name)
        if one.kind == "list":
            for index, row in enumerate(given or ()):
                remarks += [f"Row {index + 1}: {remark}" for remark in outside(one.fields, row)]
        elif one.valid is not None and given is not None and not one.valid[0] <= given <= one.valid[1]:
            remarks.append(
                f"{one.label} of {given:g} {one.unit}".rstrip()
                + f" lies outside {one.valid[0]:g} to {one.valid[1]:g}, where the method was developed."
            )
    return remarks


def number(
    name: str,
    *,
    label: str | None = None,
    unit: str | None = None,
    hard: tuple[float, float] | None = None,
    valid: tuple[float, float] | None = None,
    optional: bool = False,
    default: float | None = None,
) -> Input:
    """An input that is a number; label, unit and limits come from the registry where it knows the name."""
    known = QUANTITIES.get(name)
    if known is not None:
        label, unit, hard = label or known.label, known.unit if unit is None else unit, hard or known.hard
    if label is None or unit is None or hard is None:
        raise ValueError(f"{name} is not in the registry: give its label, unit and limits")
    return Input(name, label, unit, "float", hard, valid, optional=optional, default=default)


def choice(name: str, label: str, choices: tuple[str, ...], kind: Kind = "choice") -> Input:
    """An input that is one of a few words."""
    return Input(name, label, "", kind, choices=choices)


SEX = choice("sex", "Sex", SEXES, "sex")
TREADMILL_OR_CYCLE = choice("mode", "Mode", ("treadmill", "cycle"), "mode")
