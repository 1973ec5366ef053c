"""The notes that a machine is held against, beside those that come with the program. Data only."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

if TYPE_CHECKING:
    from knowledge.fieldnotes import Note
    from probes.unread import Unread


class Shelf(Struct, frozen=True):
    """Notes of the user's own, and what of them could not be read. Each id is there once."""

    notes: tuple[Note, ...] = ()
    damaged: tuple[Unread, ...] = ()
