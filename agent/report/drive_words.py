"""What is said of drives and stripe sets, in the words that all forms for people share.

Plain text without looks: every text of a device has passed `plain`. Decides nothing. The rest: `words.py`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.abilities import rate_text
from agent.model.findings import Verdict
from agent.model.serving import not_serving, serving_words
from agent.report.plain import NOT_READ, place, stripe_caution, without_lanes
from knowledge.phrasing import bytes_text, celsius_text, mbps_range, plain, quantity
from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.audit import Audit
    from agent.model.drive_rates import DriveSeen
    from agent.model.stripes import StripeSeen
    from probes.facts import Drive

SHORT: Final = 40  # characters of a name in the middle of a line
AT_MOST: Final = "at most: the payload size could not be read"


# --- Drives ----------------------------------------------------------------------------------------------------


def temperature(seen: DriveSeen) -> str:
    """A drive's temperature with its warning limit, or its critical one where it has no other."""
    lost = seen.celsius_lost
    if lost is not None:
        return f"temperature not known ({plain(lost.why)})"
    if isinstance(seen.celsius, Unread) or seen.celsius is None:
        return "no temperature reported"
    if seen.warning_celsius is not None:
        return f"{celsius_text(seen.celsius)} (warning at {celsius_text(seen.warning_celsius)})"
    if seen.critical_celsius is not None:
        return f"{celsius_text(seen.celsius)} (critical at {celsius_text(seen.critical_celsius)})"
    lost = seen.limit_lost
    return f"{celsius_text(seen.celsius)} ({f'limits not known: {plain(lost.why)}' if lost else 'no limit reported'})"


def without_rates(seen: DriveSeen) -> str:
    """Why no rate can be told of a drive, "" where there are some."""
    if off_the_bus(seen):
        interconnect = plain(readable(seen.drive.interconnect) or "", SHORT)
        return f"virtual: not on PCI Express ({interconnect or 'interconnect not reported'}), no link to judge"
    if not_serving(seen.drive):
        return plain(serving_words(seen.drive))
    if seen.drive.kind != "nvme":
        return "its own interface sets its rate, not PCI Express"
    lost = seen.way_lost
    if lost is not None:
        return f"rate not known: its path could not be read ({plain(lost.why)})"
    if seen.alone is None or seen.together is None:
        return "rate not known: its path has no link, or one of unknown rate"
    return ""


def off_the_bus(seen: DriveSeen) -> bool:
    """Whether a drive hangs on no PCI function at all."""
    return seen.verdict is Verdict.VIRTUAL and seen.drive.address is None


def expected(seen: DriveSeen) -> str:
    """What a drive should reach when read, or why that cannot be told."""
    none = without_rates(seen)
    if seen.alone is None or seen.together is None or none:
        return none
    rates = alone_and_together(seen.alone, seen.together, "all drives at once")
    return rates if seen.payload_bytes is not None else f"{rates} ({AT_MOST})"


def all_expected(seen: DriveSeen) -> Iterator[str]:
    """What a drive should reach when read, when written, and when all drives are read and written at once."""
    if without_rates(seen) or seen.alone_write is None or seen.together_write is None or seen.both is None:
        yield expected(seen)
        return
    yield f"read {expected(seen)}"
    yield f"written {alone_and_together(seen.alone_write, seen.together_write, 'all drives at once')}"
    read, write = map(mbps_range, seen.both)
    yield f"all drives read and written at once: read {read}, written {write}"


def alone_and_together(alone: tuple[float, float], together: tuple[float, float], when: str) -> str:
    """Two ranges in one line, or one where they are the same."""
    one, all_at_once = mbps_range(alone), mbps_range(together)
    return f"alone {one}" if one == all_at_once else f"alone {one}; {when} {all_at_once}"


def path(seen: DriveSeen, audit: Audit) -> str:
    """The way from the drive to the processor with the narrowest hop pointed out."""
    lost = seen.way_lost
    if not seen.path:
        if lost is not None:
            return f"its path could not be read: {plain(lost.why)}"
        at = plain(readable(seen.drive.address) or "a place not reported")
        return f"no link of its own; attached to {at}"
    parts = ["drive"]
    for key in seen.path:
        judged = audit.by_key[key]
        hop = rate_text(judged.now) if judged.now and judged.mbps is not None else "rate not known"
        if judged.verdict is Verdict.VIRTUAL:
            hop = without_lanes(judged)
        narrowest = "narrowest: " if key == seen.narrowest and len(seen.path) > 1 else ""
        parts.append(f"{narrowest}{hop} ({place(judged.link)})")
    parts.append(end(seen, audit))
    return " > ".join(parts)


def end(seen: DriveSeen, audit: Audit) -> str:
    """Where a drive's way ends."""
    if seen.way_lost is not None:
        return "a place that could not be read"
    return "the host, not visible from here" if audit.by_key[seen.path[-1]].port_hidden else "processor"


def where(drive: Drive) -> str:
    """What a drive hangs on, where no link of it is shown."""
    if isinstance(drive.address, Unread):
        return f"a place that {NOT_READ}"
    if drive.address is None and isinstance(drive.interconnect, Unread):
        return f"something that {NOT_READ}"
    return drive.address or readable(drive.interconnect) or "a place not reported"


# --- Stripe sets -----------------------------------------------------------------------------------------------


def stripe(seen: StripeSeen) -> str:
    """A set in words: its kind, its members, its size, what is lost."""
    found = seen.stripe
    level = "level not known" if isinstance(found.level, Unread) else plain(found.level, 20) or "a set"
    kind = f"RAID {seen.raid}" if seen.raid is not None else level
    names = [plain(name or block, SHORT) for name, block in zip(found.members, found.blocks, strict=True)]
    none = f"{kind}, no member known to be active" if found.unplaced else f"{kind}, no active member"
    parts = [
        f"{kind} of {', '.join(names)}" if names else none,
        bytes_text(found.size_bytes) if isinstance(found.size_bytes, int) else "size not known",
    ]
    if found.unplaced:
        parts.append(
            f"in a place that could not be read: {', '.join(plain(unplaced, SHORT) for unplaced in found.unplaced)}"
        )
    if found.idle:
        parts.append(f"not active in it: {', '.join(plain(block, SHORT) for block in found.idle)}")
    if isinstance(found.missing, int) and found.missing:
        parts.append(f"{quantity(found.missing, 'member')} missing")
    return ", ".join(part for part in parts if part)


def stripe_rates(seen: StripeSeen) -> Iterator[str]:
    """What a set should reach when read and when written, or why that cannot be told."""
    if seen.alone is None or seen.together is None or seen.alone_write is None or seen.together_write is None:
        yield f"rate not known: {plain(seen.why)}"
        return
    copies = f" ({seen.copies_read})" if seen.copies_read else ""
    when = "with all drives at work"
    yield f"read {alone_and_together(seen.alone, seen.together, when)}{copies}"
    yield f"written {alone_and_together(seen.alone_write, seen.together_write, when)}"


def stripe_hop(seen: StripeSeen, audit: Audit) -> str:
    """The hop that decides what a set reaches, "" where none does or no rate is known."""
    narrowest = audit.by_key.get(seen.narrowest or "")
    if seen.alone is None or narrowest is None or narrowest.now is None:
        return ""
    return f"narrowest: {rate_text(narrowest.now)} ({place(narrowest.link)})"


def stripe_cautions(audit: Audit) -> tuple[str, ...]:
    """What has to be known beside the rates of sets, once for each kind of set."""
    return tuple(dict.fromkeys(filter(None, map(stripe_caution, audit.stripes))))
