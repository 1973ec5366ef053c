"""Parts of a page for terminals that a check and an inventory share. Every text of a device passes `plain`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from agent.report import drive_words, health, words
from agent.report.paper import HEADING, QUIET, Page
from agent.report.plain import size, told
from knowledge.phrasing import plain

if TYPE_CHECKING:
    from agent.audit import Audit


def head(page: Page, audit: Audit, source: str) -> None:
    """The machine by its name, and where and when it was read."""
    name, product = words.title(audit)
    title = Text().append(name, HEADING)
    if product:
        title.append(f" ({product})", "")
    page.add(title)
    page.add(words.origin(audit, source), style=QUIET)
    page.add()


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


def functions(page: Page, audit: Audit, title: str) -> None:
    """Every function but virtual ones."""
    if audit.facts.functions:
        page.heading(title)
        page.columns(list(words.functions(audit)))


def unread(page: Page, audit: Audit) -> None:
    """What could not be read, and what root would add."""
    for title, lines in (("Not read", words.unread(audit)), ("What root would add", words.root_would_add(audit))):
        for number, line in enumerate(lines):
            if not number:
                page.heading(title)
            page.add(line, indent=2, hang=4)
