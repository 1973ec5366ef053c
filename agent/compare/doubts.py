"""What could not be compared, gathered while comparing and said once in the end."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from knowledge.phrasing import counted, listed
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

SIDES: Final = ("before", "after")
MOST_NAMED: Final = 4


class Doubts:
    """Kinds of reading that one side lacks, by the reason; `add` may be called for each part."""

    def __init__(self) -> None:
        """Begin with none."""
        self._root: dict[int, dict[str, dict[str, None]]] = {}
        self._other: dict[tuple[str, str], dict[str, None]] = {}

    def add(self, kind: str, subject: str, side: int, why: Unread | str) -> None:
        """`kind` ("health", "link rate") of `subject` could not be read on one side (0 or 1)."""
        if isinstance(why, Unread) and why.needs_root:
            self._root.setdefault(side, {}).setdefault(kind, {})[subject] = None
            return
        reason = why.why if isinstance(why, Unread) else why
        self._other.setdefault((kind, f"{SIDES[side]}: {reason}"), {})[subject] = None

    def remark(self, kind: str, subject: str, why: str) -> None:
        """What could not be compared for a reason that belongs to no side alone."""
        self._other.setdefault((kind, why), {})[subject] = None

    def kinds(self) -> int:
        """How many kinds of reading could not be compared, each once."""
        return len({*(kind for kinds in self._root.values() for kind in kinds), *(kind for kind, _ in self._other)})

    def result(self) -> Iterator[Unread]:
        """All of them, each reason once; what the super-user would have read comes first."""
        for side, kinds in sorted(self._root.items()):
            words = [_kind(kind, subjects) for kind, subjects in kinds.items()]
            why = f"{SIDES[side]}: read as an ordinary user; only root can read these"
            yield Unread(listed(words), why, needs_root=True)
        for (kind, why), subjects in self._other.items():
            names = [subject for subject in subjects if subject]
            yield Unread(f"{kind} of {listed(names, most=MOST_NAMED)}" if names else kind, why)


def _kind(kind: str, subjects: dict[str, None]) -> str:
    """A kind of reading, and of how many parts; some belong to no part."""
    noun = "port" if kind == "occupancy" else "part"
    return kind if subjects == {"": None} else f"{kind} of {counted(len(subjects), noun)}"
