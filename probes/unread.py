"""The value that stands for a thing nobody could read. Lowest place of this package; imports nothing of ours."""

from __future__ import annotations

from msgspec import Struct


class Unread(Struct, frozen=True):
    """A thing that could not be read: `what` was asked for, and `why` there is no answer.

    `needs_root` tells that the same question may have an answer for the super-user.
    """

    what: str
    why: str
    needs_root: bool = False
