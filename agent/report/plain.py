"""What every form says of values that may be unread, of functions, links and drives, in a few words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.abilities import rate_text
from agent.model.verdicts import TUNNEL
from knowledge.classes import describe_class
from knowledge.phrasing import bytes_text, plain
from knowledge.steps import COPIES_CAUTION, STRIPE_CAUTION
from probes.decode import NOT_GIVEN
from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.audit import Audit
    from agent.model.findings import Rate
    from agent.model.judged import Judged
    from agent.model.machine import Link
    from agent.model.stripes import StripeSeen
    from probes.facts import Drive, Host, PciFunction

NOT_KNOWN: Final = "not known"
NOT_READ: Final = "could not be read"
HOST_NAME: Final = 64  # characters; the longest that Linux takes (HOST_NAME_MAX)


def rate_or_unknown(rate: Rate | None) -> str:
    """A link rate for people, or "not known"."""
    return "not known" if rate is None else rate_text(rate)


def told(value: str | Unread | None, missing: str = NOT_KNOWN) -> str:
    """Device text made harmless, or a word for its absence; what should be known says where it could not be read."""
    if isinstance(value, str) and value:
        return plain(value)
    return NOT_READ if missing == NOT_KNOWN and isinstance(value, Unread) and value.why != NOT_GIVEN else missing


def board(host: Host) -> str:
    """The board's maker and name."""
    return " ".join(filter(None, (told(part, "") for part in (host.board_maker, host.board)))) or told(host.board)


def describe(function: PciFunction, audit: Audit) -> str:
    """A function in a few words: the kind and, where known, the model its drive, udev or numbers give."""
    code = function.class_code
    kind = describe_class(code) if isinstance(code, int) else "device"
    drive = audit.nvme_at.get(function.address)
    if drive is not None and isinstance(drive.model, str) and drive.model:
        return f"{kind} {plain(drive.model)}"
    if audit.machine.kinds.get(function.address) in {5, 6}:
        kind = "packet switch"
    name = function.model_name
    if isinstance(name, str):
        return plain(name) if kind.lower() in name.lower() else f"{kind} {plain(name)}"
    if isinstance(function.vendor_id, int) and isinstance(function.device_id, int):
        return f"{kind} (maker {function.vendor_id:04x}, model {function.device_id:04x})"
    return kind


def describe_link(link: Link, audit: Audit) -> str:
    """What a link leads to, in a few words."""
    if link.device is None:
        return "nothing"
    return describe(link.device, audit)


def machine_named(name: str | None) -> str:
    """A machine by its name in a log; of a name that was taken out this is said, as its token tells nobody."""
    from probes.tokens import is_word_token

    if not name:
        return "a machine without a name"
    if is_word_token(name):
        return f"a machine whose name is kept out of the log ({plain(name, HOST_NAME)})"
    return plain(name, HOST_NAME)


def place(link: Link) -> str:
    """Where a link is, for people: its slot, else its port or device."""
    if link.slot is not None or link.on_card:
        return plain(link.on_card or (link.slot.words if link.slot is not None else ""), 80)
    return link.key


def without_lanes(judged: Judged) -> str:
    """What a link is whose figures say nothing of lanes, in place of its rate."""
    if judged.link.integrated:
        return "inside the chip, no rate"
    return f"{'tunnelled' if judged.why == TUNNEL else 'emulated'}, no rate"


_AS_OF: Final = {
    "start-up": "As of start-up or plug-in: this system keeps a link's status as it was then, so {these} may be old"
    "{at}.",
    "refreshed": "As of the last training or change: this system looks at a link's status when its port tells of one, "
    "so {these} may be older than this reading{at}.",
}


def as_of(links: Sequence[Judged]) -> tuple[str, ...]:
    """How current the rates of links are, where they are not read just now: a line for all that are alike."""
    fitted = [link for link in links if link.link.device is not None and not link.link.integrated]
    lines = []
    for fresh, words in _AS_OF.items():
        old = [judged for judged in fitted if judged.fresh == fresh]
        if old:
            at = "" if len(old) == len(fitted) else f" ({', '.join(place(judged.link) for judged in old)})"
            lines.append(words.format(these="its rate" if len(old) == 1 else "these rates", at=at))
    return tuple(lines)


def stripe_caution(seen: StripeSeen) -> str:
    """What to say beside the rates of a stripe set: "" for what is no RAID of the model."""
    return "" if seen.raid is None else COPIES_CAUTION if seen.raid else STRIPE_CAUTION


def size(drive: Drive) -> str:
    """A drive's size for people, in GB or TB of 10^9 and 10^12 bytes; "" where it has no block device."""
    known, whole = block_sizes(drive)
    told = bytes_text(sum(known))
    if whole:
        return told
    return f"at least {told}" if told else "size not known"


def block_sizes(drive: Drive) -> tuple[list[int], bool]:
    """The sizes of a drive's block devices that could be read, and whether they are all that it has."""
    sizes = [block.size_bytes for block in readable(drive.blocks) or ()]
    known = [size for size in sizes if isinstance(size, int)]
    return known, not isinstance(drive.blocks, Unread) and len(known) == len(sizes)
