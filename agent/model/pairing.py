"""Which of one list belongs to which of another, step by step from the surest sign to the least. Knows no parts."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterable, Iterator

Key = TypeVar("Key", bound="Hashable")
Wanted = TypeVar("Wanted")
Given = TypeVar("Given")


def _alike(_one: object) -> Hashable:
    return ""


def paired(
    wanted: Iterable[Wanted],
    given: Iterable[Given],
    fits: Callable[[Wanted, Given], bool],
    keys: tuple[Callable[[Wanted], Hashable], Callable[[Given], Hashable]] = (_alike, _alike),
) -> Iterator[tuple[Wanted, Given]]:
    """For each of the wanted, in order, the first of the given that has its key, fits it, and is still free.

    `keys` gives the key of either, None for none. Pairs come one by one: what fits next may hang on those before.
    """
    free: dict[Hashable, list[Given]] = {}
    for one in given:
        free.setdefault(keys[1](one), []).append(one)
    free.pop(None, None)
    for mine in wanted if free else ():
        alike = free.get(keys[0](mine), [])
        place = next((place for place, one in enumerate(alike) if fits(mine, one)), None)
        if place is not None:
            yield mine, alike.pop(place)


def told_once(pairs: Iterable[tuple[Key | None, Given]]) -> dict[Key, Given]:
    """What each key stands for; a key that stands for several tells nothing, and None is no key."""
    found: dict[Key, Given] = {}
    twice = set()
    for key, one in pairs:
        if key is not None and found.setdefault(key, one) is not one:
            twice.add(key)
    return {key: one for key, one in found.items() if key not in twice}
