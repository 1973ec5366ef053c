"""Lists in a sentence, whole or cut."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


def listed(names: Iterable[str], last: str = "and", *, most: int | None = None) -> str:
    """Names in a sentence: "a", "a and b", "a, b and c"; where there are more than `most`, "a, b and 3 more"."""
    found = list(names)
    if not found or (most is not None and len(found) > most):
        return first_of(found, most or 0)
    *first, final = found
    return f"{', '.join(first)} {last} {final}" if first else final


def first_of(names: Sequence[str], most: int, last: str = "and") -> str:
    """Names in a row: "a, b, c"; where there are more than `most`, "a, b and 3 more"."""
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} {last} {len(names) - most} more"
