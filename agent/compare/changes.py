"""What a comparison is made of. Data only: every form (text, JSON, Markdown, HTML) shows the same rows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec import Struct

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.model.findings import Finding
    from probes.unread import Unread

Direction = Literal["better", "worse", "other"]
Topic = Literal["machine", "link", "rate", "stripe set", "firmware", "temperature", "health"]
Identity = Literal["serial number", "model", "place"]


class Part(Struct, frozen=True, kw_only=True):
    """A card or a drive as one of the two captures has it.

    `name` are words for it, `place` is its slot (else its port or address) in words, `identity` by what it was told
    from its like: the token of its serial number, its model and numbers, or, where several are alike, its place.
    `on_board` tells that it is a device of the board itself, which nobody fits or takes out.
    """

    kind: Literal["card", "drive"]
    name: str
    place: str
    address: str | None
    identity: Identity
    on_board: bool = False


class PartChange(Struct, frozen=True, kw_only=True):
    """A part that came, went or has another place; `before` is None for one added, `after` for one removed.

    `direction` is "worse" for a part that is gone while nothing took its place.
    """

    kind: Literal["added", "removed", "moved"]
    before: Part | None
    after: Part | None
    direction: Direction = "other"

    @property
    def part(self) -> Part:
        """The part as it is after the change, if it is there."""
        part = self.after if self.after is not None else self.before
        assert part is not None
        return part


class Change(Struct, frozen=True, kw_only=True):
    """One figure or word that differs: `what` of `subject` ("read alone" of "nvme0, PCIE1").

    `before` and `after` are words for people. `before_values` and `after_values` are the same as numbers where they are
    numbers: one, or the low and high end of a range, in `unit` ("MB/s", "degrees C", "lanes", "GT/s"; "" for none).
    """

    topic: Topic
    subject: str
    what: str
    before: str
    after: str
    direction: Direction
    before_values: tuple[float, ...] = ()
    after_values: tuple[float, ...] = ()
    unit: str = ""


class FindingChange(Struct, frozen=True, kw_only=True):
    """A finding that came ("gained"), went ("cleared"), or has another severity or other figures ("changed").

    One that went together with the part that it was about is "gone": nobody mended anything. `missed` tells that
    nothing took the place of that part.

    `subject` names the part in words, which hold on both sides.
    """

    kind: Literal["gained", "cleared", "gone", "changed"]
    subject: str
    before: Finding | None
    after: Finding | None
    direction: Direction
    missed: bool = False


class Comparison(Struct, frozen=True, kw_only=True):
    """Two audits and all that differs. `verdict` is one sentence for people and comes first in every form.

    `worse` tells that something got worse. `doubts` say what could not be compared, and why: a reading that one side
    lacks is no change. `other_machine` says in words why the two may not be the same machine, "" where they seem to be.
    """

    verdict: str
    before: Audit
    after: Audit
    parts: tuple[PartChange, ...]
    changes: tuple[Change, ...]
    findings: tuple[FindingChange, ...]
    doubts: tuple[Unread, ...]
    worse: bool
    other_machine: str = ""

    @property
    def nothing_changed(self) -> bool:
        """Whether no part, figure or finding differs."""
        return not (self.parts or self.changes or self.findings)
