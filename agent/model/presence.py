"""Ports below which nothing answers: empty, dark, or not known. The comparer asks here; nothing else does."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.abilities import port_ability
from agent.model.findings import Evidence, Rate, Verdict
from agent.model.judged import Judged
from agent.model.latched import latched
from knowledge import pcie
from probes.unread import Unread

if TYPE_CHECKING:
    from agent.model.machine import Link
    from probes.facts import PciFunction


def nothing_below(link: Link, port: PciFunction) -> Judged:
    """The verdict on a port below which no function answers."""
    can = port_ability(port).rate
    registers = port.registers
    implemented = registers.read(pcie.PCI_EXPRESS_CAPABILITIES, "slot_implemented")
    active = _active(port)
    if isinstance(implemented, Unread):
        return _presence_by_driver(link, port, implemented, can)
    if active == 1:
        source = f"{port.address} Link Status: Data Link Layer Link Active"
        evidence = (Evidence(source, "1", "a function that answers below"), *_lost(link))
        why = f"has its link up, but {_what_answers(link, 'no function answers below it')}"
        return Judged(link, Verdict.UNKNOWN, why, port_can=can, evidence=evidence, notable=True, link_up=True)
    if not implemented:
        return _no_slot(link, port, can)
    present = registers.read(pcie.SLOT_STATUS, "presence_detect_state")
    source = f"{port.address} Slot Status: Presence Detect State"
    if isinstance(present, Unread):
        evidence = (Evidence(source, present.why, "0 or 1"),)
        return Judged(
            link,
            Verdict.UNKNOWN,
            "whether a card is present could not be read",
            port_can=can,
            evidence=evidence,
            needs_root=present.needs_root,
        )
    if not present:
        return _no_presence(link, port, Evidence(source, "0", "0 when empty"), can)
    presence = Evidence(source, "1 (card present)", "a link and a function that answers")
    return _dark(link, presence, can, port=port)


def _dark(link: Link, presence: Evidence, can: Rate | None, port: PciFunction | None = None) -> Judged:
    """A card is detected and nothing answers; it may answer unseen, where a reading failed and the link may be up.

    `port` is given where its registers tell more.
    """
    down = port is not None and _active(port) == 0
    if link.below_lost is not None and not down:
        why = f"detects a card; {_what_answers(link, '')}"
        return Judged(link, Verdict.UNKNOWN, why, port_can=can, evidence=(presence, *_lost(link)))
    reasons = _why_dark(port) if port is not None else ()
    first = "detects a card, but has no link" if down else "detects a card that does not answer"
    why = "; ".join([first, *(words for _, words in reasons)])
    evidence = (presence, *(evidence for evidence, _ in reasons))
    return Judged(link, Verdict.DARK, why, port_can=can, evidence=evidence, brief=first)


def _what_answers(link: Link, nothing: str) -> str:
    """The words for a port below which no function was seen; where that could not be read, this."""
    return nothing if link.below_lost is None else "what answers below it could not be read"


def _lost(link: Link) -> tuple[Evidence, ...]:
    """The reading that was missed below a port."""
    lost = link.below_lost
    return () if lost is None else (Evidence(lost.what, lost.why, "readable"),)


def _no_presence(link: Link, port: PciFunction, presence: Evidence, can: Rate | None) -> Judged:
    """A slot without presence is empty; but a card whose presence pins do not meet may still keep the port trying.

    Source: drivers/pci/quirks.c pcie_failed_link_retrain (both training bits are clear at an empty port).
    """
    tried = port.registers.read(pcie.LINK_STATUS, "link_bandwidth_management_status")
    trying = port.registers.read(pcie.LINK_STATUS, "link_training")
    if tried == 1 and trying == 1:
        source = f"{port.address} Link Status: Link Training, Link Bandwidth Management Status"
        read = f"1 and {latched(port)} with the link down"
        evidence = (presence, Evidence(source, read, "0 and 0 when empty"))
        why = "detects no card, yet keeps trying to train a link"
        return Judged(link, Verdict.UNKNOWN, why, port_can=can, evidence=evidence, notable=True)
    return Judged(link, Verdict.EMPTY, "nothing is fitted", port_can=can, evidence=(presence,))


def _active(port: PciFunction) -> int | None:
    """The link-active bit where the port reports it, else None."""
    offered = port.registers.read(pcie.LINK_CAPABILITIES, "data_link_layer_link_active_reporting_capable")
    told = port.registers.read(pcie.LINK_STATUS, "data_link_layer_link_active")
    return told if offered == 1 and isinstance(told, int) else None


# Register, field, value that explains, value in a working slot, the reason in words.
_REASONS: Final = (
    (pcie.LINK_CONTROL, "link_disable", "Link Control: Link Disable", "the port has its link switched off"),
    (
        pcie.SLOT_CONTROL,
        "power_controller_control",
        "Slot Control: Power Controller Control",
        "the slot's power is off",
    ),
    (pcie.LINK_STATUS, "link_training", "Link Status: Link Training", "link training goes on"),
    (
        pcie.LINK_STATUS,
        "link_bandwidth_management_status",
        "Link Status: Link Bandwidth Management Status",
        "link training failed",
    ),
)
_LATCHED: Final = frozenset({"link_bandwidth_management_status"})


def _why_dark(port: PciFunction) -> tuple[tuple[Evidence, str], ...]:
    """What the port says about a missing link, and the same in words."""
    power = port.registers.read(pcie.SLOT_CAPABILITIES, "power_controller_present") == 1
    return tuple(
        (Evidence(f"{port.address} {source}", latched(port) if field in _LATCHED else "1", "0"), words)
        for layout, field, source, words in _REASONS
        if port.registers.read(layout, field) == 1 and (power or field != "power_controller_control")
    )


def _no_slot(link: Link, port: PciFunction, can: Rate | None) -> Judged:
    """A port that leads to no slot: it cannot detect presence, so a failing link shows in the training bits alone."""
    tried = port.registers.read(pcie.LINK_STATUS, "link_bandwidth_management_status")
    if tried == 1 and _active(port) == 0:
        source = f"{port.address} Link Status: Link Bandwidth Management Status"
        tries = (Evidence(source, latched(port, "1 with the link down"), "0 when nothing is fitted"),)
        why = "tried to train a link and failed; it leads to no slot, so whether a card is there is not known"
        return Judged(link, Verdict.UNKNOWN, why, port_can=can, evidence=tries, notable=True)
    source = f"{port.address} PCI Express Capabilities: Slot Implemented"
    evidence = (Evidence(source, "0", "no slot, nothing below"), *_lost(link))
    if link.below_lost is not None:
        why = f"leads to no slot; {_what_answers(link, '')}"
        needs_root = link.below_lost.needs_root
        return Judged(link, Verdict.UNKNOWN, why, port_can=can, evidence=evidence, needs_root=needs_root)
    return Judged(link, Verdict.EMPTY, "leads to no slot, and nothing answers below", port_can=can, evidence=evidence)


def _presence_by_driver(link: Link, port: PciFunction, unread: Unread, can: Rate | None) -> Judged:
    """The port's registers are out of reach: a hot-plug driver may still tell."""
    name = link.slot.name if link.slot is not None else ""
    source = f"kernel slot {name}: adapter"
    if link.occupied is True:
        return _dark(link, Evidence(source, "1 (card present)", "a link and a function that answers"), can)
    if link.occupied is False:
        told = (Evidence(source, "0", "0 when empty"),)
        return Judged(link, Verdict.EMPTY, "nothing is fitted", port_can=can, evidence=told)
    evidence = (Evidence(f"{port.address} Slot Status: Presence Detect State", unread.why, "0 or 1"), *_lost(link))
    why = f"{_what_answers(link, 'nothing answers below')}; whether a card is present could not be read"
    return Judged(link, Verdict.UNKNOWN, why, port_can=can, evidence=evidence, needs_root=unread.needs_root)
