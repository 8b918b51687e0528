"""What was seen in a clip as bytes: a ZIP of arrays and one plain text, nothing that runs.

NumPy's own format (`numpy.lib.format`), never pickled. What comes back is checked: only values of
this package, with the fields they have, each of the type it was written with.
"""

from __future__ import annotations

import io
import json
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import numpy as np

from vidspeed import values
from vidspeed.values import Value

TEXT = "value"  # the array that holds the text, as bytes
ZIP_LEVEL = 1  # NumPy's own files, of level 6, take seven times as long and are a tenth smaller
UNREADABLE = (
    OSError,
    EOFError,
    ValueError,
    KeyError,
    TypeError,
    AttributeError,
    NotImplementedError,
    MemoryError,
    RecursionError,
    zipfile.BadZipFile,
    zlib.error,
)
ARRAY, VALUE, TUPLE, MAPPING = "array", "value", "tuple", "mapping"


def value_bytes(value: Value) -> bytes:
    """Return a value, and all values in it, as bytes."""
    arrays: dict[str, np.ndarray[Any, Any]] = {}
    tree = _plain(value, arrays)
    text = json.dumps(tree, ensure_ascii=False, allow_nan=True, separators=(",", ":"))
    arrays[TEXT] = np.frombuffer(text.encode("utf-8"), dtype=np.uint8)
    return _packed(arrays)


def _packed(arrays: Mapping[str, np.ndarray[Any, Any]]) -> bytes:
    """Return arrays as the bytes of an NPZ file: whoever waits for a clip waits for it too."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=ZIP_LEVEL) as pack:
        for name, array in arrays.items():
            with pack.open(f"{name}.npy", "w", force_zip64=True) as member:
                np.lib.format.write_array(member, array, allow_pickle=False)
    return stream.getvalue()


def value_from(content: bytes) -> Value | None:
    """Return the value that `value_bytes` wrote; None where the bytes are not whole."""
    try:
        with np.load(io.BytesIO(content), allow_pickle=False) as arrays:
            tree = json.loads(bytes(arrays[TEXT]).decode("utf-8"))
            found = _value(tree, arrays)
    except UNREADABLE:
        return None
    return found if isinstance(found, Value) else None


def _plain(item: Any, arrays: dict[str, np.ndarray[Any, Any]]) -> Any:
    """Return an item as JSON can hold it; arrays are put aside."""
    if isinstance(item, np.ndarray):
        name = f"a{len(arrays)}"
        arrays[name] = item
        return {ARRAY: name}
    if isinstance(item, Value):
        inner = {row.name: _plain(getattr(item, row.name), arrays) for row in fields(item)}  # type: ignore[arg-type]
        return {VALUE: type(item).__name__, "fields": inner}
    if isinstance(item, tuple):
        return {TUPLE: [_plain(part, arrays) for part in item]}
    if isinstance(item, Mapping):
        return {MAPPING: [[str(key), _plain(part, arrays)] for key, part in item.items()]}
    if isinstance(item, np.generic):
        return item.item()
    if item is None or isinstance(item, (bool, int, float, str)):
        return item
    raise TypeError(f"{type(item).__name__} cannot be kept")


def _value(tree: Any, arrays: Mapping[str, Any]) -> Any:
    """Return the item that `_plain` took apart."""
    if not isinstance(tree, dict):
        return tree
    if ARRAY in tree:
        return arrays[tree[ARRAY]]
    if TUPLE in tree:
        return tuple(_value(part, arrays) for part in tree[TUPLE])
    if MAPPING in tree:
        return {key: _value(part, arrays) for key, part in tree[MAPPING]}
    kind = getattr(values, tree[VALUE])
    if not (isinstance(kind, type) and issubclass(kind, Value)):
        raise TypeError(f"{tree[VALUE]} is no value")
    return kind(**{name: _value(part, arrays) for name, part in tree["fields"].items()})
