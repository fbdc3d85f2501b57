"""Results as plain Python, as JSON takes them."""

from collections.abc import Mapping
from typing import Any

import numpy as np

_AS_THEY_ARE = frozenset({str, float, int, bool, type(None)})


def record_dict(record: Any, *, without: str | None = None) -> dict[str, Any]:
    """The fields of a frozen record with slots by name; what a field holds is not copied.

    Parameters
    ----------
    record : dataclass
    without : str, optional
        A field that is left out.

    Returns
    -------
    dict
    """
    return {name: getattr(record, name) for name in record.__slots__ if name != without}


def plain(value: Any) -> Any:
    """Plain Python in place of numpy's numbers, lists in place of tuples, dicts in place of mappings; all of them new.

    Parameters
    ----------
    value : object

    Returns
    -------
    object
    """
    kind = type(value)
    if kind in _AS_THEY_ARE:
        return value
    if kind is dict or isinstance(value, Mapping):
        return {key: one if type(one) in _AS_THEY_ARE else plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [one if type(one) in _AS_THEY_ARE else plain(one) for one in value]
    return value.item() if isinstance(value, np.generic) else value
