"""Write a lens file: the measured lens, its covariance, and how it was measured."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from vidspeed import __version__
from vidspeed.errors import ResultsError
from vidspeed.saving import save
from vidspeed.session.lens import PARAMETERS
from vidspeed.values import Chart, LensFit, jsonable

SCHEMA = "vidspeed.lens/1"


def lens_text(fit: LensFit, chart: Chart | None, note: str = "") -> str:
    """Return the text of a lens file, a line a key and a line a row of the covariance."""
    keys: dict[str, Any] = {"schema": SCHEMA}
    if note:
        keys["note"] = note
    keys["image_size_px"] = fit.image_size_px
    keys.update(zip(PARAMETERS, fit.parameters.tolist(), strict=True))
    keys["covariance"] = fit.covariance
    keys.update(rms_px=fit.rms_px, views=fit.views)
    if fit.focus is not None:
        keys["focus"] = fit.focus
    keys.update(fitted=fit.terms, widening=fit.widening, chart_distance_m=fit.distance_m)
    if chart is not None:
        keys["chart"] = {
            "kind": chart.kind,
            "inner_corners": [chart.columns, chart.rows],
            "square_mm": round(1e3 * chart.square_m, 9),
        }
    keys["tool_version"] = __version__
    rows = (f"  {json.dumps(key)}: {_laid_out(key, value)}" for key, value in keys.items())
    return "{\n" + ",\n".join(rows) + "\n}\n"


def _laid_out(key: str, value: Any) -> str:
    plain = jsonable(value)
    if key != "covariance":
        return json.dumps(plain, ensure_ascii=False)
    return "[\n" + ",\n".join(f"    {json.dumps(row)}" for row in plain) + "\n  ]"


def write_lens(path: Path, fit: LensFit, chart: Chart | None, note: str = "") -> None:
    """Write a lens file.

    Raises
    ------
    ResultsError
        Where the name does not end in .json or the file cannot be written.
    """
    if path.suffix.lower() != ".json":
        raise ResultsError(f"{path}: a lens file is JSON; give a name that ends in .json")
    save(path, lens_text(fit, chart, note).encode("utf-8"))
