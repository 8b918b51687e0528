"""The Kalman filter of filterpy, without what comes along with it.

`import filterpy` brings all of its filters, and these bring `scipy.stats`: half a second, and a
fifth of the memory of a scan, for things that nothing here uses. Its Kalman filter stands in one
file that needs two helpers of another. Where filterpy is laid out otherwise it is imported whole.
"""

from __future__ import annotations

import sys
from functools import cache
from importlib.util import find_spec, module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType
from typing import Any

NEEDED = ("filterpy", "filterpy.common", "filterpy.stats")  # by the file of the filter


@cache
def kalman_filter() -> Any:
    """Return the class `filterpy.kalman.KalmanFilter`."""
    if "filterpy" not in sys.modules:
        try:
            return _alone().KalmanFilter
        except (ImportError, OSError, AttributeError):
            pass
    from filterpy.kalman import KalmanFilter

    return KalmanFilter


def _alone() -> ModuleType:
    """Return the module of the filter, made with nothing else of its package."""
    found = find_spec("filterpy")
    if found is None or found.origin is None:
        raise ImportError("filterpy")
    folder = Path(found.origin).parent
    package, stats = ModuleType("filterpy"), ModuleType("filterpy.stats")
    stats.logpdf = _logpdf  # type: ignore[attr-defined]
    helpers = _from_file("filterpy.common.helpers", folder / "common" / "helpers.py")
    stand_ins = dict(zip(NEEDED, (package, helpers, stats), strict=True))
    sys.modules.update(stand_ins)
    try:
        return _from_file("filterpy.kalman.kalman_filter", folder / "kalman" / "kalman_filter.py")
    finally:
        for name in NEEDED:
            sys.modules.pop(name, None)


def _from_file(name: str, path: Path) -> ModuleType:
    """Return a module made from a file; nobody else finds it by its name."""
    spec = spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise ImportError(name)
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _logpdf(*values: Any, **named: Any) -> Any:
    """Return what `filterpy.stats.logpdf` does, which is imported now that it is asked for."""
    from filterpy.stats import logpdf

    return logpdf(*values, **named)
