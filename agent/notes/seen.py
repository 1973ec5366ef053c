"""What a note has seen beside what the machine shows, and which notes contradict each other on one part."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.abilities import rate_text
from agent.model.machine import is_nvme
from agent.notes import versions
from knowledge.phrasing import mbps
from knowledge.rates import GTPS
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.throughput import Share
    from agent.notes.matching import NotablePart
    from knowledge.fieldnotes import LinkThen, Note, SeenThen

# Two rates that differ by less are the same: what is measured twice differs as well.
ALIKE: Final = 0.1


class Beside(Struct, frozen=True):
    """One thing a note has seen: `then` in the note, `now` on the machine ("" where it does not tell), alike or not."""

    name: str
    then: str
    now: str
    same: bool | None


def beside(note: Note, part: NotablePart, alone: Share | None, host_firmware: str | None) -> tuple[Beside, ...]:
    """Each thing a note has seen of a part, beside what the machine shows; `alone` is the drive's rate alone."""
    return tuple(_beside(note.seen, part, alone, host_firmware))


def _beside(seen: SeenThen, part: NotablePart, alone: Share | None, host_firmware: str | None) -> Iterator[Beside]:
    judged = part.judged
    if seen.verdict is not None:
        now = "" if judged is None else str(judged.verdict)
        yield Beside("verdict", seen.verdict, now, now == seen.verdict if now else None)
    if seen.link is not None:
        here = judged.now if judged is not None else None
        same = None if here is None else (GTPS[here.speed], here.width) == (seen.link.gtps, seen.link.width)
        yield Beside("link", link_words(seen.link), "" if here is None else rate_text(here), same)
    if seen.rate_mbps is not None:
        now = "" if alone is None else f"{alone.low:,.0f} to {alone.high:,.0f} MB/s expected alone"
        same = None if alone is None else alone.low * (1 - ALIKE) <= seen.rate_mbps <= alone.high * (1 + ALIKE)
        yield Beside("rate", f"{mbps(seen.rate_mbps)} alone", now, same)
    if seen.firmware_needed is not None:
        has = part.drive.firmware if part.drive is not None else None if _may_hold_drive(part) else host_firmware
        now = has if isinstance(has, str) else ""
        met = versions.key(now) >= versions.key(seen.firmware_needed) if now else None
        yield Beside("firmware", f"needs firmware {seen.firmware_needed}", now, met)
    if seen.boots is not None:
        yield Beside(
            "boots", "a machine starts with it" if seen.boots else "a machine does not start with it", "", None
        )
    if seen.quirk is not None:
        yield Beside("quirk", " ".join(seen.quirk.split()), "", None)


def _may_hold_drive(part: NotablePart) -> bool:
    """Whether the firmware that a part needs is a drive's, though the system shows no drive there."""
    function = part.function
    return function is not None and (isinstance(function.class_code, Unread) or is_nvme(function))


def link_words(link: LinkThen) -> str:
    """What a link trained at, for people: "8 GT/s x4"."""
    return f"{link.gtps:g} GT/s x{link.width}"


# --- Contradictions --------------------------------------------------------------------------------------------


def contradictions(note: Note, other: Note) -> tuple[str, ...]:
    """What two notes on the same part contradict each other in: names of what was seen.

    Both have seen another verdict, link, rate, start or needed firmware; or both have seen something of the same kind
    and just one of them is disputed.
    """
    first, second = note.seen, other.seen
    told = [name for name in SEEN if getattr(first, name) is not None and getattr(second, name) is not None]
    if (note.confidence == "disputed") != (other.confidence == "disputed"):
        return tuple(SEEN[name] for name in told)
    return tuple(SEEN[name] for name in told if name != "quirk" and not _alike(name, first, second))


SEEN: Final = {
    "verdict": "verdict",
    "link": "link",
    "rate_mbps": "rate",
    "boots": "start",
    "firmware_needed": "needed firmware",
    "quirk": "quirk",
}


def _alike(name: str, first: SeenThen, second: SeenThen) -> bool:
    if name == "rate_mbps":
        assert first.rate_mbps is not None
        assert second.rate_mbps is not None
        low, high = sorted((first.rate_mbps, second.rate_mbps))
        return high <= low * (1 + ALIKE)
    if name == "firmware_needed":
        return versions.same(first.firmware_needed or "", second.firmware_needed or "")
    return bool(getattr(first, name) == getattr(second, name))
