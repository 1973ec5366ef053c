"""Folders of a Linux machine and the files in them: what a folder offers is asked, and what fails is kept.

A folder that cannot be listed hides which files there are. Then each is asked for all the same: one that is not there
says so itself (ENOENT), and what a capture was never asked shares the reason of its folder.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from probes.answers import NOT_RECORDED
from probes.facts import Gap
from probes.linux.values import integer
from probes.unread import Unread, of

if TYPE_CHECKING:
    from probes.facts import Listed
    from probes.reads import Reads


def listed(
    reads: Reads, path: str, what: tuple[Listed, str], gaps: list[Gap], *, kind: str = "", needed: bool = False
) -> tuple[str, ...]:
    """The names in a folder, none where there is no such folder; one that cannot be listed is a gap.

    `what` is the kind of thing that it lists, and the question in words; a `needed` folder is missed also where it is
    not there.
    """
    names = reads.names(path)
    if not isinstance(names, Unread):
        return names
    if needed or not names.absent:
        sort, words = what
        gaps.append(Gap(sort, replace(of(f"{words} ({path})", names), vital=True), kind=kind))
    return ()


class FolderFiles:
    """The files of one folder: what it does not offer is not asked, and what fails is kept in `problems`."""

    __slots__ = ("_guessed", "listed", "offered", "place", "problems", "reads")

    def __init__(self, reads: Reads, place: str) -> None:
        """List the folder `place`."""
        self.reads = reads
        self.place = place
        self.problems: list[Unread] = []
        self.listed = reads.names(place)
        if isinstance(self.listed, Unread):  # what is not there has no files; all else may have any
            self.offered = frozenset[str]() if self.listed.absent else None
        else:
            self.offered = frozenset(self.listed)
        self._guessed = False

    @property
    def lost(self) -> bool:
        """Whether the folder could not be listed."""
        return self.offered is None

    @property
    def unlisted(self) -> str:
        """Why the folder could not be listed, "" where it was."""
        return self.listed.why if isinstance(self.listed, Unread) else ""

    def offers(self, name: str) -> bool:
        """Whether it has a file of this name, or may have."""
        return self.offered is None or name in self.offered

    def beginning(self, start: str) -> tuple[str, ...] | Unread:
        """The names in it that begin so, in order; Unread where it could not be listed."""
        if isinstance(self.listed, Unread):
            return self.listed.minor
        return tuple(sorted(name for name in self.listed if name.startswith(start)))

    def problem(self, lost: Unread) -> Unread:
        """Keep what is wrong with an answer."""
        self.problems.append(lost)
        return lost

    def all_problems(self) -> list[Unread]:
        """What went wrong; that the folder could not be listed is of no matter where every file answered for itself."""
        if not isinstance(self.listed, Unread):
            return self.problems
        return [self.listed if self._guessed or self.listed.absent else self.listed.minor, *self.problems]

    def text(self, name: str) -> str | Unread | None:
        """A text file, None where there is none."""
        if self.offered is not None and name not in self.offered:  # as `offers`, without a call for each file
            return None
        answer = self.reads.text(f"{self.place}/{name}")
        return self._kept(name, answer) if isinstance(answer, Unread) else answer

    def data(self, name: str) -> bytes | Unread | None:
        """A binary file, None where there is none."""
        if self.offered is not None and name not in self.offered:
            return None
        answer = self.reads.data(f"{self.place}/{name}")
        return self._kept(name, answer) if isinstance(answer, Unread) else answer

    def number(self, name: str, digits: int) -> int | Unread:
        """A number that the kernel writes as 0x and so many digits; Unread where there is none, or a part of it."""
        answer, key = self.text(name), f"text {self.place}/{name}"
        if isinstance(answer, Unread):
            return answer
        if answer is None:
            return Unread(key, "not offered for this function")
        if len(answer) < len("0x") + digits and "0x".startswith(answer[:2]):
            return self.problem(Unread(key, f"the read ended after {len(answer)} characters", vital=True))
        return integer(answer, key)

    def target(self, name: str = "") -> str | Unread | None:
        """Where a link leads, None where there is none; without a name, that of the folder itself."""
        if not name:
            itself = self.reads.target(self.place)
            return self.problem(itself) if isinstance(itself, Unread) else itself
        if self.offered is not None and name not in self.offered:
            return None
        answer = self.reads.target(f"{self.place}/{name}")
        return self._kept(name, answer) if isinstance(answer, Unread) else answer

    def _kept(self, name: str, answer: Unread) -> Unread | None:
        """Why there is no answer, None where there is nothing to answer."""
        if not isinstance(self.listed, Unread):
            return self.problem(answer)
        if answer.absent:
            return None
        if answer.why == NOT_RECORDED:
            self._guessed = True
            return of(f"text {self.place}/{name}", self.listed)
        return self.problem(answer)
