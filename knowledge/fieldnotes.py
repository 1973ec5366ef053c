"""What a field note is: its tables, the bounds of each value, and what its words may be. Data only; reads no file.

A note says of certain parts (`when`) what was seen of them (`seen`), by what evidence and how sure, and what it
advises. Notes come from anybody; what a whole note must hold beyond its shape is checked in agent/notebook.

Rates are MB/s (10^6 bytes per second, one direction). Identifiers of the PCI are lower-case hexadecimal.
"""

from __future__ import annotations

import datetime as dt  # noqa: TC003 - the shape of a file is made of it
from typing import Annotated, Final, Literal

import msgspec
from msgspec import Meta, Struct

FORMAT: Final = "lanewright-notes"
VERSION: Final = 1
ANY_DEVICE: Final = "*"  # in place of a device's number: every device of the vendor

MOST_NOTES: Final = 500  # in one file
MOST_LISTED: Final = 256  # in one list
MOST_EVIDENCE: Final = 64

# Steps that a note cannot advise, as their words need what only a finding of its own rule can give: a better slot, an
# order of moves, a build sheet, a firmware slot.
NOT_ADVISED: Final = frozenset(
    {
        *("check-sheet", "expect-firmware", "fit-as-planned", "lay-aside", "make-room", "move", "move-as-planned"),
        *("find-member", "lower-speed", "plan-anew", "plan-places", "restore-member", "swap"),
    }
)

OWN_CAPTURE: Final = "own capture"  # the source of what was learned from captures of one's own

_Id = Annotated[str, Meta(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=80)]
_Title = Annotated[str, Meta(min_length=1, max_length=120)]
_Text = Annotated[str, Meta(min_length=1, max_length=2000)]
_Words = Annotated[str, Meta(min_length=1, max_length=200)]
_Version = Annotated[str, Meta(min_length=1, max_length=64)]
_Card = Annotated[str, Meta(pattern=r"^[0-9a-f]{4}:([0-9a-f]{4}|\*)$")]
_Subsystem = Annotated[str, Meta(pattern=r"^[0-9a-f]{4}:[0-9a-f]{4}$")]
_Class = Annotated[str, Meta(pattern=r"^([0-9a-f]{4}|[0-9a-f]{6})$")]
_Action = Annotated[str, Meta(pattern=r"^[a-z]+(-[a-z]+)*$", max_length=40)]
_Token = Annotated[str, Meta(pattern=r"^~[0-9a-f]{16}$")]
_Rate = Annotated[float, Meta(gt=0, le=1_000_000)]
_Listed = Meta(min_length=1, max_length=MOST_LISTED)

Platform = Literal["darwin", "linux"]
SlotKind = Literal["card", "edsff", "m.2", "mini card", "not told", "ocp"]
Verdict = Literal["dark", "full", "narrow", "resting", "set-slow", "slot-limited", "slow"]
Gtps = Annotated[float, Meta(gt=0, le=128)]  # one of knowledge/rates.py, GTPS
Width = Literal[1, 2, 4, 8, 12, 16, 32]  # knowledge/rates.py, WIDTHS
Confidence = Literal["confirmed", "disputed", "reported"]
Severity = Literal["limit", "note"]


class Text(Struct, frozen=True, forbid_unknown_fields=True):
    """A text that must be one of some (`exactly`, "is" in the file), or hold some words (`contains`).

    Capitals and blanks around make no difference.
    """

    exactly: Annotated[tuple[_Words, ...], _Listed] | None = msgspec.field(default=None, name="is")
    contains: _Words | None = None


class Versions(Struct, frozen=True, forbid_unknown_fields=True):
    """The versions that a note is for: from `at_least` on and before `below`, or one of some (`exactly`).

    In the file `exactly` is called "is". How versions are compared: agent/notes/versions.py.
    """

    at_least: _Version | None = None
    below: _Version | None = None
    exactly: Annotated[tuple[_Version, ...], _Listed] | None = msgspec.field(default=None, name="is")


class MachineIs(Struct, frozen=True, forbid_unknown_fields=True):
    """A machine by the maker and product that its firmware tells."""

    maker: Text | None = None
    product: Text | None = None


class When(Struct, frozen=True, forbid_unknown_fields=True):
    """The conditions; all that are given must hold.

    `card` and `subsystem` are "vendor:device", `classes` ("class" in the file) class and sub-class in four digits or
    with the interface in six. `firmware` and `model` are of a drive. The slot kind "not told" is that of a slot which
    the firmware does not describe.
    """

    card: Annotated[tuple[_Card, ...], _Listed] | None = None
    subsystem: Annotated[tuple[_Subsystem, ...], _Listed] | None = None
    classes: Annotated[tuple[_Class, ...], _Listed] | None = msgspec.field(default=None, name="class")
    model: Text | None = None
    firmware: Versions | None = None
    host_firmware: Versions | None = None
    platform: Annotated[tuple[Platform, ...], _Listed] | None = None
    slot_kind: Annotated[tuple[SlotKind, ...], _Listed] | None = None
    machine: MachineIs | None = None


class LinkThen(Struct, frozen=True, forbid_unknown_fields=True):
    """What a link trained at: GT/s and lanes."""

    gtps: Gtps
    width: Width


class SeenThen(Struct, frozen=True, forbid_unknown_fields=True):
    """What was seen: the verdict of the part's link and what it trained at, its rate alone as measured.

    `boots` tells whether a machine starts with it or from it, `quirk` anything else in words; `firmware_needed` is the
    first version of the drive's firmware (of the machine's, where the note is of no drive) that does as it should.
    """

    verdict: Verdict | None = None
    link: LinkThen | None = None
    rate_mbps: _Rate | None = None
    boots: bool | None = None
    quirk: _Text | None = None
    firmware_needed: _Version | None = None


class Proof(Struct, frozen=True, forbid_unknown_fields=True):
    """Where it is known from, and when; `capture` is the token of a capture of one's own (agent/notebook/tokens.py)."""

    source: _Words
    date: dt.date
    capture: _Token | None = None


class Note(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One field note. `advises` names steps of knowledge/steps.py; "follow-note" is what its own `text` says to do.

    With `only` it is told only where the part is passed through to a virtual machine, or seen in one.
    """

    id: _Id
    title: _Title
    when: When
    seen: SeenThen
    evidence: Annotated[tuple[Proof, ...], Meta(min_length=1, max_length=MOST_EVIDENCE)]
    confidence: Confidence
    severity: Severity = "note"
    only: Literal["passthrough"] | None = None
    advises: Annotated[tuple[_Action, ...], Meta(max_length=8)] = ()
    text: _Text

    @property
    def learned(self) -> bool:
        """Whether it was learned from captures of one's own: a count of what was seen, and no advice."""
        return all(proof.source == OWN_CAPTURE and proof.capture is not None for proof in self.evidence)


class NotesFile(Struct, frozen=True, forbid_unknown_fields=True):
    """The whole file."""

    format: Literal["lanewright-notes"]
    version: Literal[1]
    note: Annotated[tuple[Note, ...], Meta(max_length=MOST_NOTES)] = ()
