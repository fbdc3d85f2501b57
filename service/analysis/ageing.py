"""What age alone would make of a person's value: named models, none of them a default.

An equation of the catalogue that has age as an input gives a difference between two ages, everything else held; that is
what people of different ages differ by, which is not what becomes of one person. Models from following people are
marked so.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

from service.methods.catalogue import METHODS
from service.methods.method import COMMON_PRACTICE, SEXES, Method, Trust
from service.quantities import QUANTITIES

Form = Literal["difference", "ratio"]
Design = Literal["cross_sectional", "longitudinal", "rule_of_thumb"]

#: Equations with steps at the borders of age classes say nothing about the years between.
_STEPPED = frozenset({"predicted_vo2max_koch_2009"})
_DECADE_YEARS = 10.0
#: From which age the rule of thumb counts, and the share that is left after ten years.
_RULE_FROM_YEARS = 25.0
_RULE_LEFT = 0.9
#: Change a year of maximal uptake per body mass, mL/kg/min (stathokostas_2004).
_FOLLOWED_PER_YEAR: Mapping[str, float] = MappingProxyType({"male": -0.43, "female": -0.19})


@dataclass(frozen=True, slots=True)
class AgedPerson:
    """Whom a model is asked about, as at the test that the line starts from.

    Attributes
    ----------
    sex : {"female", "male"} or None
    mode : str or None
        Mode of exercise.
    body_mass_kg, height_cm : float or None
        Held: a change of body mass is not a part of ageing here.
    """

    sex: str | None
    mode: str | None
    body_mass_kg: float | None
    height_cm: float | None


@dataclass(frozen=True, slots=True)
class AgeingModel:
    """A published or common answer to what age alone does to a quantity.

    Attributes
    ----------
    id, label : str
    quantities : tuple of str
        Keys of the registry it holds for.
    form : {"difference", "ratio"}
        Whether the value at the start is shifted by what the model differs by, or scaled.
    design : {"cross_sectional", "longitudinal", "rule_of_thumb"}
    modes, sexes : tuple of str
        No modes: any.
    ages : tuple of float
        Years it is for.
    applies_to : str
        Whom it describes.
    source : str
        Citation key, or that there is none.
    trust : {"published", "value from memory", "common practice", "ours"}
    needs : tuple of str
        What of the person it asks for: ``sex``, ``mode``, ``body_mass_kg``, ``height_cm``.
    level : callable
        (person, age in years) -> level of the quantity, in its unit (``difference``) or as a factor (``ratio``).
    """

    id: str
    label: str
    quantities: tuple[str, ...]
    form: Form
    design: Design
    modes: tuple[str, ...]
    sexes: tuple[str, ...]
    ages: tuple[float, float]
    applies_to: str
    source: str
    trust: Trust
    needs: tuple[str, ...]
    level: Callable[[AgedPerson, float], float]

    def as_dict(self) -> dict[str, Any]:
        """JSON form for the catalogue."""
        return {
            "id": self.id,
            "label": self.label,
            "quantities": list(self.quantities),
            "form": self.form,
            "design": self.design,
            "modes": list(self.modes),
            "sexes": list(self.sexes),
            "age_low_years": self.ages[0],
            "age_high_years": self.ages[1],
            "applies_to": self.applies_to,
            "source": self.source,
            "trust": self.trust,
            "needs": list(self.needs),
        }

    def reason_against(self, person: AgedPerson) -> str | None:
        """Why the model says nothing about this person; None where it does."""
        if self.modes and person.mode not in self.modes:
            return f"The model {self.id} is for {' or '.join(self.modes)}, not for {person.mode or 'an unknown mode'}."
        missing = [name for name in self.needs if getattr(person, name) is None]
        if missing:
            return f"The model {self.id} needs {', '.join(missing)} at the test that the line starts from."
        if len(self.sexes) < len(SEXES) and person.sex not in self.sexes:
            return f"The model {self.id} is for {self.sexes[0]} people."
        return None


def expected_with_age(
    model: AgeingModel,
    person: AgedPerson,
    *,
    start_age_years: float | None,
    start_value: float,
    ages_years: Sequence[float | None],
) -> tuple[float | str, ...]:
    """What the model expects of the value at other ages, or why it says nothing.

    Parameters
    ----------
    model : AgeingModel
    person : AgedPerson
        As at the start.
    start_age_years : float or None
    start_value : float
        In the unit of the quantity.
    ages_years : sequence of float or None

    Returns
    -------
    tuple of float or str
        A value in the unit of the quantity, or a sentence, for each age.

    Notes
    -----
    ``difference``: start + f(age) - f(start age), f the model at the sex, mode, mass and height of the start.
    ``ratio``: start * f(age) / f(start age).
    """
    against = model.reason_against(person)
    if against is None and start_age_years is None:
        against = "The age at the test that the line starts from is not known."
    if against is None and start_age_years is not None and not _within(model, start_age_years):
        against = _outside(model, start_age_years)
    if against is not None or start_age_years is None:
        return tuple(against or "" for _ in ages_years)
    at_start = model.level(person, start_age_years)
    answer: list[float | str] = []
    for age in ages_years:
        if age is None:
            answer.append("The age at this test is not known.")
        elif not _within(model, age):
            answer.append(_outside(model, age))
        elif model.form == "ratio":
            answer.append(start_value * model.level(person, age) / at_start)
        else:
            value = start_value + (model.level(person, age) - at_start)
            answer.append(value if value > 0 else f"The model {model.id} gives no value above zero here.")
    return tuple(answer)


def _within(model: AgeingModel, age: float) -> bool:
    return model.ages[0] <= age <= model.ages[1]


def _outside(model: AgeingModel, age: float) -> str:
    return f"The model {model.id} is for {model.ages[0]:g} to {model.ages[1]:g} years; the age here is {age:.1f}."


def _of_method(method: Method) -> AgeingModel:
    """The age term of an equation of the catalogue."""
    names = tuple(one.name for one in method.inputs)
    age = next(one for one in method.inputs if one.name == "age_years")
    low, high = age.valid or age.hard or (0.0, 120.0)

    def level(person: AgedPerson, age_years: float) -> float:
        given = {name: getattr(person, name) for name in names if name != "age_years"}
        return float(method.function(**given, age_years=age_years))

    return AgeingModel(
        method.id,
        f"age term of: {method.label}",
        (method.quantity,),
        "difference",
        "longitudinal" if method.source == "gellish_2007" else "cross_sectional",
        method.modes,
        tuple(method.sexes),
        (float(low), float(high)),
        method.validity,
        method.source,
        method.trust,
        tuple(name for name in names if name != "age_years"),
        level,
    )


def _rule(person: AgedPerson, age_years: float) -> float:
    del person
    decades = max(age_years - _RULE_FROM_YEARS, 0.0) / _DECADE_YEARS
    return math.pow(_RULE_LEFT, decades)


def _followed(person: AgedPerson, age_years: float) -> float:
    return _FOLLOWED_PER_YEAR[str(person.sex)] * age_years


_NOT_EQUATIONS = (
    AgeingModel(
        "ten_percent_per_decade",
        "10 % less every ten years after 25",
        ("vo2_peak_ml_kg_min", "vo2_peak_ml_min", "mets_peak"),
        "ratio",
        "rule_of_thumb",
        (),
        tuple(SEXES),
        (25.0, 70.0),
        "Adults in general. People who were followed lost less than that a decade up to their thirties and twice that from "
        "their seventies on (fleg_2005), so it ends at 70 here.",
        COMMON_PRACTICE,
        "common practice",
        (),
        _rule,
    ),
    AgeingModel(
        "stathokostas_2004",
        "yearly loss of older people followed for ten years",
        ("vo2_peak_ml_kg_min",),
        "difference",
        "longitudinal",
        ("treadmill",),
        tuple(SEXES),
        (55.0, 90.0),
        "34 men and 28 women who lived independently, 65 to 90 years at the second of two treadmill tests ten years apart. "
        "They are those who could be tested again.",
        "stathokostas_2004",
        "published",
        ("sex",),
        _followed,
    ),
)

#: Every model by id.
AGEING_MODELS: Mapping[str, AgeingModel] = MappingProxyType(
    {
        model.id: model
        for model in (
            *_NOT_EQUATIONS,
            *(
                _of_method(method)
                for method in METHODS.values()
                if method.predicts
                and method.id not in _STEPPED
                and method.quantity in QUANTITIES
                and any(one.name == "age_years" for one in method.inputs)
            ),
        )
    }
)


def ageing_models_of(quantity: str) -> tuple[AgeingModel, ...]:
    """The models there are for a quantity."""
    return tuple(model for model in AGEING_MODELS.values() if quantity in model.quantities)
