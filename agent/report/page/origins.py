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
    "live": "as of this reading",
    "refreshed": "as of the last training or change that the port reported",
    "start-up": "as of start-up or plug-in; later changes do not show",
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
        "Speed and lanes now",
        "Link Status of both ends (Current Link Speed, Negotiated Link Width), else what the system reports of them. "
        f"Read from {', '.join(dict.fromkeys(places))}{f': {states}' if states else ''}.",
        "PCI Express Base, Link Status Register",
    )
    yield Origin(
        "Best",
        "The fastest speed and the greatest width that both ends list in Link Capabilities and Link Capabilities 2.",
        "PCI Express Base, Link Capabilities Registers",
    )
    yield Origin(
        "Slot names",
        "The firmware's table of slots, else the system's name, else the number in Slot Capabilities. The print on the "
        "board may differ.",
        "System Management BIOS Reference Specification, type 9; PCI Express Base, Slot Capabilities Register",
    )
    yield Origin(
        "Card present, slot empty",
        "Presence Detect State of the slot, and whether its link is up.",
        "PCI Express Base, Slot Status and Link Status Registers",
    )


def _rates() -> Iterator[Origin]:
    yield Origin(
        "Link rate",
        "Lanes x transfer rate x line coding: 8b/10b at 2.5 and 5 GT/s, 128b/130b at 8 to 32 GT/s, flits (242 of 256 "
        "bytes) from 64 GT/s on. One direction; 1 MB/s is 10^6 bytes a second.",
        "PCI Express Base, physical layer",
    )
    yield Origin(
        "Top of a range (ceiling)",
        "The link rate less packet overhead at the Max Payload Size in use. Where that could not be read, at the "
        "largest: an upper bound.",
        "Understanding PCIe performance for end host networking, SIGCOMM 2018",
    )
    yield Origin(
        "Bottom of a range",
        f"{RULE_OF_THUMB:.0%} of the link rate, which real transfers reach. A rule of thumb, not a standard.",
        "common practice",
    )
    yield Origin(
        "Alone, and all drives at once",
        "Alone: the slowest link on the drive's path. At once: drives share each link max-min fairly; the narrowest "
        "link is the one that sets a drive's share. Reading and writing at once counts packets and acknowledgements of "
        "both directions.",
        "Bertsekas and Gallager, Data Networks, section 6.5.2; SIGCOMM 2018, as above",
    )
    yield Origin(
        "Not in these rates",
        "The drive's own limit (unless a build sheet gives it), its wear, the file system, the processor: they are "
        "what the path allows.",
        "the model's own limits",
    )


def _drives() -> Iterator[Origin]:
    yield Origin(
        "Temperatures and limits",
        "The system's sensors for each drive, else its health log. Limits are the drive's own (WCTEMP, CCTEMP). Close "
        f"means within {NEAR_LIMIT_CELSIUS:g} C of a warning limit, or {NEAR_CRITICAL_CELSIUS:g} C of a critical one.",
        "NVM Express Base Specification, Identify Controller and SMART / Health Information; what is close: common "
        "practice",
    )
    yield Origin(
        "Health and firmware of drives",
        "Health log (02h), firmware slot log (03h) and Identify: the only commands ever sent to a drive. Counts cover "
        "its whole life.",
        "NVM Express Base Specification",
    )


STRIPES: Final = Origin(
    "Stripe sets",
    "A set is as fast as its slowest member times the members that carry data: all with RAID 0, all but one with RAID "
    "5; copies count as written.",
    "A Case for Redundant Arrays of Inexpensive Disks, SIGMOD 1988; common practice",
)
SOAKS: Final = (
    Origin(
        "Temperatures and rates of a soak",
        "Each sample reads the drives' sensors and the system's counts of bytes read and written; a rate is the change "
        "from one sample to the next. Where many samples share one point of a plot, it shows the highest temperature "
        "and the mean rate.",
        "the log named at the soak",
    ),
    Origin(
        "Throttling",
        "Proved where the drive's own thermal management counters rose; inferred where its rate fell while it was at "
        "a limit.",
        "NVM Express Base Specification, SMART / Health Information, thermal management counters; inference: common "
        "practice",
    ),
    Origin(
        "Forecast",
        "An exponential approach to a steady temperature, fitted to a stretch of steady load, with one time constant.",
        "Newton's law of cooling",
    ),
)
