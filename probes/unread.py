"""The value that stands for a thing nobody could read. Lowest place of this package; imports nothing of ours."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeVar

from msgspec import Struct
from msgspec.structs import replace

if TYPE_CHECKING:
    from collections.abc import Sequence

Value = TypeVar("Value")

# Codes of what is unread without an error: an answer came and made no sense; the thing does not tell, as is its right.
NONSENSE: Final = "nonsense"
NOT_TOLD: Final = "not told"


class Unread(Struct, frozen=True):
    """A thing that could not be read: `what` was asked for, and `why` there is no answer.

    `needs_root` tells that the same question may have an answer for the super-user, `absent` that the machine says it
    has no such thing (ENOENT). `vital` tells that the reading was tried, went wrong, and may hide a fault: without it
    nobody can say that all is well. `small` tells that it went wrong, too, but that no verdict rests on it. `code` is
    of what kind the failure is, for those who have to know: the name of an error ("EIO"), or one of the codes above.
    """

    what: str
    why: str
    needs_root: bool = False
    absent: bool = False
    vital: bool = False
    small: bool = False
    code: str = ""

    @property
    def minor(self) -> Unread:
        """The same of a reading that no verdict rests on: a name, a number on a label."""
        return replace(self, vital=False, small=True) if self.vital else self

    @property
    def asked(self) -> str:
        """What was asked for, in words: a file goes by its path, the kind of question left out."""
        kind, _, path = self.what.partition(" ")
        return path if kind in {"text", "bytes", "list", "link"} and path.startswith("/") else self.what

    @property
    def failed(self) -> bool:
        """Whether the reading was tried and went wrong, be it of much or of little matter."""
        return self.vital or self.small


def readable(value: Value | Unread | None) -> Value | None:
    """A value where it could be read, for those who say elsewhere what could not."""
    return None if isinstance(value, Unread) else value


def of(what: str, lost: Unread) -> Unread:
    """The same reason for something that a person would ask for: "which drives there are" for the list of a folder."""
    return replace(lost, what=what, absent=False)


def together(what: str, lost: Sequence[Unread]) -> Unread:
    """One line for several failed readings of one thing; a single one stands for itself."""
    if len(lost) == 1:
        return lost[0]
    reasons = "; ".join(dict.fromkeys(unread.why for unread in lost))
    needs_root, vital = all(unread.needs_root for unread in lost), any(unread.vital for unread in lost)
    return Unread(what, f"{len(lost)} readings failed: {reasons}", needs_root, vital=vital, small=not vital)
