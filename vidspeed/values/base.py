"""What every value shares: arrays that cannot be written to, and a plain form for JSON."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date as Date
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Picture = NDArray[np.uint8]


class Value:
    """Base of the values: makes every array read-only when the value is made."""

    __slots__ = ()

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in self.__dataclass_fields__:  # type: ignore[attr-defined]
            value = getattr(self, name)
            if isinstance(value, np.ndarray) and value.flags.writeable:
                frozen = value.copy()
                frozen.flags.writeable = False
                object.__setattr__(self, name, frozen)


def jsonable(value: Any) -> Any:
    """Return a plain structure of dicts, lists, strings and numbers; NaN and infinity are None.

    Examples
    --------
    >>> jsonable({"a": np.array([1.0, np.nan])})
    {'a': [1.0, None]}
    """
    if isinstance(value, Mapping):
        return {str(key): jsonable(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return jsonable(value.tolist())
    if isinstance(value, (list, tuple, frozenset)):
        return [jsonable(item) for item in value]
    if isinstance(value, np.generic):
        return jsonable(value.item())
    if isinstance(value, (Date, datetime)):
        return value.isoformat()
    return None if isinstance(value, float) and not np.isfinite(value) else value
