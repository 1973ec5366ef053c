"""How each kind of figure on the page was obtained: what was read, by which model, by which rule of thumb.

Words beside figures; where a source is a document it is named. Nothing is read here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from knowledge.phrasing import plain
from knowledge.rates import NEAR_CRITICAL_CELSIUS, NEAR_LIMIT_CELSIUS, RULE_OF_THUMB
from probes import platform

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.audit import Audit


class Origin(Struct, frozen=True):
    """A kind of figure, how it came about, and the source."""

    figure: str
    how: str
    source: str


FRESH: Final = {
    "live": "read at the moment of the capture",
    "refreshed": "as the system kept it when the link last trained or told of a change",
    "start-up": "as the system kept it at the start, or when the device was plugged in: later changes do not show",
}


def origins(audits: Sequence[Audit], *, soaks: bool) -> tuple[Origin, ...]:
    """The origins of all figures on a page of these machines, with soaks or without."""
    found: list[Origin] = []
    if audits:
        found += [*_links(audits), *_rates()]
        if any(audit.facts.drives for audit in audits):
            found += _drives()
        if any(audit.stripes for audit in audits):
            found.append(STRIPES)
    if soaks:
        found += SOAKS
    return tuple(found)


def _links(audits: Sequence[Audit]) -> Iterator[Origin]:
    names = [audit.facts.platform for audit in audits]
    places = [platform(name).read_from or plain(name, 40) for name in names]
    fresh = {function.fresh for audit in audits for function in audit.facts.functions}
    states = "; ".join(words for state, words in FRESH.items() if state in fresh)
    yield Origin(
        "Speed and lanes of a link now",
        "The Link Status register of both ends (Current Link Speed, Negotiated Link Width), else what the system says "
        f"of the same. Read from {', '.join(dict.fromkeys(places))}{f': {states}' if states else ''}.",
        "PCI Express Base, Link Status Register",
    )
    yield Origin(
        "What an end can do; best",
        "Link Capabilities (Max Link Speed, Maximum Link Width) and the supported-speeds vector of Link Capabilities "
        "2. Best is the fastest speed and the greatest width that both ends can do.",
        "PCI Express Base, Link Capabilities Registers",
    )
    yield Origin(
        "Names of slots",
        "The firmware's description of the board's slots, else the system's name of the slot, else the number in Slot "
        "Capabilities. They are shown as read; a board's print may differ from its firmware.",
        "System Management BIOS Reference Specification, type 9; PCI Express Base, Slot Capabilities Register",
    )
    yield Origin(
        "Presence, and that a slot is empty",
        "Presence Detect State of the slot, and whether its link is up.",
        "PCI Express Base, Slot Status and Link Status Registers",
    )


def _rates() -> Iterator[Origin]:
    yield Origin(
        "Link rate",
        "Lanes times transfer rate times line coding: 8 of 10 bits carry data at 2.5 and 5 GT/s, 128 of 130 at 8, 16 "
        "and 32 GT/s; in flits from 64 GT/s on 242 of 256 bytes. One direction, 1 MB/s being 10^6 bytes a second.",
        "PCI Express Base, physical layer",
    )
    yield Origin(
        "Upper end of a range: the ceiling",
        "The link rate less what each packet costs beside its data, at the Max Payload Size in force. Where that could "
        "not be read the largest one is taken, so that the figure is a bound.",
        "Understanding PCIe performance for end host networking, SIGCOMM 2018",
    )
    yield Origin(
        "Lower end of a range",
        f"{RULE_OF_THUMB:.0%} of the link rate, which real transfers reach with ease. A rule of thumb, not a standard.",
        "common practice",
    )
    yield Origin(
        "Alone, and all drives at once",
        "Alone a drive has the least of the links on its way. At once the drives share each link so that none can have "
        "more without taking it from one that has as little (max-min fairness). The narrowest link is where a drive's "
        "share is decided. Written and read at once, packets of both ways and their acknowledgements are counted.",
        "Bertsekas and Gallager, Data Networks, section 6.5.2; SIGCOMM 2018, as above",
    )
    yield Origin(
        "What is not in these rates",
        "The drive's own limit, unless a build sheet gives it, its state of wear, the file system and the processor. "
        "The figures say what the way allows, not what a drive delivers.",
        "the model's own limits",
    )


def _drives() -> Iterator[Origin]:
    yield Origin(
        "Temperatures and their limits",
        "The sensors that the system shows of each drive, else the drive's own health log; limits are the drive's own "
        f"(WCTEMP, CCTEMP). Within {NEAR_LIMIT_CELSIUS:g} degrees below a warning limit, or "
        f"{NEAR_CRITICAL_CELSIUS:g} below a critical one, a drive is called close to it.",
        "NVM Express Base Specification, Identify Controller and SMART / Health Information; what is close: common "
        "practice",
    )
    yield Origin(
        "Health and firmware of drives",
        "The drive's own health log (02h), its firmware slot log (03h) and Identify: the only commands that are ever "
        "sent to a drive. Counts are of its whole life, by its own word.",
        "NVM Express Base Specification",
    )


STRIPES: Final = Origin(
    "Stripe sets",
    "Members go in step, so a set has a multiple of the rate of its worst-off member: all members with RAID 0, all but "
    "one with RAID 5, copies counted as they are written.",
    "A Case for Redundant Arrays of Inexpensive Disks, SIGMOD 1988; common practice",
)
SOAKS: Final = (
    Origin(
        "Temperatures and rates of a soak",
        "Each sample reads the drives' sensors and the system's counts of bytes read and written; rates are what "
        "differs between samples. Where many samples fall on one point of a drawing, temperatures show the highest, "
        "rates the mean.",
        "the log named at the soak",
    ),
    Origin(
        "Throttling",
        "Proved where the drive's own counters of thermal management rose; inferred where its rate fell while it sat "
        "at a limit.",
        "NVM Express Base Specification, SMART / Health Information, thermal management counters; inference: common "
        "practice",
    ),
    Origin(
        "Forecast",
        "An exponential approach to a settled temperature, fitted to a stretch of steady load: one time constant, as "
        "of a body with one way to lose its heat.",
        "Newton's law of cooling",
    ),
)
