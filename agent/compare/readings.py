"""What the machine and its drives say of themselves, before and after: firmware, temperatures, health, the system."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.compare.changes import Change
from agent.compare.fitted import short
from agent.compare.naming import direction, subject
from agent.rules.health_log import NEARLY_USED_UP, USED_UP
from knowledge.phrasing import celsius_text
from knowledge.rates import NEAR_LIMIT_CELSIUS
from probes.facts import Health
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.compare.changes import Direction, Topic
    from agent.compare.doubts import Doubts
    from agent.compare.fitted import Thing
    from agent.compare.matching import MatchedMachines
    from agent.model.drive_rates import DriveSeen
    from probes.facts import Drive, Host

# What a system counts as its memory differs a little from start to start, with what firmware and kernel keep.
SAME_MEMORY: Final = 0.03
# Of the host: attribute, topic, word.
HOST: Final[tuple[tuple[str, Topic, str], ...]] = (
    ("firmware_version", "firmware", "firmware"),
    ("firmware_date", "firmware", "firmware date"),
    ("product", "machine", "product"),
    ("board", "machine", "board"),
    ("kernel", "machine", "kernel"),
    ("processors", "machine", "processors"),
)
WARNINGS: Final = (
    ("spare_low", "warns that its spare runs low"),
    ("temperature_past_threshold", "warns of its temperature"),
    ("reliability_degraded", "warns that it is no longer reliable"),
    ("read_only", "is read-only"),
    ("backup_failed", "warns that its backup for power loss failed"),
    ("memory_region_unreliable", "warns of its persistent memory region"),
)
# Counts that never fall in a drive's life: attribute, word, whether a rise is bad by itself.
COUNTS: Final = (
    ("media_errors", "unrecoverable read errors", True),
    ("warning_minutes", "minutes at its warning temperature", True),
    ("critical_minutes", "minutes at its critical temperature", True),
    ("heavy_count", "times slowed heavily by heat", True),
    ("light_count", "times slowed lightly by heat", False),
)


def machine(matched: MatchedMachines, doubts: Doubts) -> Iterator[Change]:
    """The rows of the machine as a whole; its name is told with whether it is the same machine."""
    systems = matched.before.audit.facts.platform, matched.after.audit.facts.platform
    yield from _words("machine", "the machine", "system", systems, doubts)
    before, after = matched.before.audit.facts.host, matched.after.audit.facts.host
    for attribute, topic, what in HOST:
        values = _host(before, attribute), _host(after, attribute)
        yield from _words(topic, "the machine", what, values, doubts)
    yield from _memory(before, after, doubts)
    for thing, other in matched.pairs():
        words = subject(matched, thing, other)
        if thing.functions and other.functions:
            yield from _functions(words, thing, other)


def _host(host: Host, attribute: str) -> str | Unread | None:
    value = getattr(host, attribute)
    return value if isinstance(value, Unread) or value is None else str(value).strip() or None


def _words(
    topic: Topic, words: str, what: str, values: tuple[str | Unread | None, str | Unread | None], doubts: Doubts
) -> Iterator[Change]:
    """The row of a text that differs; one that a side does not tell is a doubt."""
    before, after = values
    silent = [isinstance(value, Unread) or value is None for value in values]
    if any(silent):
        if not all(silent):
            side = silent.index(True)
            reading = values[side]
            doubts.add(what, words, side, reading if isinstance(reading, Unread) else "it is not reported")
        return
    if before != after:
        yield Change(
            topic=topic, subject=words, what=what, before=short(str(before)), after=short(str(after)), direction="other"
        )


def _memory(before: Host, after: Host, doubts: Doubts) -> Iterator[Change]:
    one, other = before.memory_bytes, after.memory_bytes
    if isinstance(one, Unread) or isinstance(other, Unread):
        for side, (mine, theirs) in enumerate(((one, other), (other, one))):
            if isinstance(mine, Unread) and not isinstance(theirs, Unread):
                doubts.add("memory", "the machine", side, mine)
        return
    if abs(one - other) > SAME_MEMORY * max(one, other):
        told = f"{one / 1024**3:,.1f} GiB", f"{other / 1024**3:,.1f} GiB"
        yield Change(
            topic="machine", subject="the machine", what="memory", before=told[0], after=told[1], direction="other"
        )


def _functions(words: str, before: Thing, after: Thing) -> Iterator[Change]:
    """How many functions a card shows, the revision of its first, and the driver at work there."""
    counts = len(before.functions), len(after.functions)
    if counts[0] != counts[1]:
        yield Change(
            topic="machine",
            subject=words,
            what="functions",
            before=str(counts[0]),
            after=str(counts[1]),
            direction="other",
            before_values=(float(counts[0]),),
            after_values=(float(counts[1]),),
        )
    one, other = before.functions[0], after.functions[0]
    if isinstance(one.revision, int) and isinstance(other.revision, int) and one.revision != other.revision:
        told = f"{one.revision:02x}", f"{other.revision:02x}"
        yield Change(topic="firmware", subject=words, what="revision", before=told[0], after=told[1], direction="other")
    drivers = one.driver, other.driver
    if drivers[0] != drivers[1] and not isinstance(drivers[0], Unread) and not isinstance(drivers[1], Unread):
        told = short(drivers[0] or "none"), short(drivers[1] or "none")
        yield Change(topic="machine", subject=words, what="driver", before=told[0], after=told[1], direction="other")


# --- Drives --------------------------------------------------------------------------------------------------------


def drives(matched: MatchedMachines, doubts: Doubts) -> Iterator[Change]:
    """The rows of firmware, then temperatures, then health of the drives that are in both."""
    pairs = [
        (before.seen, after.seen, subject(matched, before, after))
        for before, after in matched.pairs()
        if before.seen is not None and after.seen is not None
    ]
    for before, after, words in pairs:
        yield from _firmware(before.drive, after.drive, words, doubts)
    for before, after, words in pairs:
        yield from _temperature(before, after, words, doubts)
    for before, after, words in pairs:
        yield from _health(before.drive, after.drive, words, doubts)


def _firmware(before: Drive, after: Drive, words: str, doubts: Doubts) -> Iterator[Change]:
    told = tuple(
        value if isinstance(value, Unread) else value.strip() or None for value in (before.firmware, after.firmware)
    )
    yield from _words("firmware", words, "firmware", (told[0], told[1]), doubts)


def _temperature(before: DriveSeen, after: DriveSeen, words: str, doubts: Doubts) -> Iterator[Change]:
    degrees = before.celsius, after.celsius
    told = [isinstance(degree, float | int) for degree in degrees]
    if not all(told):
        if any(told):
            side = told.index(False)
            drive = (before, after)[side].drive
            # Where no sensor tells it, the drive's own log would have.
            readings = [value for value in (degrees[side], drive.health) if isinstance(value, Unread)]
            doubts.add("temperature", words, side, readings[0] if readings else "no sensor reports it")
        return
    assert isinstance(degrees[0], float | int)
    assert isinstance(degrees[1], float | int)
    way = _across(before, after, degrees[0], degrees[1])
    if way == "other" and abs(degrees[0] - degrees[1]) < NEAR_LIMIT_CELSIUS:
        return
    yield Change(
        topic="temperature",
        subject=words,
        what="temperature",
        before=_degrees(before, degrees[0]),
        after=_degrees(after, degrees[1]),
        direction=way,
        before_values=(float(degrees[0]),),
        after_values=(float(degrees[1]),),
        unit="degrees C",
    )


def _degrees(seen: DriveSeen, celsius: float) -> str:
    """A temperature, and the limit that it is at or above."""
    level = level_of(seen, celsius)
    limit = ("", "warning", "critical")[level]
    return f"{celsius_text(celsius)}, at or above its {limit} limit" if level else celsius_text(celsius)


def level_of(seen: DriveSeen, celsius: float) -> int:
    """0 below its limits, 1 at or above the warning limit, 2 at or above the critical one."""
    if seen.critical_celsius is not None and celsius >= seen.critical_celsius:
        return 2
    return int(seen.warning_celsius is not None and celsius >= seen.warning_celsius)


def _across(before: DriveSeen, after: DriveSeen, first: float, second: float) -> Direction:
    """Whether a limit was passed between two temperatures, by the limits that both sides know."""
    limits = [
        value if value is not None else other
        for value, other in (
            (after.warning_celsius, before.warning_celsius),
            (after.critical_celsius, before.critical_celsius),
        )
    ]
    levels = [sum(limit is not None and celsius >= limit for limit in limits) for celsius in (first, second)]
    return direction(-levels[0], -levels[1])


# --- Health --------------------------------------------------------------------------------------------------------


def _health(before: Drive, after: Drive, words: str, doubts: Doubts) -> Iterator[Change]:
    one, other = before.health, after.health
    if not isinstance(one, Health) or not isinstance(other, Health):
        for side, (mine, theirs) in enumerate(((one, other), (other, one))):
            if isinstance(theirs, Health):
                doubts.add("health", words, side, mine if isinstance(mine, Unread) else "the drive reports none")
        return
    for attribute, what in WARNINGS:
        told = getattr(one, attribute), getattr(other, attribute)
        if told[0] != told[1]:
            way: Direction = "worse" if told[1] else "better"
            yield _row(words, what, ("yes" if told[0] else "no", "yes" if told[1] else "no"), way)
    for attribute, what, bad in COUNTS:
        figures = getattr(one, attribute), getattr(other, attribute)
        if isinstance(figures[0], int) and isinstance(figures[1], int) and figures[0] != figures[1]:
            worse = bad and figures[1] > figures[0]  # they count over the drive's life: one that fell tells of a reset
            yield _count(words, what, (figures[0], figures[1]), "worse" if worse else "other")
    yield from _shares(one, other, words)


def _shares(value: Health, other: Health, words: str) -> Iterator[Change]:
    """Life used up, and spare left, in percent: bad where a limit is passed."""
    used = value.used_percent, other.used_percent
    if isinstance(used[0], int) and isinstance(used[1], int) and used[0] != used[1]:
        levels = [(figure >= NEARLY_USED_UP) + (figure >= USED_UP) for figure in (used[0], used[1])]
        yield _count(words, "life used up", (used[0], used[1]), direction(-levels[0], -levels[1]), " %")
    spare = value.spare_percent, other.spare_percent
    if isinstance(spare[0], int) and isinstance(spare[1], int) and spare[0] != spare[1]:
        enough = [
            not (isinstance(health.spare_threshold_percent, int) and figure < health.spare_threshold_percent)
            for health, figure in ((value, spare[0]), (other, spare[1]))
        ]
        yield _count(words, "spare left", (spare[0], spare[1]), direction(enough[0], enough[1]), " %")


def _count(words: str, what: str, figures: tuple[int, int], way: Direction, unit: str = "") -> Change:
    return Change(
        topic="health",
        subject=words,
        what=what,
        before=f"{figures[0]:,}{unit}",
        after=f"{figures[1]:,}{unit}",
        direction=way,
        before_values=(float(figures[0]),),
        after_values=(float(figures[1]),),
        unit=unit.strip(),
    )


def _row(words: str, what: str, told: tuple[str, str], way: Direction) -> Change:
    return Change(topic="health", subject=words, what=what, before=told[0], after=told[1], direction=way)
