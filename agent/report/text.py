"""The form for terminals: plain words, worst first, one line a healthy link. Every colour is doubled by a word.

Fits 80 columns and grows with the terminal. All device text passes `plain`; rich's own markup is off.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from agent.ends import rate_text
from agent.findings import Severity, Verdict
from agent.report import health
from agent.report.advice import add_findings, add_remarks, by_subject
from agent.report.paper import HEADING, QUIET, STYLES, Page, show
from agent.report.plain import (
    as_of,
    asked,
    bytes_text,
    describe,
    describe_link,
    mbps_range,
    place,
    plain,
    size,
    stripe_caution,
    told,
)
from knowledge.rates import celsius_text
from knowledge.rates import describe as describe_speed
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.audit import Audit, DriveSeen
    from agent.judged import Judged
    from agent.report.data import SlotData
    from agent.rules.rule import StripeSeen
    from probes.facts import PciFunction
__all__ = ["Page", "check", "inventory", "show"]


def check(audit: Audit, width: int, source: str) -> Page:
    """The page of `check`; `source` says where the readings come from ("this machine", a capture's name)."""
    page = Page(width)
    _head(page, audit, source)
    page.add(_summary(audit))
    _links(page, audit)
    findings = [one for one in audit.findings if one.severity is not Severity.OK and one.rule != "needs-root"]
    for group in by_subject(findings):
        add_findings(page, group, audit)
    add_remarks(page, audit)
    _drives(page, audit)
    _stripes(page, audit)
    if all(judged.link.device is None for judged in audit.links):
        _functions(page, audit, "What was seen")
    _firmware(page, audit)
    _unread(page, audit)
    return page


def inventory(audit: Audit, width: int, source: str) -> Page:
    """The page of `inventory`."""
    page = Page(width)
    _head(page, audit, source)
    _machine(page, audit)
    _slots(page, audit)
    _drives(page, audit, whole=True)
    if audit.drives:
        _as_of(page, audit)
    _stripes(page, audit)
    _functions(page, audit, "All functions")
    _unread(page, audit)
    return page


# --- Head and summary ------------------------------------------------------------------------------------------


def _head(page: Page, audit: Audit, source: str) -> None:
    host = audit.facts.host
    product = " ".join(told(part, "") for part in (host.maker, host.product) if part)
    name = told(host.name, "this machine")
    title = Text().append(name, HEADING)
    if product:
        title.append(f" ({product})", "")
    page.add(title)
    when = f", read {plain(audit.facts.taken_at)}" if audit.facts.taken_at else ""
    against = f"; held against {plain(audit.against)}" if audit.against is not None else ""
    page.add(f"{plain(source)}{when}{against}", style=QUIET)
    page.add()


def _summary(audit: Audit) -> Text:
    """The first sentence: what there is to do."""
    judged = [one for one in audit.links if one.link.device is not None]
    counts: dict[Severity, int] = {}
    for finding in audit.findings:
        if finding.severity is not Severity.OK and finding.rule != "needs-root":
            counts[finding.severity] = counts.get(finding.severity, 0) + 1
    total = f"{len(judged)} link{_s(len(judged))}, {len(audit.drives)} drive{_s(len(audit.drives))}"
    if _as_planned(audit):
        total += f"; every part of {plain(audit.against or '')} is in its place"
    if not counts and not judged:
        return Text(_without_a_card(audit))
    silent = sum(one.verdict is Verdict.UNKNOWN and not one.notable for one in audit.links if one.link.device is None)
    rest = (
        f" Whether {silent} more port{_s(silent)} hold{'s' if silent == 1 else ''} a card could not be told."
        if silent
        else ""
    )
    if not counts:
        full = all(one.verdict is Verdict.FULL for one in judged)
        why = ": every link with a card runs at the best its card can do" if full else ""
        return Text().append(f"Nothing to do{why} ({total}).", STYLES[Severity.OK]).append(rest)
    words = {
        Severity.FAULT: ("fault", "faults", "to act on"),
        Severity.LIMIT: ("limit", "limits", "that could be better"),
        Severity.NOTE: ("note", "notes", "worth knowing"),
        Severity.UNKNOWN: ("open question", "open questions", "that could not be told"),
    }
    parts = []
    for severity, count in sorted(counts.items(), key=lambda one: one[0].rank):
        one, many, what = words[severity]
        parts.append(Text(f"{count} {one if count == 1 else many} {what}", STYLES[severity]))
    text = Text(f"{_without_a_card(audit)} " if not judged else "")
    return text.append_text(Text(", ").join(parts)).append(f"; {total}.{rest}", "")


def _as_planned(audit: Audit) -> bool:
    """Whether a whole machine was held against a sheet, and each part of it was told and is in its place."""
    if audit.against is None or audit.part or any(one.rule.startswith("plan-") for one in audit.findings):
        return False
    return not any(one.what.endswith(f" of {audit.against}") for one in audit.unread)


def _without_a_card(audit: Audit) -> str:
    """What there is to say of a machine, or a part of one, where no card answers below a port."""
    if audit.part:
        return f"No PCI Express link with a card belongs to {plain(audit.part)}."
    seen = len(audit.facts.functions)
    where = " It runs under a hypervisor, which hides them." if audit.facts.host.virtual is True else ""
    count = "no PCI function was seen either" if not seen else f"{seen} PCI functions were seen, listed below"
    return f"No PCI Express link with a card is visible on this machine; {count}.{where}"


def _s(count: int) -> str:
    return "" if count == 1 else "s"


# --- Links and drives ------------------------------------------------------------------------------------------


def _links(page: Page, audit: Audit) -> None:
    if not audit.links:
        return
    page.heading("Links, worst first")
    ranked = sorted(audit.links, key=lambda one: (one.verdict.severity.rank, list(Verdict).index(one.verdict)))
    fitted = [one for one in ranked if one.link.device is not None or one.verdict is Verdict.DARK]
    rows = [
        (one.verdict.value, plain(_port(one), 24), one.device_address or "", _rates(one), _brief(one, audit))
        for one in fitted
    ]
    page.columns(rows, [STYLES[one.verdict.severity] for one in fitted], cut=True)
    without = [one for one in ranked if one.link.device is None and one.verdict is not Verdict.DARK]
    for verdict, why in dict.fromkeys((one.verdict, _why_without(one)) for one in without):
        alike = [one for one in without if (one.verdict, _why_without(one)) == (verdict, why)]
        names = ", ".join(place(one.link) for one in alike)
        row = (verdict.value, f"{len(alike)} port{_s(len(alike))}, {why}: {names}")
        page.columns([row], [STYLES[verdict.severity]])
    _as_of(page, audit)
    hidden = [one for one in fitted if one.port_hidden and one.verdict is not Verdict.VIRTUAL]
    if hidden:
        names = ", ".join(place(one.link) for one in hidden)
        page.add(f"Judged by the card's own end alone, as the port is not visible from here: {names}", indent=2, hang=4)


def _as_of(page: Page, audit: Audit) -> None:
    for line in as_of(audit.links):
        page.add(line, indent=2, hang=4)


def _port(judged: Judged) -> str:
    """The slot or port of a link; a port that is not visible is called so."""
    link = judged.link
    return "hidden port" if link.port is None and link.slot is None and not link.integrated else place(link)


def _why_without(judged: Judged) -> str:
    """Why nothing answers below a port; all that is empty is alike."""
    return "nothing fitted" if judged.verdict is Verdict.EMPTY else plain(judged.why)


def _brief(judged: Judged, audit: Audit) -> str:
    """What a link could do where that is more, then what it leads to: a drive's name, a card's model."""
    device = judged.link.device
    if device is None:
        return "card detected"
    more = _more(judged)
    named = audit.nvme_at.get(device.address)
    if named is not None:
        return f"{more}{plain(named.name)}, {told(named.model, 'NVMe drive')}"
    return more + (plain(device.model_name) if device.model_name else describe(device, audit))


def _more(judged: Judged) -> str:
    """What a link could do where that is more than it does: "of x8: ", "of Gen 4: "; else nothing."""
    now = judged.now
    if now is None or judged.verdict in {Verdict.FULL, Verdict.VIRTUAL}:
        return ""
    could = judged.device_can if judged.verdict is Verdict.SLOT_LIMITED else judged.best
    lanes = f"x{could.width}" if could is not None and could.width > now.width else ""
    speed = f"Gen {could.speed}" if could is not None and could.speed > now.speed else ""
    parts = " ".join(part for part in (speed, lanes) if part)
    return f"of {parts}: " if parts else ""


def _rates(judged: Judged) -> str:
    """The rate now, for a column of its own."""
    if judged.verdict is Verdict.VIRTUAL:
        return "not wires"
    if judged.now is None:
        return "no link" if judged.verdict is Verdict.DARK else "not known"
    return rate_text(judged.now)


def _drives(page: Page, audit: Audit, *, whole: bool = False) -> None:
    """The drives with what each should reach when read; the `whole` of it is for an inventory."""
    if not audit.drives:
        return
    page.heading("Drives, and what each should reach" if whole else "Drives, and what each should reach when read")
    for seen in audit.drives:
        drive = seen.drive
        words = [told(drive.model, "model not known"), size(drive)]
        if whole:
            words.append(f"firmware {told(drive.firmware)}")
            words.append(f"serial {told(drive.serial)}")
        words.append(_temperature(seen))
        line = (
            Text()
            .append(f"  {plain(drive.name)}", HEADING)
            .append("  " + ", ".join(word for word in words if word), "")
        )
        page.add(line, hang=4)
        for rates in _all_expected(seen) if whole else (_expected(seen),):
            page.add(rates, indent=4, hang=6)
        if not _off_the_bus(seen):
            page.add(_path(seen, audit), indent=4, hang=6, style=QUIET)
        for words_of_health in health.lines(drive) if whole else ():
            page.add(words_of_health, indent=4, hang=6)


def _temperature(seen: DriveSeen) -> str:
    if isinstance(seen.celsius, Unread):
        return f"temperature not known ({plain(seen.celsius.why)})"
    if seen.celsius is None:
        return "no temperature offered"
    if seen.warning_celsius is not None:
        return f"{celsius_text(seen.celsius)} (warning at {celsius_text(seen.warning_celsius)})"
    if seen.critical_celsius is not None:
        return f"{celsius_text(seen.celsius)} (critical at {celsius_text(seen.critical_celsius)})"
    return f"{celsius_text(seen.celsius)} (no limit told)"


def _expected(seen: DriveSeen) -> str:
    if _off_the_bus(seen):
        interconnect = plain(seen.drive.interconnect or "", 40)
        return f"virtual: not on PCI Express ({interconnect or 'nothing told of what it hangs on'}), no link to judge"
    if seen.drive.kind != "nvme":
        return "its own interface decides its rate, not the PCI Express link"
    if seen.alone is None or seen.together is None:
        return "no rate can be told: its path has no link, or one whose rate is not known"
    rates = _alone_and_together(seen.alone, seen.together, "all drives at once")
    if seen.payload_bytes is None:
        rates = f"{rates} (at most: the payload size could not be read)"
    return rates


def _off_the_bus(seen: DriveSeen) -> bool:
    """Whether a drive hangs on no PCI function at all."""
    return seen.verdict is Verdict.VIRTUAL and seen.drive.address is None


def _all_expected(seen: DriveSeen) -> Iterator[str]:
    """What a drive should reach when read, when written, and when all drives are read and written at once."""
    if seen.alone_write is None or seen.together_write is None or seen.both is None:
        yield _expected(seen)
        return
    yield f"read {_expected(seen)}"
    yield f"written {_alone_and_together(seen.alone_write, seen.together_write, 'all drives at once')}"
    read, write = map(mbps_range, seen.both)
    yield f"all drives read and written at once: read {read}, written {write}"


def _alone_and_together(alone: tuple[float, float], together: tuple[float, float], when: str) -> str:
    """Two ranges in one line, or one where they are the same."""
    one, all_at_once = mbps_range(alone), mbps_range(together)
    return f"alone {one}" if one == all_at_once else f"alone {one}; {when} {all_at_once}"


def _stripes(page: Page, audit: Audit) -> None:
    """Stripe sets: members, what the set should reach as one, the hop that decides, and the caution once a kind."""
    if not audit.stripes:
        return
    page.heading("Stripe sets, and what each should reach as one")
    for seen in audit.stripes:
        page.add(
            Text().append(f"  {plain(seen.stripe.name, 40)}", HEADING).append(f"  {_stripe_words(seen)}", ""), hang=4
        )
        if seen.alone is None or seen.together is None or seen.alone_write is None or seen.together_write is None:
            page.add(f"no rate can be told: {plain(seen.why)}", indent=4, hang=6)
            continue
        copies = f" ({seen.copies_read})" if seen.copies_read else ""
        when = "with all drives at work"
        page.add(f"read {_alone_and_together(seen.alone, seen.together, when)}{copies}", indent=4, hang=6)
        page.add(f"written {_alone_and_together(seen.alone_write, seen.together_write, when)}", indent=4, hang=6)
        narrowest = audit.by_key.get(seen.narrowest or "")
        if narrowest is not None and narrowest.now is not None:
            hop = f"narrowest: {rate_text(narrowest.now)} ({place(narrowest.link)})"
            page.add(hop, indent=4, hang=6, style=QUIET)
    for caution in dict.fromkeys(filter(None, map(stripe_caution, audit.stripes))):
        page.add(f"! {caution}", indent=2, hang=4)


def _stripe_words(seen: StripeSeen) -> str:
    """A set in words: its kind, its members, its size, what is lost."""
    stripe = seen.stripe
    level = "level not known" if isinstance(stripe.level, Unread) else plain(stripe.level, 20) or "a set"
    kind = f"RAID {seen.raid}" if seen.raid is not None else level
    names = [plain(name or block, 40) for name, block in zip(stripe.members, stripe.blocks, strict=True)]
    members = f"{kind} of {', '.join(names)}" if names else f"{kind}, no member at work"
    words = [members, bytes_text(stripe.size_bytes) if isinstance(stripe.size_bytes, int) else "size not known"]
    if stripe.idle:
        words.append(f"not at work in it: {', '.join(plain(block, 40) for block in stripe.idle)}")
    if stripe.missing:
        words.append(f"{stripe.missing} member{_s(stripe.missing)} missing")
    return ", ".join(word for word in words if word)


def _path(seen: DriveSeen, audit: Audit) -> str:
    """The way from the drive to the processor with the narrowest hop pointed out."""
    if not seen.path:
        where = plain(seen.drive.address) if seen.drive.address else "a place that is not shown"
        return f"no link on the way: it hangs on {where}"
    parts = ["drive"]
    for key in seen.path:
        judged = audit.by_key[key]
        hop = rate_text(judged.now) if judged.now and judged.mbps is not None else "rate not known"
        if judged.verdict is Verdict.VIRTUAL:
            hop = "not wires"
        narrowest = "narrowest: " if key == seen.narrowest and len(seen.path) > 1 else ""
        parts.append(f"{narrowest}{hop} ({place(judged.link)})")
    parts.append("the host, not visible from here" if audit.by_key[seen.path[-1]].port_hidden else "processor")
    return " > ".join(parts)


# --- The rest --------------------------------------------------------------------------------------------------


def _firmware(page: Page, audit: Audit) -> None:
    host = audit.facts.host
    if host.firmware_version is None and not audit.drives:
        return
    page.heading("Firmware on record")
    page.add(f"machine: {_host_firmware(audit)}", indent=2, hang=4)
    alike: dict[tuple[str, str], list[str]] = {}
    for drive in (seen.drive for seen in audit.drives):
        alike.setdefault((told(drive.model), told(drive.firmware)), []).append(plain(drive.name, 40))
    for (model, firmware), names in alike.items():
        page.add(f"{', '.join(names)} ({model}): {firmware}", indent=2, hang=4)


def _machine(page: Page, audit: Audit) -> None:
    host = audit.facts.host
    memory = f"{host.memory_bytes / 2**30:.1f} GiB" if isinstance(host.memory_bytes, int) else "not known"
    rows = [
        ("board", " ".join(told(part, "") for part in (host.board_maker, host.board) if part) or "not known"),
        ("firmware", _host_firmware(audit)),
        ("kernel", told(host.kernel)),
        ("processors", str(host.processors) if isinstance(host.processors, int) else "not known"),
        ("memory", memory),
    ]
    page.columns(rows)


def _host_firmware(audit: Audit) -> str:
    host = audit.facts.host
    if host.firmware_version is None:
        return "not known"
    dated = f" of {plain(host.firmware_date)}" if host.firmware_date else ""
    return f"{told(host.firmware_maker, '')} {plain(host.firmware_version)}{dated}".strip()


def _slots(page: Page, audit: Audit) -> None:
    from agent.report import data

    slots = tuple(data.slots(audit))
    if not slots:
        return
    page.heading("Slots")
    what = {judged.device_address: describe_link(judged.link, audit) for judged in audit.links if judged.device_address}
    rows: dict[str, list[tuple[str, str]]] = {}
    lost = []
    for slot in slots:
        if slot.kind is None and not slot.ports and not slot.devices:
            lost.append(plain(slot.name, 40))
        else:
            rows.setdefault(slot.named_by, []).append(_slot_row(slot, what))
    for source, named in rows.items():
        page.add(f"named by the {source}:", indent=2, style=QUIET)
        page.columns(named)
    if lost:
        page.add(f"named by the kernel, but below no PCI Express port: {', '.join(lost)}", indent=2, hang=4)


def _slot_row(slot: SlotData, what: dict[str, str]) -> tuple[str, str]:
    built = (
        f"x{slot.connector_lanes} connector" if slot.connector_lanes else "",
        f"{slot.wired_lanes} lane{_s(slot.wired_lanes)}" if slot.wired_lanes else "",
        describe_speed(slot.generation) if slot.generation else "",
        "can be split" if slot.can_split else "",
    )
    content = "; ".join(f"{what[device]}, {device}" for device in slot.devices if device in what) or "empty"
    if not slot.ports and not slot.devices:
        content = f"not matched to a port, said to be {slot.usage}" if slot.usage else "not matched to a port"
    described = ", ".join(part for part in built if part)
    return plain(slot.name, 40), f"{content} ({described})" if described else content


def _functions(page: Page, audit: Audit, title: str) -> None:
    if not audit.facts.functions:
        return
    page.heading(title)
    virtual: dict[str, int] = {}
    for function in audit.facts.functions:
        if function.physical_function is not None:
            virtual[function.physical_function] = virtual.get(function.physical_function, 0) + 1
    page.columns(
        [
            (function.address, ", ".join(_function_words(function, audit, virtual.get(function.address, 0))))
            for function in audit.facts.functions
            if function.physical_function is None
        ]
    )


def _function_words(function: PciFunction, audit: Audit, virtual: int) -> Iterator[str]:
    """A function in words: what it is, whose, where on the board, its driver, its virtual functions, its sleep."""
    yield describe(function, audit)
    if function.vendor_name:
        yield f"by {plain(function.vendor_name, 60)}"
    onboard = next((one for one in audit.facts.board_devices if one.address == function.address), None)
    if onboard is not None and onboard.designation:
        yield f"on the board as {plain(onboard.designation, 40)}"
    elif function.label:
        yield f"labelled {plain(function.label, 40)}"
    if function.driver:
        yield f"driver {plain(function.driver, 40)}"
    if virtual:
        yield f"{virtual} virtual function{_s(virtual)}"
    if function.power_state not in {"D0", "unknown"} and isinstance(function.power_state, str):
        yield f"asleep in {plain(function.power_state, 20)}"


def _unread(page: Page, audit: Audit) -> None:
    lines = list(_unread_lines(audit))
    if lines:
        page.heading("Not read")
        for line in lines:
            page.add(line, indent=2, hang=4)
    root = next((finding for finding in audit.findings if finding.rule == "needs-root"), None)
    if root is not None:
        page.heading("What root would add")
        for one in root.evidence:
            page.add(plain(one.source, 300), indent=2, hang=4)


def _unread_lines(audit: Audit) -> Iterator[str]:
    for one in audit.unread:
        if not one.needs_root:
            yield f"{plain(asked(one))}: {plain(one.why)}"
