"""Words that the forms of `tally` share. Device text goes through the `safe` function of each form."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from agent.model.abilities import rate_text
from agent.model.findings import Severity, Verdict
from agent.model.throughput import link_mbps
from agent.report.words import moment
from knowledge.phrasing import mbps, quantity

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.model.findings import Rate
    from agent.tally.seen import CardNumbers, MachineKind
    from agent.tally.table import Counted, Table, TallyLine

    Safe = Callable[[str], str]

UNKNOWN_ID: Final = "?"
CONFIRMED: Final = "confirmed"
MOST_VERSIONS: Final = 12  # named in one cell for people; JSON and CSV hold all
COUNTED_ONCE: Final = (
    "Each machine counts once, by host name and make. Its captures are added up: each link that any of them shows"
    " counts once, as in the newest of them that shows it; the hottest reading is of all. Rates are link rates; half of"
    " the links reach the typical one or more."
)
CONFIRMED_MEANS: Final = (
    "Confirmed: every link of the row runs at the best that both of its ends can do (full or slot-limited)."
)
AT_START: Final = (
    "As of start-up: the system tells these rates as it found them at its start, so a link may run otherwise by now."
)


def card_id(card: CardNumbers) -> str:
    """The four numbers of a card kind in hexadecimal digits, as --only takes them."""
    numbers = (card.vendor, card.device, card.subsystem_vendor, card.subsystem)
    return ":".join(UNKNOWN_ID if number is None else f"{number:04x}" for number in numbers)


def card_words(line: TallyLine, safe: Safe) -> str:
    """What a card is: the model that most links of the line give, and its class unless the model says it."""
    name = line.names[0][0].strip() if line.names else ""
    if not name:
        return line.what
    others = len(line.names) - 1
    more = "" if not others else f" and {quantity(others, 'other name')}"
    what = "" if line.what.lower() in name.lower() else f", {line.what}"
    return f"{safe(name)}{more}{what}"


def machine_words(kind: MachineKind, safe: Safe) -> str:
    """A machine kind: maker and product, board, platform."""
    names = " ".join(safe(part) for part in (kind.maker, kind.product) if part is not None)
    parts = [names or "maker and product unknown"]
    if kind.board is not None:
        parts.append(f"board {safe(kind.board)}")
    return f"{', '.join(parts)} ({safe(kind.platform)})"


def status(line: TallyLine) -> str:
    """One word: "confirmed", or the worst verdict of any link."""
    return CONFIRMED if line.confirmed else line.worst.value


def severity(line: TallyLine) -> Severity:
    """How much a line asks of the reader."""
    return Severity.OK if line.confirmed else line.worst.severity


def verdicts(line: TallyLine) -> str:
    """How many links have which verdict, worst first: "1 narrow, 3 full"; and how many of them are an old reading."""
    found = ", ".join(f"{count:,} {verdict.value}" for verdict, count in line.verdicts)
    return found if not line.at_start else f"{found}; {line.at_start:,} as of start-up"


def other_verdicts(line: TallyLine) -> int:
    """How many links are none of full, narrow and slow."""
    return line.links - sum(line.count(verdict) for verdict in (Verdict.FULL, Verdict.NARROW, Verdict.SLOW))


def rate_mbps(rate: Rate) -> float:
    """The rate of a link in MB/s, to a tenth as in the other forms."""
    return round(link_mbps(rate.speed, rate.width), 1)


def rate_words(rate: Rate | None) -> str:
    """A rate for people: "8 GT/s (Gen 3) x4, 3,938 MB/s"."""
    return "not known" if rate is None else f"{rate_text(rate)}, {mbps(rate_mbps(rate))}"


def typical(line: TallyLine) -> str:
    """What half of the links reach or pass; of how many, where the rate of some is not known."""
    told = rate_words(line.typical)
    return told if line.rated in {0, line.links} else f"{told} (of the {line.rated:,} whose rate is known)"


def counted(counts: Counted, safe: Safe, most: int = MOST_VERSIONS) -> str:
    """Versions with how often each was met, the most frequent first: "RL4B2.10 (4), RL4B2.11 (1)"; "" for none."""
    shown = [f"{safe(text)} ({count:,})" for text, count in counts[:most]]
    if len(counts) > most:
        shown.append(f"{len(counts) - most:,} more")
    return ", ".join(shown)


def when(seconds: float | None) -> str | None:
    """A moment of Unix time as RFC 3339, in UTC; None for none."""
    if seconds is None:
        return None
    return datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None).isoformat(timespec="seconds") + "Z"


def summary(found: Table) -> str:
    """What the table is made of, in one sentence."""
    counts = found.counts
    oldest, newest = (moment(when(seconds) or "") for seconds in (counts.oldest, counts.newest))
    span = "" if not oldest else f" of {oldest}" if oldest == newest else f" of {oldest} to {newest}"
    text = (
        f"{quantity(counts.machines, 'machine')} of {quantity(found.kinds, 'kind')}, in"
        f" {quantity(counts.captures, 'capture')}{span}"
    )
    shown, every = len(found.lines), found.of
    lines = quantity(every, "row") if shown == every else f"{shown:,} of {quantity(every, 'row')} shown"
    sure = sum(line.confirmed for line in found.lines)
    return f"{text}: {lines}, {sure:,} confirmed."


def no_line(found: Table) -> str:
    """What stands in the place of a table without lines."""
    if not found.of:
        return "No link with a card was found."
    lost = found.dark or found.silent or found.partly or found.passed_over > found.other
    return f"No row fits what was asked for{'; what could not be read may hide one' if lost else ''}."


def remarks(found: Table) -> list[str]:
    """What has to be known beside the lines, a sentence each; nothing where none of those that there are is shown."""
    if found.of and not found.lines:
        return []
    said = [COUNTED_ONCE, CONFIRMED_MEANS] if found.lines else []
    if any(line.at_start for line in found.lines):
        said.append(AT_START)
    if found.counts.nameless:
        said.append(
            f"{quantity(found.counts.nameless, 'machine')} without a host name: told apart by the serial numbers of"
            " their drives, or counted once for each capture where there are none."
        )
    if found.dark:
        said.append(
            f"{quantity(found.dark, 'slot')} with a card detected but no link: which card is unknown, so no row counts"
            " it."
        )
    if found.silent:
        holds = "holds" if found.silent == 1 else "hold"
        said.append(
            f"Whether {quantity(found.silent, 'more slot or port', 'more slots and ports')} {holds} a card could not be"
            " read; none of them counts as empty."
        )
    if found.partly:
        said.append(
            f"{quantity(found.partly, 'machine')} could only be read in part: there may be more links than are counted"
            " here."
        )
    if found.passed_over:
        said.append(f"{quantity(found.passed_over, 'file')} gave no capture: not counted.")
    return said
