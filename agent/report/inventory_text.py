"""The inventory for terminals: the machine, its slots, drives and functions. Every text of a device passes `plain`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.model.findings import Severity, Verdict
from agent.report import words
from agent.report.paper import QUIET, Page
from agent.report.plain import as_of, board, describe_link, told
from agent.report.sections import drives, functions, head, stripes, unread
from knowledge.pcie import SECONDARY_BUS_NUMBER
from knowledge.phrasing import plain, quantity
from knowledge.rates import describe as describe_speed
from probes.unread import Unread

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.model.judged import Judged
    from agent.report.data import SlotData


def inventory(audit: Audit, width: int, source: str) -> Page:
    """The page of `inventory`."""
    page = Page(width)
    head(page, audit, source)
    _machine(page, audit)
    _slots(page, audit)
    drives(page, audit, whole=True)
    if audit.drives:
        for line in as_of(audit.links):
            page.add(line, indent=2, hang=4)
    stripes(page, audit)
    functions(page, audit, "All functions")
    _notes(page, audit)
    unread(page, audit)
    return page


def _notes(page: Page, audit: Audit) -> None:
    """Field notes that matter only where a part is passed through to a virtual machine, and so are none of a check."""
    kept = [one for one in audit.findings if one.rule == "field-note" and one.severity is Severity.OK]
    if kept:
        page.heading("Field notes, for parts that are passed through to virtual machines")
    for finding in kept:
        page.add(f"{words.subject(finding.subject, audit)} {words.headline(finding)}", indent=2, hang=4)


def _machine(page: Page, audit: Audit) -> None:
    host = audit.facts.host
    memory = f"{host.memory_bytes / 2**30:.1f} GiB" if isinstance(host.memory_bytes, int) else "not known"
    rows = [
        ("board", board(host)),
        ("firmware", words.host_firmware(audit)),
        ("kernel", told(host.kernel)),
        ("processors", str(host.processors) if isinstance(host.processors, int) else "not known"),
        ("memory", memory),
    ]
    page.columns(rows)


def _slots(page: Page, audit: Audit) -> None:
    from agent.report import data

    slots = tuple(data.slots(audit))
    if not slots:
        return
    page.heading("Slots")
    what = {judged.device_address: describe_link(judged.link, audit) for judged in audit.links if judged.device_address}
    vacant = {judged.port_address: _vacant(judged) for judged in audit.links if judged.port_address}
    rows: dict[str, list[tuple[str, str]]] = {}
    lost = []
    for slot in slots:
        if slot.kind is None and not slot.ports and not slot.devices:
            lost.append(slot.name)
        else:
            rows.setdefault(slot.named_by, []).append(_slot_row(slot, what, vacant))
    for source, named in rows.items():
        page.add(f"named by the {source}:", indent=2, style=QUIET)
        page.columns(named)
    placeless = {
        kernel_slot.name for kernel_slot in audit.facts.kernel_slots if isinstance(kernel_slot.address, Unread)
    }
    below = (
        "but matched to no port, as not all ports could be read" if _blind(audit) else "but below no PCI Express port"
    )
    for words_of_place, names in (
        (below, [name for name in lost if name not in placeless]),
        ("where they are could not be read", [name for name in lost if name in placeless]),
    ):
        if names:
            listed = ", ".join(plain(name, 40) for name in names)
            page.add(f"named by the kernel, {words_of_place}: {listed}", indent=2, hang=4)


def _blind(audit: Audit) -> bool:
    """Whether a slot of the kernel may be below a port that could not be read."""
    ports = [link.link.port for link in audit.links if link.link.port is not None and link.link.device is None]
    buses = [port.registers.read(SECONDARY_BUS_NUMBER, "secondary_bus_number") for port in ports]
    unread = any(isinstance(bus, Unread) for bus in buses) or any(link.link.below_lost for link in audit.links)
    return unread or audit.facts.gap("functions") is not None


def _vacant(judged: Judged) -> str:
    """What there is to say of a port below which nothing answers, "" where it is empty."""
    if judged.verdict is Verdict.DARK:
        return plain(judged.brief)
    if judged.verdict is not Verdict.UNKNOWN:
        return ""
    told = judged.link_up or judged.link.below_lost is not None
    return plain(judged.why) if told else "nothing answers, and whether a card is there is not known"


def _slot_row(slot: SlotData, what: dict[str, str], vacant: dict[str, str]) -> tuple[str, str]:
    built = (
        f"x{slot.connector_lanes} connector" if slot.connector_lanes else "",
        f"{quantity(slot.wired_lanes, 'lane')}" if slot.wired_lanes else "",
        describe_speed(slot.generation) if slot.generation else "",
        "can be split" if slot.can_split else "",
    )
    content = "; ".join(f"{what[device]}, {device}" for device in slot.devices if device in what)
    content = content or next((vacant[port] for port in slot.ports if vacant.get(port)), "empty")
    if not slot.ports and not slot.devices:
        content = f"not matched to a port, said to be {slot.usage}" if slot.usage else "not matched to a port"
    described = ", ".join(part for part in built if part)
    return plain(slot.name, 40), f"{content} ({described})" if described else content
