"""Whether a note holds for a part of a machine: condition by condition yes, no, or cannot tell. Nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct
from msgspec.structs import replace

from agent.model import unseen_parts
from agent.model.likeness import number_pair, pci_id
from agent.model.machine import NVME_CLASS
from agent.notes import versions
from knowledge.fieldnotes import ANY_DEVICE
from knowledge.phrasing import some
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from agent.model.judged import Judged
    from agent.model.machine import Machine
    from knowledge.fieldnotes import Note, Text, Versions, When
    from probes.facts import Drive, Host, PciFunction

HOST: Final = "host"
# Conditions that name a part, a class or a machine.
NAMING: Final = frozenset({"card", "subsystem", "class", "model", "machine maker", "machine product"})
NO_KIND: Final = "not told"  # the kind of a slot that the firmware does not describe
NOT_TOLD: Final = "the firmware does not tell it"
_SHOWN: Final = 6  # of a list


class NotablePart(Struct, frozen=True):
    """A part that a note may be of: a function with the drive on it and its link, a drive on no function, the host.

    `subject` is the drive's name, the function's address, or "host". `drive_lost` is why there may be a drive on it
    though none was seen, `slots_lost` why the firmware's description of slots could not be read.
    """

    subject: str
    function: PciFunction | None = None
    drive: Drive | None = None
    judged: Judged | None = None
    drive_lost: Unread | None = None
    slots_lost: Unread | None = None


class Condition(Struct, frozen=True):
    """One condition of a note on one part. `holds` is None where it cannot be told, and `why` says why not.

    `missed` tells that a reading failed, or was refused: it is not that the part or the system has no such thing.
    """

    name: str
    wanted: str
    read: str
    holds: bool | None
    why: str = ""
    missed: bool = False


class Match(Struct, frozen=True):
    """A note held against a part."""

    note: Note
    part: NotablePart
    conditions: tuple[Condition, ...]

    @property
    def holds(self) -> bool | None:
        """Whether all conditions hold; None where one cannot be told and none fails."""
        if any(condition.holds is False for condition in self.conditions):
            return False
        return True if all(condition.holds for condition in self.conditions) else None

    @property
    def named(self) -> bool:
        """Whether a condition holds that names the part: only then is it worth a word that the rest is not known."""
        return any(condition.holds for condition in self.conditions if condition.name in NAMING)


def parts(machine: Machine, judged: Mapping[str, Judged]) -> tuple[NotablePart, ...]:
    """Every part of a machine: its functions but the virtual ones, drives on no function, and the machine itself."""
    facts = machine.facts
    on = {drive.address: drive for drive in facts.drives if drive.address is not None and drive.kind == "nvme"}
    drives_lost, slots_lost = unseen_parts.drives(facts), unseen_parts.missed(facts.board_slots)
    found = [NotablePart(HOST)]
    for function in facts.functions:
        if function.physical_function is None:
            drive = on.get(function.address)
            subject = drive.name if drive is not None else function.address
            drive_lost = drives_lost if drive is None else None
            link = machine.leads_to.get(function.address)
            own = None if link is None else judged[link.key]
            found.append(NotablePart(subject, function, drive, own, drive_lost, slots_lost))
    listed = {function.address for function in facts.functions}
    found += [
        NotablePart(drive.name, None, drive)
        for drive in facts.drives
        if drive.kind != "nvme" or drive.address not in listed
    ]
    return tuple(found)


class Parts:
    """The parts of a machine, found by their numbers: thousands of notes and functions need not all meet."""

    def __init__(self, machine: Machine, judged: Mapping[str, Judged]) -> None:
        """List them once."""
        self.all = parts(machine, judged)
        self._numbered: dict[str, list[int]] = {}
        self._unnumbered: list[int] = []
        for place, part in enumerate(self.all):
            function = part.function
            if function is None:
                continue
            pair = pci_id(function)
            if pair is None:
                self._unnumbered.append(place)
            else:
                for number in (pair, _any_of(pair)):
                    self._numbered.setdefault(number, []).append(place)

    def of(self, note: Note) -> Iterator[NotablePart]:
        """The parts that a note may hold for, in the order of the machine."""
        if note.when.card is None:
            yield from (part for part in self.all if concerns(note, part))
            return
        found = {place for pair in note.when.card for place in self._numbered.get(pair, ())}
        yield from (self.all[place] for place in sorted(found.union(self._unnumbered)))


def concerns(note: Note, part: NotablePart) -> bool:
    """Whether a note is of this kind of part at all: of functions, of drives, or of a machine as a whole."""
    when = note.when
    if when.card is not None or when.subsystem is not None or when.classes is not None:
        return part.function is not None
    if when.model is not None or when.firmware is not None:
        return part.drive is not None
    return part.subject == HOST


def match(note: Note, part: NotablePart, platform: str, host: Host) -> Match:
    """Hold a note against a part that it `concerns`."""
    return Match(note, part, tuple(_conditions(note.when, part, platform, host)))


def _conditions(when: When, part: NotablePart, platform: str, host: Host) -> Iterator[Condition]:
    if part.function is not None:
        yield from _of_function(when, part.function)
    if when.model is not None:
        yield _text("model", when.model, _of_drive(part, "model"))
    if when.firmware is not None:
        yield _version("firmware", when.firmware, _of_drive(part, "firmware"))
    if when.slot_kind is not None:
        yield _slot_kind(when.slot_kind, part)
    if when.machine is not None and when.machine.maker is not None:
        yield _text("machine maker", when.machine.maker, host.maker or Unread("", NOT_TOLD))
    if when.machine is not None and when.machine.product is not None:
        yield _text("machine product", when.machine.product, host.product or Unread("", NOT_TOLD))
    if when.host_firmware is not None:
        yield _version("host_firmware", when.host_firmware, host.firmware_version or Unread("", NOT_TOLD))
    if when.platform is not None:
        yield Condition("platform", _some(when.platform), platform, platform in when.platform)


# --- Functions -------------------------------------------------------------------------------------------------


def _of_function(when: When, function: PciFunction) -> Iterator[Condition]:
    if when.card is not None:
        yield _pair("card", when.card, function.vendor_id, function.device_id)
    if when.subsystem is not None:
        yield _pair("subsystem", when.subsystem, function.subsystem_vendor_id, function.subsystem_id)
    if when.classes is not None:
        code = function.class_code
        if isinstance(code, Unread):
            yield _untold("class", _some(when.classes), code)
        else:
            holds = any(f"{code:06x}".startswith(wanted) for wanted in when.classes)
            yield Condition("class", _some(when.classes), f"{code:06x}", holds)


def _pair(name: str, wanted: tuple[str, ...], vendor: int | Unread, device: int | Unread) -> Condition:
    """The condition of two numbers, "vendor:device"."""
    for read in (vendor, device):
        if isinstance(read, Unread):
            return _untold(name, _some(wanted), read)
    pair = number_pair(vendor, device) or ""
    return Condition(name, _some(wanted), pair, pair in wanted or _any_of(pair) in wanted)


def _any_of(pair: str) -> str:
    """Any device of the maker of this one."""
    return f"{pair.partition(':')[0]}:{ANY_DEVICE}"


# --- Drives, slots ---------------------------------------------------------------------------------------------


def _of_drive(part: NotablePart, name: str) -> str | Unread | None:
    """A text of the drive on a part; None where the part is no drive."""
    if part.drive is not None:
        told: str | Unread = getattr(part.drive, name)
        return told
    code = part.function.class_code if part.function is not None else 0
    if isinstance(code, Unread):
        return replace(code, why=f"whether a drive is there is not known: {code.why}")
    if code >> 8 != NVME_CLASS:
        return None
    missing = part.drive_lost
    if missing is not None:
        return replace(missing, why=f"whether the system has a drive there is not known: {missing.why}")
    return Unread("", "the system has no drive there")


def _slot_kind(wanted: tuple[str, ...], part: NotablePart) -> Condition:
    def told(read: str, holds: bool | None, why: str = "") -> Condition:  # noqa: FBT001 - of this function alone
        return Condition("slot_kind", _some(wanted), read, holds, why)

    nowhere = _placeless(part)
    if nowhere is not None:
        return _untold("slot_kind", _some(wanted), nowhere)
    if part.judged is None or part.judged.link.integrated:
        return told("in no slot", holds=False)
    link = part.judged.link
    if link.onboard:
        return told("on the board", holds=False)
    if link.board is None or link.board.kind == "other":
        if part.slots_lost is not None:
            return _untold("slot_kind", _some(wanted), part.slots_lost)
        holds = True if NO_KIND in wanted else None
        return told(NO_KIND, holds, "" if holds else "the firmware does not describe the slot")
    return told(link.board.kind, link.board.kind in wanted)


def _placeless(part: NotablePart) -> Unread | None:
    """Why nobody knows where a part of no known link is."""
    if part.judged is not None:
        return None
    if part.drive is not None and isinstance(part.drive.address, Unread):
        return part.drive.address
    if part.function is not None and isinstance(part.function.parent, Unread):
        return part.function.parent
    return None


# --- Texts and versions ----------------------------------------------------------------------------------------


def _text(name: str, wanted: Text, read: str | Unread | None) -> Condition:
    words = text_words(wanted)
    if read is None:
        return Condition(name, words, "no drive", holds=False)
    if isinstance(read, Unread):
        return _untold(name, words, read)
    folded = _folded(read)
    holds = wanted.exactly is None or folded in {_folded(version) for version in wanted.exactly}
    return Condition(name, words, read, holds and (wanted.contains is None or _folded(wanted.contains) in folded))


def _version(name: str, wanted: Versions, read: str | Unread | None) -> Condition:
    if read is None:
        return Condition(name, versions.words(wanted), "no drive", holds=False)
    if isinstance(read, Unread):
        return _untold(name, versions.words(wanted), read)
    return Condition(name, versions.words(wanted), read, versions.within(read, wanted))


def _untold(name: str, wanted: str, read: Unread) -> Condition:
    """A condition on a value that was not read: it neither holds nor fails."""
    return Condition(name, wanted, "not read", None, read.why, missed=unseen_parts.missed(read) is not None)


def text_words(wanted: Text) -> str:
    """What a text must be, for people."""
    if wanted.exactly is not None:
        return _some(wanted.exactly)
    return f"with {wanted.contains}"


def _folded(text: str) -> str:
    return " ".join(text.casefold().split())


def _some(listed: tuple[str, ...]) -> str:
    """A list for people, cut where it is long."""
    return some(listed, _SHOWN, "or")
