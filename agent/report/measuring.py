"""What was measured, for terminals: the answer first, then each target with its rates beside what was predicted.

Shows what the measurement says and decides nothing. All text of devices passes `plain`; rich's own markup is off.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.text import Text

from agent.measure.measured import RANDOM
from agent.measure.targets import LIMITS
from agent.model.findings import Severity
from agent.report.paper import HEADING, QUIET, STYLES, Page, show
from agent.report.plain import place, told
from knowledge.phrasing import begun, celsius_text, mbps, mbps_range, plain, quantity

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.measure.measured import Delivery, Measured, Measurement, Spread

__all__ = ["page", "show"]

SENTENCE: Final = 600  # characters
NAME: Final = 60
VERDICTS: Final = {"delivers": Severity.OK, "short": Severity.LIMIT, "none": Severity.NOTE}
SAFE: Final = "Nothing was written."


def page(found: tuple[Measurement, Audit], width: int, source: str) -> Page:
    """The page of a measurement; `source` is where it was made ("this machine")."""
    measurement, audit = found
    page = Page(width)
    name = told(audit.facts.host.name, source)
    page.add(Text().append(plain(name), HEADING).append(f": {_manner(measurement)}", ""), hang=2)
    page.add(f"{SAFE} {_left_out(measurement)}".strip(), style=QUIET)
    if measurement.interrupted:
        page.add("Stopped before it was done; this is what was measured so far.", style=STYLES[Severity.LIMIT])
    for measured, delivery in zip(measurement.measured, measurement.deliveries, strict=True):
        _target(page, measured, delivery, audit)
    _sum(page, measurement, audit)
    return page


def _manner(measurement: Measurement) -> str:
    """How it was measured."""
    asked = measurement.asked
    block = f"{asked.block // 1024:,} KiB" if asked.block < 1024 * 1024 else f"{asked.block / 1024 / 1024:g} MiB"
    end = f"for {asked.seconds:g} s"
    if asked.max_bytes is not None:
        end += f" or {asked.max_bytes:,} bytes"
    many = len(measurement.measured) > 1
    turn = (", all at once" if asked.together else " each, in turn") if many else ""
    return f"{asked.pattern} reads of {block}, {asked.depth} in flight, {end}{turn}"


def _left_out(measurement: Measurement) -> str:
    """What the spread does not count, and how long an interval is."""
    seconds = max((measured.left_out for measured in measurement.measured), default=0.0)
    if not seconds:
        return ""
    interval = measurement.asked.interval
    return (
        f"Rates are of intervals of {interval:g} s; the first {seconds:.2g} s, in which things warm up, are left out."
    )


# --- One target ------------------------------------------------------------------------------------------------


def _target(page: Page, measured: Measured, delivery: Delivery, audit: Audit) -> None:
    page.add()
    title = Text().append(plain(measured.target.name, NAME), HEADING)
    page.add(title.append(f"  {_what(measured, audit)}", ""), hang=2)
    if not measured.requests:
        page.add(plain(f"{measured.words}.", SENTENCE), indent=2, hang=4, style=STYLES[Severity.LIMIT])
        return
    page.add(_rate_line(measured, delivery), indent=2, hang=4)
    for line in _figures(measured):
        page.add(line, indent=2, hang=4)
    _beside(page, delivery, audit)
    if measured.words:
        page.add(plain(f"{measured.words}.", SENTENCE), indent=2, hang=4, style=STYLES[Severity.LIMIT])
    if measured.lost:
        page.add(
            f"{quantity(measured.lost, 'request')} did not come back.",
            indent=2,
            hang=4,
            style=STYLES[Severity.FAULT],
        )
    for lost in measured.unread:
        if lost not in delivery.unread:
            words = plain(f"{lost.what} could not be read: {lost.why}", SENTENCE)
            page.add(words, indent=2, hang=4, style=STYLES[Severity.UNKNOWN])
    for remark in _remarks(measured, delivery):
        page.add(plain(remark, SENTENCE), indent=2, hang=4, style=QUIET)


def _what(measured: Measured, audit: Audit) -> str:
    target = measured.target
    seen = next((seen for seen in audit.drives if seen.drive.name == target.drive), None)
    model = told(seen.drive.model, "a drive whose model is not known") if seen is not None else ""
    words = {
        "drive": model,
        "partition": f"a partition of {model}" if model else "a partition",
        "set": "a set of drives",
        "device": "a block device",
        "file": f"an ordinary file on {plain(target.drive or '', NAME)}, {model}" if model else "an ordinary file",
    }[target.what]
    size = f", {_bytes(measured.size_bytes)}" if measured.size_bytes else ""
    return f"{words}{size}"


def _rate_line(measured: Measured, delivery: Delivery) -> Text:
    """The verdict in words, and the median or what there is."""
    line = _verdict(delivery)
    if measured.spread is not None:
        return line.append(
            f": median {mbps(measured.spread.median)}{_operations(measured)}; {_spread(measured.spread)}", ""
        )
    if measured.mean is None:
        return line.append(": too little was read to tell a rate", "")
    return line.append(f": {mbps(measured.mean)} on the whole, over too few intervals for a spread", "")


def _verdict(delivery: Delivery | None) -> Text:
    """The verdict in words; without one, or beside nothing, it was only measured."""
    verdict = delivery.verdict if delivery is not None else "none"
    short = f"short of the range by {delivery.short_percent} %" if delivery is not None else ""
    words = {"delivers": "delivers", "short": short, "none": "measured"}[verdict]
    return Text().append(words, STYLES[VERDICTS[verdict]])


def _beside(page: Page, delivery: Delivery, audit: Audit) -> None:
    """What was expected, why there is no verdict, what explains the verdict."""
    if delivery.expected is not None:
        page.add(f"expected: {_expected(delivery, audit)}", indent=2, hang=4)
    if delivery.why:
        page.add(f"no verdict: {plain(delivery.why, SENTENCE)}", indent=2, hang=4)
    for reason in delivery.reasons:
        page.add(f"why: {plain(reason, SENTENCE)}", indent=2, hang=4)


def _operations(measured: Measured) -> str:
    """Reads a second, where requests are small."""
    if measured.spread is None or not measured.requests or measured.read_bytes / measured.requests > 16 * RANDOM[0]:
        return ""
    return f" ({measured.spread.median * 1e6 / (measured.read_bytes / measured.requests):,.0f} reads a second)"


def _spread(spread: Spread) -> str:
    quartiles, tenths = mbps_range(spread.quartiles), mbps_range(spread.tenths)
    return f"middle half {quartiles}; 10th to 90th percentile {tenths} ({spread.intervals} intervals)"


def _figures(measured: Measured) -> list[str]:
    """What was read, and the temperature."""
    lines = [f"read {_bytes(measured.read_bytes)} in {measured.seconds:.1f} s{_turns(measured)}"]
    limit = measured.target.warning_celsius
    if measured.celsius is not None:
        start, highest = map(celsius_text, measured.celsius)
        unread = any(lost.what == LIMITS[0] for lost in measured.unread)
        unknown = "its warning limit could not be read" if unread else "no warning limit told"
        told_limit = f"warning at {celsius_text(limit)}" if limit is not None else unknown
        lines.append(f"temperature {start} at the start, {highest} at most ({told_limit})")
    elif measured.target.drive is not None:
        why = f" ({plain(measured.celsius_lost.why)})" if measured.celsius_lost is not None else ""
        lines.append(f"temperature not known: it {'could not be read' if why else 'was not watched'}{why}")
    return lines


def _turns(measured: Measured) -> str:
    """How often the data was read, where that is more than once: what keeps it may have helped."""
    if not measured.size_bytes or measured.read_bytes <= measured.size_bytes or measured.target.cached:
        return ""
    return f", {measured.read_bytes / measured.size_bytes:,.1f} times its size: a cache in the drive may have helped"


def _expected(delivery: Delivery, audit: Audit) -> str:
    assert delivery.expected is not None
    judged = audit.by_key.get(delivery.narrowest or "")
    if judged is None:
        return mbps_range(delivery.expected)
    return f"{mbps_range(delivery.expected)}, decided at {place(judged.link)}"


def _remarks(measured: Measured, delivery: Delivery) -> list[str]:
    remarks = [remark for remark in measured.target.remarks if remark != delivery.why]
    if measured.direct and not measured.target.cached:
        remarks.insert(0, "the page cache was bypassed")
    elif not measured.target.cached:
        remarks.insert(
            0,
            "the page cache could not be bypassed here; the system was asked to forget what it keeps of the data, "
            "but the rate may be that of memory",
        )
    return [f"{begun(remark)}." for remark in remarks]


# --- The sum ---------------------------------------------------------------------------------------------------


def _sum(page: Page, measurement: Measurement, audit: Audit) -> None:
    if measurement.total is None and measurement.sum_delivery is None:
        return
    page.heading("All at once")
    delivery, total = measurement.sum_delivery, measurement.total
    if total is not None:
        sum_line = _verdict(delivery).append(f": the sum is {mbps(total.median)}; {_spread(total)}", "")
        page.add(sum_line, indent=2, hang=4)
    if delivery is not None:
        _beside(page, delivery, audit)
    for shared in measurement.shared:
        judged = audit.by_key.get(shared.key)
        where = place(judged.link) if judged is not None else plain(shared.key)
        names = ", ".join(plain(name, NAME) for name in shared.names)
        page.add(
            f"{where} carried {mbps(shared.mbps)} of {names}; it should carry {mbps_range(shared.expected)}", indent=2
        )


def _bytes(count: int) -> str:
    """A number of bytes for people, 10^3, 10^6, 10^9 and 10^12 of them."""
    for size, unit in ((1e12, "TB"), (1e9, "GB"), (1e6, "MB"), (1e3, "kB")):
        if count >= size:
            return f"{count / size:.1f} {unit}"
    return f"{count} bytes"
