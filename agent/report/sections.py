"""Parts of a page for terminals that a check and an inventory share. Every text of a device passes `plain`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.text import Text

from agent.report import drive_words, health, words
from agent.report.paper import HEADING, QUIET, Page
from agent.report.plain import size, told
from knowledge.phrasing import plain

if TYPE_CHECKING:
    from collections.abc import Iterable

    from agent.audit import Audit

MOST_LOST: Final = 6


def head(page: Page, audit: Audit, source: str) -> None:
    """The machine by its name, and where and when it was read."""
    name, product = words.title(audit, source)
    title = f"{name} ({product})" if product else name
    page.add(f"{title}; {words.origin(audit, source)}", style=QUIET)


def drives(page: Page, audit: Audit, *, whole: bool = False) -> None:
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


def stripes(page: Page, audit: Audit) -> None:
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


def functions(page: Page, audit: Audit, title: str, most: int | None = None) -> None:
    """Every function but virtual ones."""
    if audit.facts.functions:
        page.heading(title)
        rows = list(words.functions(audit))
        page.table(("", ""), rows if most is None else rows[:most])
        if most is not None and rows[most:]:
            page.add(f"and {len(rows) - most} more: --full shows all", indent=2, style=QUIET)


def unread(page: Page, audit: Audit) -> None:
    """What could not be read, and what root would add."""
    for title, lines in (("Not read", words.unread(audit)), ("What root would add", words.root_would_add(audit))):
        for number, line in enumerate(lines):
            if not number:
                page.heading(title)
            page.add(line, indent=2, hang=4)


def in_short(page: Page, audit: Audit) -> None:
    """Drives that no link leads to, and stripe sets, each in a line."""
    linked = {judged.device_address for judged in audit.links}
    alike: dict[str, list[str]] = {}
    for seen in audit.drives:
        if seen.drive.address not in linked or seen.drive.address is None:
            warm = drive_words.temperature(seen).split(" (")[0] if seen.celsius_lost is None else "temperature not read"
            why = "" if audit.links else drive_words.without_rates(seen)
            about = ", ".join(filter(None, (told(seen.drive.model, "model not known"), warm, why)))
            alike.setdefault(about, []).append(plain(seen.drive.name, 40))
    if not audit.links and (alike or audit.stripes):
        page.heading("Drives")
    if alike:
        listed = "; ".join(f"{', '.join(names)} ({about})" for about, names in alike.items())
        page.add(f"without a link of their own: {listed}", indent=2, hang=4)
    for found in audit.stripes:
        rates = next(iter(drive_words.stripe_rates(found)), "")
        name = plain(found.stripe.name, drive_words.SHORT)
        page.add(f"{name}: {drive_words.stripe(found)}; {rates}", indent=2, hang=4)


def not_read(page: Page, audit: Audit) -> None:
    """What could not be read by name alone, and what root would add: why is said in the whole form."""
    lost = list(dict.fromkeys(plain(silence.asked, 60) for silence in audit.unread if not silence.needs_root))
    more = list(dict.fromkeys(line.split(" of ")[0] for line in words.root_would_add(audit)))
    if lost or more:
        page.add()
    if lost:
        rest = f" and {len(lost) - MOST_LOST} more" if lost[MOST_LOST:] else ""
        page.add(f"Could not be read: {', '.join(lost[:MOST_LOST])}{rest} (--full says why).", hang=2)
    if more:
        page.add(f"Read as an ordinary user. Run as root, this adds: {', '.join(more)}.", hang=2)


def tree(page: Page, lines: Iterable[str]) -> None:
    """Lines that stand further right the deeper what they name is."""
    for line in lines:
        indent = 2 + len(line) - len(line.lstrip())
        page.add(line.lstrip(), indent=indent, hang=indent + 2)
