"""All methods by id, and the one way to run one with inputs that came from outside."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from service.errors import NotFound
from service.methods import (
    efficiency,
    energy,
    estimation,
    field_tests,
    gas,
    heart_rate,
    intensity,
    metabolic_equations,
    prediction,
    ratios,
    ventilation,
)
from service.methods.method import Method, MethodAnswer

_ALL: tuple[Method, ...] = (
    *gas.METHODS,
    *metabolic_equations.METHODS,
    *ratios.METHODS,
    *ventilation.METHODS,
    *heart_rate.METHODS,
    *intensity.METHODS,
    *energy.METHODS,
    *efficiency.METHODS,
    *prediction.METHODS,
    *estimation.METHODS,
    *field_tests.METHODS,
)

METHODS: Mapping[str, Method] = MappingProxyType({method.id: method for method in _ALL})


def run(method_id: str, inputs: Mapping[str, Any], *, where: str = "") -> MethodAnswer:
    """Check inputs and run a method of the catalogue.

    Parameters
    ----------
    method_id : str
        Key in `METHODS`.
    inputs : mapping
        By name, in the units the names say.
    where : str
        What the places of errors begin with, such as ``"body"``.

    Returns
    -------
    MethodAnswer
        Inputs outside the range of the method are said in its findings.

    Raises
    ------
    NotFound
        No such method.
    InvalidContent
        Missing, unknown or impossible input, with a place per field.
    """
    if (method := METHODS.get(method_id)) is None:
        raise NotFound(f"There is no method {method_id}; the catalogue of methods lists all ids.")
    return method.answer(inputs, where=where)
