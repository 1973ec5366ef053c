"""The form for terminals: plain words, worst first, one line a healthy link. Every colour is doubled by a word.

Fits 80 columns and grows with the terminal. All device text passes `plain`; rich's own markup is off.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from agent.model.findings import Verdict
from agent.report import drive_words, health, words
from agent.report.advice import add_findings, add_remarks
from agent.report.paper import HEADING, QUIET, STYLES, Page, show
from agent.report.plain import as_of, board, describe_link, size, told
from knowledge.pcie import SECONDARY_BUS_NUMBER
from knowledge.phrasing import plain, quantity
from knowledge.rates import describe as describe_speed
from probes.unread import Unread

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.model.judged import Judged
    from agent.report.data import SlotData
__all__ = ["Page", "check", "inventory", "show"]


def check(audit: Audit, width: int, source: str) -> Page:
    """The page of `check`; `source` says where the readings come from ("this machine", a capture's name)."""
    page = Page(width)
    _head(page, audit, source)
    summary = Text()
    for part, severity in words.summary(audit):
        summary.append(part, STYLES[severity] if severity is not None else "")
    page.add(summary)
    _links(page, audit)
    for group in words.by_subject(words.findings(audit)):
        add_findings(page, group, audit)
    add_remarks(page, audit)
    _drives(page, audit)
    _stripes(page, audit)
    if all(judged.link.device is None for judged in audit.links):
        _functions(page, audit, "What was seen")
    _firmware(page, audit)
    _unread(page, audit)
    more = words.explained(audit)
    if more:
        page.add()
        page.add(more, style=QUIET, hang=2)
    return page


def inventory(audit: Audit, width: int, source: str) -> Page:
    """The page of `inventory`."""
    page = Page(width)
    _head(page, audit, source)
    _machine(page, audit)
    _slots(page, audit)
    _drives(page, audit, whole=True)
    if audit.drives:
        for line in as_of(audit.links):
            page.add(line, indent=2, hang=4)
    _stripes(page, audit)
    _functions(page, audit, "All functions")
    _unread(page, audit)
    return page


def _head(page: Page, audit: Audit, source: str) -> None:
    name, product = words.title(audit)
    title = Text().append(name, HEADING)
    if product:
        title.append(f" ({product})", "")
    page.add(title)
    page.add(words.origin(audit, source), style=QUIET)
    page.add()


# --- Links and drives ------------------------------------------------------------------------------------------


def _links(page: Page, audit: Audit) -> None:
    if not audit.links:
        return
    page.heading("Links, worst first")
    fitted = [judged for judged in words.ranked(audit) if words.is_fitted(judged)]
    rows = [
        (
            judged.verdict.value,
            plain(words.port(judged), 24),
            judged.device_address or "",
            words.rate_now(judged),
            f"{_more(judged)}{words.leads_to(judged, audit)}",
        )
        for judged in fitted
    ]
    page.columns(rows, [STYLES[judged.verdict.severity] for judged in fitted], cut=True)
    for verdict, alike in words.without(audit):
        page.columns([(verdict.value, alike)], [STYLES[verdict.severity]])
    for line in words.asides(audit):
        page.add(line, indent=2, hang=4)


def _more(judged: Judged) -> str:
    """What a link could do where that is more than it does: "of x8: ", "of Gen 4: "; else nothing."""
    now, could = judged.now, words.could(judged)
    if now is None or could is None:
        return ""
    lanes = f"x{could.width}" if could.width > now.width else ""
    speed = f"Gen {could.speed}" if could.speed > now.speed else ""
    return f"of {' '.join(part for part in (speed, lanes) if part)}: "


def _drives(page: Page, audit: Audit, *, whole: bool = False) -> None:
    """The drives with what each should reach when read; the `whole` of it is for an inventory."""
    if not audit.drives:
        return
    page.heading("Drives, and what each should reach" if whole else "Drives, and what each should reach when read")
    for seen in audit.drives:
        drive = seen.drive
        parts = [told(drive.model, "model not known"), size(drive)]
        if whole:
            parts.append(f"firmware {told(drive.firmware)}")
            parts.append(f"serial {told(drive.serial)}")
        parts.append(drive_words.temperature(seen))
        line = (
            Text()
            .append(f"  {plain(drive.name)}", HEADING)
            .append("  " + ", ".join(part for part in parts if part), "")
        )
        page.add(line, hang=4)
        for rates in drive_words.all_expected(seen) if whole else (drive_words.expected(seen),):
            page.add(rates, indent=4, hang=6)
        if not drive_words.off_the_bus(seen):
            page.add(drive_words.path(seen, audit), indent=4, hang=6, style=QUIET)
        for told_by_drive in health.lines(drive) if whole else ():
            page.add(told_by_drive, indent=4, hang=6)


def _stripes(page: Page, audit: Audit) -> None:
    """Stripe sets: members, what the set should reach as one, the hop that decides, and the caution once a kind."""
    if not audit.stripes:
        return
    page.heading("Stripe sets, and what each should reach as one")
    for seen in audit.stripes:
        name = Text().append(f"  {plain(seen.stripe.name, drive_words.SHORT)}", HEADING)
        page.add(name.append(f"  {drive_words.stripe(seen)}", ""), hang=4)
        for rates in drive_words.stripe_rates(seen):
            page.add(rates, indent=4, hang=6)
        hop = drive_words.stripe_hop(seen, audit)
        if hop:
            page.add(hop, indent=4, hang=6, style=QUIET)
    for caution in drive_words.stripe_cautions(audit):
        page.add(f"! {caution}", indent=2, hang=4)


# --- The rest --------------------------------------------------------------------------------------------------


def _firmware(page: Page, audit: Audit) -> None:
    rows = list(words.firmware(audit))
    if rows:
        page.heading("Firmware on record")
    for part, version in rows:
        page.add(f"{part}: {version}", indent=2, hang=4)


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


def _functions(page: Page, audit: Audit, title: str) -> None:
    if audit.facts.functions:
        page.heading(title)
        page.columns(list(words.functions(audit)))


def _unread(page: Page, audit: Audit) -> None:
    for title, lines in (("Not read", words.unread(audit)), ("What root would add", words.root_would_add(audit))):
        for number, line in enumerate(lines):
            if not number:
                page.heading(title)
            page.add(line, indent=2, hang=4)
