"""Names of which each is given out once. Knows nothing of what they name."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable


class Names:
    """Gives out names, each once, and none that is taken before."""

    def __init__(self, taken: Iterable[str] = ()) -> None:
        """Begin with those that are taken."""
        self._taken = set(taken)

    def unique(self, wanted: str) -> str:
        """The name itself, or with a number that makes it the only one."""
        name, number = wanted, 1
        while name in self._taken:
            number += 1
            name = f"{wanted} {number}"
        self._taken.add(name)
        return name
