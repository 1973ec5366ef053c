"""The check of one machine as Markdown, for forums and tickets: the words and the order of the text, in its own looks.

Decides nothing. Every text of a device passes `escaped`, so that none of it marks anything up.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.abilities import rate_text
from agent.report import drive_words, link_names, step_blocks, words
from agent.report.marks import bullets, escaped, heading, paragraph, step_list, table
from agent.report.plain import size, told
from knowledge.phrasing import begun, mbps_range

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from agent.audit import Audit
    from agent.model.drive_rates import DriveSeen
    from agent.model.findings import Finding
    from agent.model.judged import Judged
    from agent.model.stripes import StripeSeen

LINE: Final = 4000  # characters of a line that is put together; its parts are cut before
NO_RATE: Final = "-"
SAME: Final = "the same"  # where the reading is what was expected, letter by letter
RATES: Final = ("read alone", "read, all drives at once", "written alone", "written, all drives at once")
BOTH: Final = ("read (all read and written)", "written (all read and written)")
SET_RATES: Final = ("read alone", "read, all drives at work", "written alone", "written, all drives at work")


class Standing(Struct, frozen=True):
    """Where a check stands in a document: the level of its first heading, and what is said there of its time.

    `title` and `then` are words of ours about a machine and its reading; `to_do` is what steps are headed with.
    """

    level: int = 1
    title: str = ""
    then: str = ""
    to_do: str = "What to do"


ALONE: Final = Standing()


def check(audit: Audit, source: str, place: Standing = ALONE) -> str:
    """The whole document, or its part of one; `source` says where the readings come from (a capture's name)."""
    return "".join(_parts(audit, source, place)).rstrip("\n") + "\n"


def _parts(audit: Audit, source: str, place: Standing) -> Iterator[str]:
    name, product = words.title(audit, source)
    yield heading(place.level, _safe(place.title or (f"{name} ({product})" if product else name)))
    yield paragraph(_safe(place.then))
    yield paragraph(f"**{_safe(''.join(part for part, _ in words.summary(audit)))}**")
    if not place.then:
        yield paragraph(_safe(words.first_step(audit)))
    yield paragraph(_safe(words.origin(audit, source)))
    yield from _links(audit, place)
    groups = words.by_subject(words.findings(audit))
    yield heading(place.level + 1, "Findings, worst first") if groups else ""
    for group in groups:
        yield from _group(group, audit, place)
    remarks = [f"{words.subject(remark.subject, audit)} {words.headline(remark)}" for remark in words.remarks(audit)]
    yield from _section(place, "For the record", remarks)
    yield from _drives(audit, place)
    yield from _stripes(audit, place)
    if all(judged.link.device is None for judged in audit.links):
        seen = (f"{address}: {what}" for address, what in words.functions(audit))
        yield from _section(place, "What was seen", seen)
    yield from _section(place, "Firmware on record", (f"{part}: {version}" for part, version in words.firmware(audit)))
    yield from _section(place, "Not read", words.unread(audit))
    yield from _section(place, "What root would add", words.root_would_add(audit))


def _safe(line: str) -> str:
    return escaped(line, LINE)


def _section(place: Standing, title: str, lines: Iterator[str] | Sequence[str]) -> Iterator[str]:
    """A heading with a list, or nothing where the list is empty."""
    made = bullets(map(_safe, lines))
    if made:
        yield heading(place.level + 1, title)
        yield made


# --- Links and findings ----------------------------------------------------------------------------------------


def _links(audit: Audit, place: Standing) -> Iterator[str]:
    if not audit.links:
        return
    yield heading(place.level + 1, "Links, worst first")
    named = link_names.names(audit)
    rows = (
        [_safe(cell) for cell in _link(judged, audit, named)]
        for judged in words.ranked(audit)
        if words.is_fitted(judged)
    )
    yield table(("verdict", "slot or port", "card", "runs at", "could run at", "link MB/s", "leads to"), rows)
    alike = (f"{verdict}: {ports}" for verdict, ports in words.without(audit))
    yield bullets(map(_safe, (*alike, *words.asides(audit))))


def _link(judged: Judged, audit: Audit, named: Mapping[str, str]) -> Iterator[str]:
    """The cells of a link; `named` are the names of links by their keys."""
    could = words.could(judged)
    yield judged.verdict.value
    yield named[judged.link.key]
    yield judged.device_address or ""
    yield words.rate_now(judged)
    yield "" if could is None else rate_text(could)
    yield NO_RATE if judged.mbps is None else f"{judged.mbps:,.0f}"
    yield words.leads_to(judged, audit)


def _group(group: Sequence[Finding], audit: Audit, place: Standing) -> Iterator[str]:
    """Findings of one subject with their readings, then all their steps together.

    People copy one such section into a ticket, so each has its cautions in full, and each step how to verify it.
    """
    yield heading(place.level + 2, _safe(words.subject(group[0].subject, audit).rstrip(":")))
    for finding in group:
        headline = words.headline(finding)
        yield paragraph(f"**{finding.severity.value.upper()}** (`{finding.rule}`): {_safe(begun(headline))}")
        rows = [
            [
                escaped(evidence.source),
                escaped(evidence.read),
                SAME if evidence.expected == evidence.read else escaped(evidence.expected),
            ]
            for evidence in finding.evidence
        ]
        yield paragraph(_safe(f"Usual cause: {finding.cause}.") if finding.cause else "")
        yield table(("reading", "read", "expected"), rows)
    steps = step_blocks.steps_of(group)
    if steps:
        yield paragraph(_safe(step_blocks.lead(place.to_do, steps)))
    each_gain = len(step_blocks.gains(steps)) > 1
    yield from step_list(step_blocks.blocks(steps, set(), each_gain=each_gain, escape=escaped))


# --- Drives and sets -------------------------------------------------------------------------------------------


def _drives(audit: Audit, place: Standing) -> Iterator[str]:
    if not audit.drives:
        return
    yield heading(place.level + 1, "Drives, and what each should reach")
    rated = [seen for seen in audit.drives if not drive_words.without_rates(seen)]
    yield table(("drive", *RATES, *BOTH), ([escaped(seen.drive.name), *map(_range, _rates(seen))] for seen in rated))
    yield bullets(_safe(line) for seen in audit.drives for line in [_drive(seen, audit)])


def _rates(seen: DriveSeen) -> Iterator[tuple[float, float] | None]:
    yield from (seen.alone, seen.together, seen.alone_write, seen.together_write)
    yield from seen.both if seen.both is not None else (None, None)


def _range(rates: tuple[float, float] | None) -> str:
    return NO_RATE if rates is None else mbps_range(rates)


def _drive(seen: DriveSeen, audit: Audit) -> str:
    """A drive in one line: what it is, how warm, its way to the processor, what bounds or hides its rates."""
    drive = seen.drive
    about = ", ".join(
        part for part in (told(drive.model, "model not known"), size(drive), drive_words.temperature(seen)) if part
    )
    lines = [f"{told(drive.name)}: {about}", drive_words.without_rates(seen)]
    if not lines[1] and seen.payload_bytes is None:
        lines.append(drive_words.AT_MOST)
    if not drive_words.off_the_bus(seen):
        lines.append(drive_words.path(seen, audit))
    return "; ".join(line for line in lines if line)


def _stripes(audit: Audit, place: Standing) -> Iterator[str]:
    if not audit.stripes:
        return
    yield heading(place.level + 1, "Stripe sets, and what each should reach as one")
    rows = ([escaped(seen.stripe.name), *map(_range, _set_rates(seen))] for seen in audit.stripes if not seen.why)
    yield table(("set", *SET_RATES), rows)
    yield bullets(_safe(_stripe(seen, audit)) for seen in audit.stripes)
    for caution in drive_words.stripe_cautions(audit):
        yield paragraph(f"**Caution:** {_safe(caution)}")


def _set_rates(seen: StripeSeen) -> Iterator[tuple[float, float] | None]:
    yield from (seen.alone, seen.together, seen.alone_write, seen.together_write)


def _stripe(seen: StripeSeen, audit: Audit) -> str:
    """A set in one line: what it is, what decides its rate, or why no rate can be told."""
    lines = [f"{told(seen.stripe.name)}: {drive_words.stripe(seen)}"]
    lines += drive_words.stripe_rates(seen) if seen.why else [seen.copies_read, drive_words.stripe_hop(seen, audit)]
    return "; ".join(line for line in lines if line)
