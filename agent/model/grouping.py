"""Things put together by what they have in common."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable

Key = TypeVar("Key", bound="Hashable")
Member = TypeVar("Member")


def grouped(pairs: Iterable[tuple[Key, Member]]) -> dict[Key, list[Member]]:
    """What bears the same key, together; keys and what bears them in the order in which they come."""
    found: dict[Key, list[Member]] = {}
    for key, member in pairs:
        found.setdefault(key, []).append(member)
    return found
