"""What was measured, for terminals: the answer first, then each target with its rates beside what was predicted.

Shows what the measurement says and decides nothing. All text of devices passes `plain`; rich's own markup is off.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from rich.text import Text

from agent.measure.choosing import RISE
from agent.measure.judging import OWN_LIMIT
from agent.measure.measured import STOPS
from agent.measure.targets import LIMITS
from agent.model.findings import Severity
from agent.report.paper import HEADING, QUIET, STYLES, Page, show
from agent.report.plain import place, told
from knowledge.phrasing import begun, celsius_text, listed, mbps, mbps_range, plain, quantity, request_size, span

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.measure.measured import Chosen, Delivery, Measured, Measurement, Spread

__all__ = ["page", "show"]

SENTENCE: Final = 600  # characters
NAME: Final = 60
SMALL: Final = 64 * 1024  # bytes of a request; of larger ones nobody asks how many a second
VERDICTS: Final = {"delivers": Severity.OK, "short": Severity.LIMIT, "none": Severity.NOTE}
SAFE: Final = "Nothing was written."
# What may become of a target, worst first: as a part of "Of 4: 1 ... and 3 ...", and in a cell.
COUNTED: Final = {
    "failed": "failed",
    "left alone": "not measured",
    "short": "short",
    "none": "without a verdict",
    "delivers": "as expected",
}
WORST: Final = tuple(COUNTED)
CELLS: Final = {**COUNTED, "none": "no verdict", "delivers": "delivers"}
SEARCHED: Final = frozenset({"flat", "waits"})
ENDS: Final = {
    "failed": "a read failed, or a drive got hot, during the tries",
    "time": "no time was left for more tries; the rate may still rise",
    "bytes": "no bytes were left for more tries; the rate may still rise",
    "most": "the rate still rose at the largest that was tried",
}


def page(found: tuple[Measurement, Audit], width: int, source: str) -> Page:
    """The page of a measurement; `source` is where it was made ("this machine")."""
    measurement, audit = found
    page = Page(width)
    page.add(_answer(measurement), hang=2)
    if measurement.interrupted:
        page.add("Stopped before it was done; this is what was measured so far.", style=STYLES[Severity.LIMIT])
    name = plain(told(audit.facts.host.name, source))
    page.add(f"{name}: {_manner(measurement)}. {SAFE} {_left_out(measurement)}".strip(), hang=2, style=QUIET)
    if len(measurement.measured) > 1:
        page.add()
        _table(page, measurement)
    for measured, delivery in zip(measurement.measured, measurement.deliveries, strict=True):
        _target(page, measured, delivery, audit, alone=len(measurement.measured) == 1)
    _sum(page, measurement, audit)
    return page


# --- The answer ------------------------------------------------------------------------------------------------


def _answer(measurement: Measurement) -> Text:
    """The worst of what was measured in one sentence, and how many deliver."""
    pairs = list(zip(measurement.measured, measurement.deliveries, strict=True))
    if not pairs:
        return Text("Nothing was measured.", STYLES[Severity.UNKNOWN])
    line = Text()
    if measurement.sum_delivery is not None and measurement.total is not None:
        total = f"All {len(pairs)} at once" if len(pairs) > 2 else "Both at once"  # noqa: PLR2004 - both
        line.append(f"{total} {_held(measurement.sum_delivery, measurement.total.median, many=True)}. ")
    measured, delivery = min(pairs, key=lambda pair: WORST.index(_became(*pair)))
    line.append(plain(measured.target.name, NAME), HEADING).append(" ")
    line.append(plain(_words(measured, delivery), SENTENCE), _style(measured, delivery)).append(".")
    if len(pairs) > 1:
        counts = Counter(_became(*pair) for pair in pairs)
        line.append(f" Of {len(pairs)}: {listed(f'{counts[one]} {COUNTED[one]}' for one in WORST if counts[one])}.")
    return line


def _became(measured: Measured, delivery: Delivery) -> str:
    """What became of a target: a key of `COUNTED`."""
    if measured.ended in {"gone", "failed"} or measured.lost:
        return "failed"
    if not measured.requests:
        return "left alone"
    return delivery.verdict


def _style(measured: Measured, delivery: Delivery) -> str:
    became = _became(measured, delivery)
    if became == "none":
        return ""
    return STYLES[Severity.FAULT if became == "failed" else VERDICTS.get(became, Severity.LIMIT)]


def _words(measured: Measured, delivery: Delivery) -> str:
    """What became of a target, where its name leaves off."""
    became = _became(measured, delivery)
    if became == "failed":
        return f"failed: {measured.words}" if measured.words else f"did not answer {_requests(measured.lost)}"
    if became == "left alone":
        return f"was {measured.words}" if measured.words.startswith("not ") else measured.words
    if measured.spread is None:
        return "was read too briefly for a rate; give --for more time"
    words = _held(delivery, measured.spread.median)
    if delivery.why:
        return f"{words}; no verdict: {delivery.why}"
    known = delivery.verdict == "short" and delivery.reasons and delivery.reasons[0] != OWN_LIMIT
    return f"{words}; {delivery.reasons[0]}" if known else words


def _held(delivery: Delivery, median: float, *, many: bool = False) -> str:
    """A rate beside its range, in words, for one or for `many`."""
    reads, delivers = ("read", "deliver") if many else ("reads", "delivers")
    if delivery.expected is None or delivery.verdict == "none":
        return f"{reads} {mbps(median)}" + (f" (links: {mbps_range(delivery.expected)})" if delivery.expected else "")
    range_words = f"the links should carry {mbps_range(delivery.expected)}"
    if delivery.verdict == "delivers":
        return f"{delivers} {mbps(median)}; {range_words}"
    return f"{reads} {mbps(median)}, {delivery.short_percent} % short; {range_words}"


def _requests(count: int) -> str:
    return quantity(count, "request")


def _table(page: Page, measurement: Measurement) -> None:
    """What was measured, side by side."""
    rows, styles = [], []
    for measured, delivery in zip(measurement.measured, measurement.deliveries, strict=True):
        became = _became(measured, delivery)
        verdict = f"{delivery.short_percent} % short" if became == "short" else CELLS[became]
        rate = "" if measured.spread is None else f"{measured.spread.median:,.0f}"
        links = "" if delivery.expected is None else span(delivery.expected)
        hottest = "" if measured.celsius is None else celsius_text(measured.celsius[1])
        rows.append((plain(measured.target.name, NAME), verdict, rate, links, hottest))
        styles.append(_style(measured, delivery))
    page.table(("drive", "verdict", "MB/s", "links carry", "hottest"), rows, styles, right=(2,))


# --- How it was measured ---------------------------------------------------------------------------------------


def _manner(measurement: Measurement) -> str:
    """How it was measured."""
    asked = measurement.asked
    parts = [f"{asked.pattern} reads"]
    if asked.block is not None:
        parts[0] += f" of {request_size(asked.block)}"
    if asked.depth is not None:
        parts.append(f"{asked.depth} in flight")
    end = f"for {asked.seconds:g} s"
    if asked.max_bytes is not None:
        end += f" or {asked.max_bytes:,} bytes"
    many = len(measurement.measured) > 1
    return ", ".join(parts) + f", {end}" + ((", all at once" if asked.together else " each, in turn") if many else "")


def _left_out(measurement: Measurement) -> str:
    """What the spread does not count, and how long an interval is."""
    seconds = max((measured.left_out for measured in measurement.measured), default=0.0)
    if not seconds:
        return ""
    return f"Rates are of intervals of {measurement.asked.interval:g} s, without the first {seconds:.2g} s."


def _chosen(chosen: Chosen) -> str:
    """How large the requests were and how many, and why."""
    pair = f"requests of {request_size(chosen.pair.block)}, {chosen.pair.depth} in flight"
    reasons = {chosen.block_why, chosen.depth_why}
    tries = quantity(len(chosen.tries), "try", "tries")
    if reasons <= {"set", "smallest"}:
        return f"{pair}, as set"
    if not chosen.tries:
        return f"{pair}, not found by trying: {ENDS[min(reasons & STOPS)]}"
    if not chosen.settled:
        why = next(ENDS[reason] for reason in ENDS if reason in reasons)
        return f"{pair}, the best of {tries}: {why}"
    grown = listed(
        ["larger requests"] * (chosen.block_why in SEARCHED) + ["more at once"] * (chosen.depth_why in SEARCHED), "or"
    )
    gain = "would only wait" if "waits" in reasons else f"gain less than {RISE - 1:.0%}".replace("%", " %")
    return f"{pair}, found in {tries}: {grown} {gain}"


# --- One target ------------------------------------------------------------------------------------------------


def _target(page: Page, measured: Measured, delivery: Delivery, audit: Audit, *, alone: bool) -> None:
    page.add()
    title = Text().append(plain(measured.target.name, NAME), HEADING)
    page.add(title.append(f"  {_what(measured, audit)}", ""), hang=2)
    if not measured.requests:
        page.add(plain(f"{measured.words}.", SENTENCE), indent=2, hang=4, style=STYLES[Severity.LIMIT])
        return
    page.add(_rate_line(measured, delivery), indent=2, hang=4)
    if measured.chosen is not None:
        page.add(_chosen(measured.chosen), indent=2, hang=4)
    for line in _figures(measured):
        page.add(line, indent=2, hang=4)
    _beside(page, delivery, audit, told=alone)
    if measured.words:
        page.add(plain(f"{measured.words}.", SENTENCE), indent=2, hang=4, style=STYLES[Severity.LIMIT])
    if measured.lost:
        page.add(
            f"{_requests(measured.lost)} did not come back.",
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
        return line.append(": too little was read for a rate", "")
    return line.append(f": {mbps(measured.mean)} on average; too few intervals for a median", "")


def _verdict(delivery: Delivery | None) -> Text:
    """The verdict in words; without one, or beside nothing, it was only measured."""
    verdict = delivery.verdict if delivery is not None else "none"
    short = f"short of the range by {delivery.short_percent} %" if delivery is not None else ""
    words = {"delivers": "delivers", "short": short, "none": "measured"}[verdict]
    return Text().append(words, STYLES[VERDICTS[verdict]])


def _beside(page: Page, delivery: Delivery, audit: Audit, *, told: bool = False) -> None:
    """What was expected, why there is no verdict unless that was `told`, what explains the verdict."""
    if delivery.expected is not None:
        page.add(f"expected: {_expected(delivery, audit)}", indent=2, hang=4)
    if delivery.why and not told:
        page.add(f"no verdict: {plain(delivery.why, SENTENCE)}", indent=2, hang=4)
    for reason in delivery.reasons:
        page.add(f"why: {plain(reason, SENTENCE)}", indent=2, hang=4)


def _operations(measured: Measured) -> str:
    """Reads a second, where requests are small."""
    block = measured.chosen.pair.block if measured.chosen is not None else 0
    if measured.spread is None or not 0 < block <= SMALL:
        return ""
    return f" ({measured.spread.median * 1e6 / block:,.0f} reads a second)"


def _spread(spread: Spread) -> str:
    quartiles, tenths = mbps_range(spread.quartiles), mbps_range(spread.tenths)
    return f"middle half {quartiles}; 10th to 90th percentile {tenths} ({spread.intervals} intervals)"


def _figures(measured: Measured) -> list[str]:
    """What was read, and the temperature."""
    lines = [f"read {_bytes(measured.read_bytes)}, {measured.seconds:.1f} s measured{_turns(measured)}"]
    limit = measured.target.warning_celsius
    if measured.celsius is not None:
        start, highest = map(celsius_text, measured.celsius)
        unread = any(lost.what == LIMITS[0] for lost in measured.unread)
        unknown = "its warning limit could not be read" if unread else "no warning limit known"
        told_limit = f"warning at {celsius_text(limit)}" if limit is not None else unknown
        lines.append(f"temperature {start} at the start, {highest} at most ({told_limit})")
    elif measured.target.drive is not None:
        why = f" ({plain(measured.celsius_lost.why)})" if measured.celsius_lost is not None else ""
        lines.append(f"temperature unknown: it {'could not be read' if why else 'was not watched'}{why}")
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
    return f"{mbps_range(delivery.expected)}, limited by the link of {place(judged.link)}"


def _remarks(measured: Measured, delivery: Delivery) -> list[str]:
    remarks = [remark for remark in measured.target.remarks if remark != delivery.why]
    if measured.direct and not measured.target.cached:
        remarks.insert(0, "the page cache was bypassed")
    elif not measured.target.cached:
        remarks.insert(
            0,
            "the page cache could not be bypassed here; the system was asked to drop what it keeps of the data, "
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
            f"{where} carried {mbps(shared.mbps)} from {names}; it should carry {mbps_range(shared.expected)}", indent=2
        )


def _bytes(count: int) -> str:
    """A number of bytes for people, 10^3, 10^6, 10^9 and 10^12 of them."""
    for size, unit in ((1e12, "TB"), (1e9, "GB"), (1e6, "MB"), (1e3, "kB")):
        if count >= size:
            return f"{count / size:.1f} {unit}"
    return f"{count} bytes"
