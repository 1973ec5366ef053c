"""The way up from a function to its root bus, and all that is below it, one step at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from probes.unread import readable

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from probes.facts import PciFunction


def above(function: PciFunction | None) -> str | None:
    """The address of the bridge above a function, None on a root bus and where it is not known."""
    return None if function is None else readable(function.parent)


def upwards(start: PciFunction | None, functions: Mapping[str, PciFunction]) -> Iterator[PciFunction]:
    """A function and those above it, nearest first.

    Ends on a root bus, where a parent is not known or was not seen, and at a loop, which only a damaged capture has.
    """
    visited: set[str] = set()
    while start is not None and start.address not in visited:
        visited.add(start.address)
        yield start
        start = functions.get(above(start) or "")


def behind(start: Iterable[PciFunction], below: Mapping[str, Sequence[PciFunction]]) -> tuple[PciFunction, ...]:
    """All functions below these; a loop, which only a damaged capture has, ends it."""
    found: dict[str, PciFunction] = {}
    waiting = [function.address for function in start]
    while waiting:
        for function in below.get(waiting.pop(), ()):
            if function.address not in found:
                found[function.address] = function
                waiting.append(function.address)
    return tuple(found.values())
