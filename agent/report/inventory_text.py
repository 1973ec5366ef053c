"""The inventory for terminals: the machine, its slots, drives and functions. Every text of a device passes `plain`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.model.findings import Severity
from agent.report import words
from agent.report.paper import Page
from agent.report.plain import as_of, board, told
from agent.report.sections import drives, head, stripes, tree, unread
from agent.report.tree_text import function_tree, machine_map
from knowledge.pcie import SECONDARY_BUS_NUMBER
from knowledge.phrasing import plain
from probes.unread import Unread

if TYPE_CHECKING:
    from agent.audit import Audit


def inventory(audit: Audit, width: int, source: str) -> Page:
    """The page of `inventory`."""
    page = Page(width)
    head(page, audit, source)
    _machine(page, audit)
    _map(page, audit)
    drives(page, audit, whole=True)
    if audit.drives:
        for line in as_of(audit.links):
            page.add(line, indent=2, hang=4)
    stripes(page, audit)
    _functions(page, audit)
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


def _map(page: Page, audit: Audit) -> None:
    """The map of the machine, and the slots that the kernel names and no port leads to."""
    lines = machine_map(audit)
    matched = {judged.link.slot.kernel_address for judged in audit.links if judged.link.slot is not None}
    lost = [kernel for kernel in audit.facts.kernel_slots if kernel.address not in matched]
    if lines or lost:
        page.heading("Slots, cards and drives")
    tree(page, lines)
    below = (
        "but matched to no port, as not all ports could be read" if _blind(audit) else "but below no PCI Express port"
    )
    for words_of_place, names in (
        (below, [kernel.name for kernel in lost if not isinstance(kernel.address, Unread)]),
        ("where they are could not be read", [kernel.name for kernel in lost if isinstance(kernel.address, Unread)]),
    ):
        if names:
            listed = ", ".join(plain(name, 40) for name in names)
            page.add(f"named by the kernel, {words_of_place}: {listed}", indent=2, hang=4)


def _functions(page: Page, audit: Audit) -> None:
    """Every function below its slot, its port of a card, or the board."""
    fitted = list(function_tree(audit))
    if any(found.functions for found in fitted):
        page.heading("All functions, by where they are")
    for found in fitted if audit.facts.functions else ():
        indent = 2 + 2 * found.depth
        page.add(found.name, indent=indent, hang=indent + 2)
        for address, what in found.functions:
            page.add(f"{address}  {what}", indent=indent + 2, hang=indent + 6)


def _blind(audit: Audit) -> bool:
    """Whether a slot of the kernel may be below a port that could not be read."""
    ports = [link.link.port for link in audit.links if link.link.port is not None and link.link.device is None]
    buses = [port.registers.read(SECONDARY_BUS_NUMBER, "secondary_bus_number") for port in ports]
    unread = any(isinstance(bus, Unread) for bus in buses) or any(link.link.below_lost for link in audit.links)
    return unread or audit.facts.gap("functions") is not None
