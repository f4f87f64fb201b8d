"""Strict JSON: what may leave a notebook or enter results.json, and the one way it is written."""

from __future__ import annotations

import json
import math
import numbers

_encode = json.JSONEncoder(sort_keys=True, ensure_ascii=False, allow_nan=False).encode


def plain(value: object, where: str = "payload") -> object:
    """Return `value` with only the types JSON knows; NumPy scalars become Python's, tuples become lists.

    Raises ValueError, naming the place, for NaN and infinities (a number that cannot be said is an Estimate without a
    number and with a reason), for keys that are not text and for any other type.
    """
    if value is None or isinstance(value, (str, bool)):
        return str(value) if isinstance(value, str) else value
    if isinstance(value, dict):
        if wrong := [key for key in value if not isinstance(key, str)]:
            raise ValueError(f"{where}: keys must be text, got {wrong[0]!r}")
        return {str(key): plain(item, f"{where}.{key}") for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item, f"{where}[{i}]") for i, item in enumerate(value)]
    if type(value).__name__ in ("bool_", "bool"):  # NumPy's own boolean, without importing NumPy for it
        return bool(value)
    if isinstance(value, numbers.Integral):
        return int(value)
    if isinstance(value, numbers.Real):
        if not math.isfinite(value):
            raise ValueError(f"{where}: a number must be finite, got {value!r}; say why there is none instead")
        return float(value)
    raise ValueError(f"{where}: JSON has no {type(value).__name__}")


def dumps(value: object) -> str:
    """Return the one JSON text of `value`: keys sorted, floats in their shortest exact form, a newline at the end.

    What holds nothing but plain values stands on one line: an estimate is a line that can be read and compared.
    """
    return _text(value, "\n") + "\n"


def _text(value: object, newline: str) -> str:
    """Return `value` as text; `newline`: a line's end and the indent of the one after it."""
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, (list, tuple)) else ()
    if not any(isinstance(item, (dict, list, tuple)) and item for item in inner):
        return _encode(value)
    deeper = newline + " "
    if isinstance(value, dict):
        parts = [f"{_encode(key)}: {_text(value[key], deeper)}" for key in sorted(value)]
        return "{" + deeper + f",{deeper}".join(parts) + newline + "}"
    return "[" + deeper + f",{deeper}".join(_text(item, deeper) for item in value) + newline + "]"
