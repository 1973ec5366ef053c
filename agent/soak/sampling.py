"""Samples of a machine's drives: what is asked once, what at each moment, and what is done about drives that hang.

Each drive is asked in a thread of its own, so that one that does not answer delays nothing: it is left out of this
sample and of those after it, until its answer comes. All values come from `Reads`; this takes no time and waits for
nothing but those threads.
"""

from __future__ import annotations

from queue import Empty, SimpleQueue
from threading import Thread
from typing import TYPE_CHECKING, Any, Final

from msgspec import Struct

from agent.model.findings import Verdict
from agent.soak import called
from probes import platform
from probes.counts import counts, of_devices, total
from probes.samples import (
    COUNTERS,
    CRITICAL_LIMIT,
    ERRORS,
    LINK,
    RATES,
    TEMPERATURE,
    WARNING_LIMIT,
    Counters,
    DriveHead,
    DriveSample,
    Event,
    Head,
    Moment,
    other,
    sensor,
)
from probes.temperatures import by_name
from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.audit import Audit
    from probes.counts import Counts
    from probes.facts import Drive
    from probes.platforms import ErrorReader, LinkReader
    from probes.reads import Reads
    from probes.temperatures import Temperature, Temperatures

DEADLINE: Final = 0.4  # seconds for a drive to answer; a part of the time between samples where that is short
PART: Final = 0.4  # of the time between samples
PATIENCE: Final = 3.0  # seconds, for the first sample, in which much is looked up, and for the last
TURN: Final = 0.02  # seconds that one drive is waited for before the next is asked as well
MOST_SENSORS: Final = 9
MOST_OTHERS: Final = 16

HERE: Final = "here"
GONE: Final = "gone"
MUTE: Final = "mute"
HANGS: Final = "hangs"
NO_SENSOR: Final = "its sensor is gone"
NO_COMPOSITE: Final = "which of its temperatures the limit is for is not known"
NO_TIME: Final = "no answer came in time"
NO_ANSWER: Final = "it did not answer before the soak ended"
WORDS: Final = {
    GONE: called.IS_GONE,
    MUTE: "the drive no longer reports a temperature",
    HANGS: called.HANGS,
}
BACK: Final = {
    GONE: "the drive is back",
    MUTE: "the drive reports its temperature again",
    HANGS: "the drive answers again",
}


# --- What is asked once ----------------------------------------------------------------------------------------


def head(
    audit: Audit,
    reads: Reads,
    *,
    started_at: str,
    agent: str,
    every: float,
    command: tuple[str, ...],
    unlisted: tuple[Unread, ...] = (),
) -> Head:
    """The head of a soak of all drives of a machine. `every` is in seconds; `agent` is this program's version.

    `unlisted` are the lists of drives that could not be read.
    """
    found = platform(reads.platform).watch().temperatures(reads)
    facts = audit.facts
    return Head(
        started_at=started_at,
        agent=agent,
        platform=facts.platform,
        machine=_text(facts.host.name),
        every=every,
        command=command,
        drives=tuple(_drive_head(drive, audit, reads, found) for drive in facts.drives),
        others=tuple(temperature.label for temperature in found.others)[:MOST_OTHERS],
        unread=tuple(
            Unread(unread.what, unread.why, unread.needs_root)
            for unread in (*unlisted, *(lost_temperature.unread for lost_temperature in found.lost))
        ),
    )


def _drive_head(drive: Drive, audit: Audit, reads: Reads, found: Temperatures) -> DriveHead:
    """A drive as it is at the start, with what could not be looked up of it."""
    own = next((seen_drive for seen_drive in audit.drives if seen_drive.drive.name == drive.name), None)
    judged = audit.by_key.get(own.path[0]) if own is not None and own.path and drive.kind == "nvme" else None
    now = judged.now if judged is not None else None
    sensors = tuple(temperature.label for temperature in found.drives.get(drive.name, ()))[:MOST_SENSORS]
    blocks = drive.blocks
    named = () if isinstance(blocks, Unread) else (block.name for block in blocks)
    names = blocks if isinstance(blocks, Unread) else platform(reads.platform).watch().counted(reads, drive.name, named)
    warning, critical = (own.warning_celsius, own.critical_celsius) if own is not None else (None, None)
    link = None
    if judged is not None and now is None and judged.verdict is Verdict.UNKNOWN:
        link = Unread(LINK, judged.why, judged.needs_root)
    elif isinstance(drive.address, Unread) and drive.kind == "nvme":
        link = drive.address
    lost = (
        (TEMPERATURE, None if sensors else found.why(drive.name)),
        (RATES, names),
        (LINK, link),
        (WARNING_LIMIT, _unlimited(drive.warning_celsius) if warning is None else None),
        (CRITICAL_LIMIT, _unlimited(drive.critical_celsius) if critical is None else None),
    )
    return DriveHead(
        name=drive.name,
        address=readable(drive.address),
        model=_text(drive.model),
        firmware=_text(drive.firmware),
        serial=_text(drive.serial),
        sensors=sensors,
        warning_celsius=warning,
        critical_celsius=critical,
        blocks=() if isinstance(names, Unread) else names,
        link=(now.speed, now.width) if now is not None else None,
        ports=tuple(end.address for end in judged.link.ends) if judged is not None else (),
        expected=own.alone if own is not None else None,
        unread=tuple(
            Unread(what, reading.why, reading.needs_root) for what, reading in lost if isinstance(reading, Unread)
        ),
    )


def _unlimited(told: float | Unread | None) -> Unread | None:
    """Why a drive is held against no limit of its own; None where it tells none that it can mean."""
    if isinstance(told, float) and told > 0.0:
        return Unread("", NO_COMPOSITE)
    return told if isinstance(told, Unread) else None


def _text(value: str | Unread | None) -> str | None:
    return value if isinstance(value, str) else None


def nothing_read(head: Head, sample: Moment) -> str:
    """Why a sample holds no temperature and no counter at all; "" where it holds one, or where nothing failed."""
    figures: list[object] = [*sample.others]
    lost = [*head.unread]
    for drive, seen in zip(head.drives, sample.drives, strict=True):
        figures += [*seen.celsius, seen.read_bytes, seen.write_bytes, seen.errors, seen.counters]
        lost += [*drive.unread, *seen.unread.values()]
    if any(isinstance(figure, float | int | Counters) for figure in figures):
        return ""
    lost += [rates for rates in sample.others if isinstance(rates, Unread)]
    others = {other(place): "other temperatures" for place in range(len(head.others))}
    names = {**called.OF_DRIVES, **others, **{unread.what: unread.what for unread in head.unread}}
    return "; ".join(dict.fromkeys(f"{names[unread.what]}: {unread.why}" for unread in lost if unread.what in names))


# --- One drive -------------------------------------------------------------------------------------------------


class _Look(Struct):
    """What one drive answered, and whether it was there."""

    state: str
    sample: DriveSample


def _nothing(drive: DriveHead, why: str) -> DriveSample:
    """The sample of a drive that says nothing, with the reason in each place where there should be something."""
    return DriveSample(
        tuple(Unread(sensor(place), why) for place in range(len(drive.sensors))),
        link=Unread(LINK, why) if drive.link is not None else None,
        errors=Unread(ERRORS, why) if drive.ports else None,
    )


class _Sensors:
    """The temperatures of a drive, or all others, by their names; looked for until each is found."""

    def __init__(self, reads: Reads, drive: str | None, labels: tuple[str, ...]) -> None:
        self._reads = reads
        self._drive = drive
        self._labels = labels
        self._found: list[Temperature | None] = [None] * len(labels)
        self._why: Unread | None = None

    @property
    def unlisted(self) -> bool:
        """Whether one is missing because what temperatures there are could not be read."""
        return None in self._found and self._why is not None

    def find(self) -> None:
        """Look up which files there are, where one is not known yet."""
        if None in self._found:
            found = platform(self._reads.platform).watch().temperatures(self._reads)
            mine = found.others if self._drive is None else found.drives.get(self._drive, ())
            named = by_name(mine)
            self._found = [named.get(label) for label in self._labels]
            self._why = found.why(self._drive)

    def forget(self) -> None:
        """Look again: sensors have other numbers after a drive's return or its reset."""
        self._found = [None] * len(self._labels)

    def read(
        self, ask: Callable[[Temperature, str], float | Unread], word: Callable[[int], str]
    ) -> list[float | Unread]:
        """Each temperature, or why it could not be read; `word` is what an Unread is called, by its place."""
        return [
            self._lacking(word(place)) if explanation is None else ask(explanation, word(place))
            for place, explanation in enumerate(self._found)
        ]

    def _lacking(self, what: str) -> Unread:
        why = self._why
        return Unread(what, NO_SENSOR) if why is None else Unread(what, f"{why.what}: {why.why}", why.needs_root)


class _Drive:
    """Asks one drive; lives in its thread."""

    def __init__(self, reads: Reads, drive: DriveHead) -> None:
        self._reads = reads
        self._drive = drive
        self._watch = platform(reads.platform).watch()
        self._sensors = _Sensors(reads, drive.name, drive.sensors)
        self._link: LinkReader | None = None
        self._errors: ErrorReader | None = None

    def _find(self) -> ErrorReader:
        """Look up which files there are; again after a return."""
        drive = self._drive
        if drive.ports and drive.address is not None:
            self._link = self._watch.link(self._reads, drive.address, known=drive.link is not None)
        self._errors = self._watch.errors(self._reads, drive.ports)
        return self._errors

    def look(self, *, counters: bool) -> _Look:
        """All that is asked at each moment, and the drive's own `counters` where wanted."""
        reads, watch, drive, errors = self._reads, self._watch, self._drive, self._errors
        if errors is None:
            if watch.drive_is_gone(reads, drive.name):
                return _Look(GONE, _nothing(drive, WORDS[GONE]))
            errors = self._find()
        self._sensors.find()
        answers = self._sensors.read(lambda temperature, what: watch.celsius(reads, temperature.path, what), sensor)
        mute = not self._sensors.unlisted and all(map(watch.did_not_answer, answers))
        if mute:
            self._sensors.forget()
            if watch.drive_is_gone(reads, drive.name):
                self._errors = None
                return _Look(GONE, _nothing(drive, WORDS[GONE]))
        sample = DriveSample(
            tuple(answers),
            link=None if self._link is None else self._link.now(),
            errors=errors.now(),
            counters=watch.counters(reads, drive.name) if counters else None,
        )
        return _Look(MUTE if mute and answers else HERE, sample)


class _Others:
    """Asks all temperatures that are no drive's; lives in its thread."""

    def __init__(self, reads: Reads, names: tuple[str, ...]) -> None:
        self._reads = reads
        self._watch = platform(reads.platform).watch()
        self._sensors = _Sensors(reads, None, names)

    def look(self, *, counters: bool) -> tuple[float | Unread, ...]:  # noqa: ARG002 - asked like a drive
        """In the order of the names."""
        reads, watch = self._reads, self._watch
        self._sensors.find()
        return tuple(
            self._sensors.read(lambda temperature, what: watch.celsius_if_awake(reads, temperature, what), other)
        )


# --- All at once -----------------------------------------------------------------------------------------------


class _Asked:
    """One thread, and whether its answer is still to come."""

    def __init__(self, place: int, look: Callable[..., Any], answers: SimpleQueue[tuple[int, int, Any]]) -> None:
        self.busy = False
        self.place = place
        self.number = 0  # of the sample for which it was asked last
        self.counters = False  # whether it was asked for these as well
        self._questions: SimpleQueue[tuple[int, bool] | None] = SimpleQueue()
        self._look = look
        self._answers = answers
        self._thread = Thread(target=self._serve, name=f"samples {place}", daemon=True)
        self._thread.start()

    def ask(self, number: int, *, counters: bool) -> None:
        self.busy, self.number, self.counters = True, number, counters
        self._questions.put((number, counters))

    def close(self) -> None:
        """Let the thread end; one that hangs is left behind, and goes with the process."""
        self._questions.put(None)
        if not self.busy:
            self._thread.join()

    def _serve(self) -> None:
        while (question := self._questions.get()) is not None:
            number, counters = question
            try:
                answer = self._look(counters=counters)
            except Exception as error:  # noqa: BLE001 - a defect: raised again where it is waited for
                answer = error
            self._answers.put((self.place, number, answer))


class Sampler:
    """Takes samples of the drives of a head; call it from one thread, and `close` it."""

    def __init__(self, reads: Reads, head: Head, clock: Callable[[], float], deadline: float | None = None) -> None:
        """`deadline` is how many seconds a drive has to answer."""
        self._reads = reads
        self._head = head
        self._clock = clock
        self._deadline = min(DEADLINE, PART * head.every) if deadline is None else deadline
        self._answers: SimpleQueue[tuple[int, int, Any]] = SimpleQueue()
        looks: list[Callable[..., Any]] = [_Drive(reads, drive).look for drive in head.drives]
        if head.others:
            looks.append(_Others(reads, head.others).look)
        self._asked = [_Asked(place, look, self._answers) for place, look in enumerate(looks)]
        self._states = [HERE] * len(head.drives)
        self._number = 0
        self._nothing = [_nothing(drive, WORDS[HANGS]) for drive in head.drives]
        self._no_others = tuple(Unread(other(place), NO_TIME) for place in range(len(head.others)))
        self._owed: set[int] = set()  # places of drives whose counters were wanted and have not come
        self._late: dict[int, Counters | Unread | None] = {}  # those that came after their sample

    def take(
        self, seconds: float, late: float, *, counters: bool = False, patient: bool = False, last: bool = False
    ) -> tuple[Moment, list[Event]]:
        """A sample, and which drives are gone, hang or are back; `counters` asks for those of their heat as well.

        Counters that a drive does not give in time are in a later sample, the first that has them; in the `last` one
        they are Unread. A `patient` sample waits for some seconds.
        """
        counted = counts(self._reads)
        self._number += 1
        answers = self._collected(counters=counters, deadline=max(self._deadline, PATIENCE if patient else 0.0))
        drives, events = [], []
        for place, drive in enumerate(self._head.drives):
            look = answers.get(place)
            state, sample = (HANGS, self._nothing[place]) if look is None else (look.state, look.sample)
            own = self._late.pop(place, None)  # None of most, as counters are asked for now and then
            own = own if sample.counters is None else sample.counters
            if own is None and last and place in self._owed:
                own = Unread(COUNTERS, WORDS[GONE] if state == GONE else NO_ANSWER)
            now = Unread(RATES, WORDS[GONE]) if state == GONE else counted
            drives.append(_counted(sample, drive, now, own))
            before, self._states[place] = self._states[place], state
            if state not in {before, HERE}:
                events.append(Event(seconds, "vanished", drive.name, WORDS[state]))
            elif state != before:
                events.append(Event(seconds, "returned", drive.name, BACK[before]))
        others = answers.get(len(drives), self._no_others)
        return Moment(seconds, late, tuple(drives), others), events

    def close(self) -> None:
        """End the threads; what hangs is not waited for."""
        for asked in self._asked:
            asked.close()

    def _collected(self, *, counters: bool, deadline: float) -> dict[int, Any]:
        """The answers that come in time, by place. One after the other is asked, so that they do not hinder each other.

        One that takes longer than its turn is not waited for before the next is asked.
        """
        answers: dict[int, Any] = {}
        while self._receive(answers, 0.0):
            pass  # what came too late for an earlier sample
        if counters:
            self._owed.update(range(len(self._head.drives)))
        start = self._clock()
        waiting = [asked for asked in self._asked if not asked.busy or deadline > self._deadline]
        for asked in waiting:
            self._ask(asked)
            while asked.busy and asked.number == self._number and self._receive(answers, TURN):
                pass
        while True:
            for asked in waiting:
                self._ask(asked)  # one that was still at an earlier question
            if not any(asked.busy for asked in waiting):
                return answers
            # Whatever the clock says, each wait is bounded, and no question has more than one answer.
            left = deadline - (self._clock() - start)
            if not self._receive(answers, min(max(left, 0.0), deadline)):
                return answers

    def _ask(self, asked: _Asked) -> None:
        """Ask one that is free, once a sample."""
        if not asked.busy and asked.number != self._number:
            asked.ask(self._number, counters=asked.place in self._owed)

    def _receive(self, answers: dict[int, Any], wait: float) -> bool:
        """Take in the next answer, if one comes in time; of one to an earlier question only the counters are kept."""
        try:
            place, number, answer = self._answers.get(block=wait > 0, timeout=wait if wait > 0 else None)
        except Empty:
            return False
        self._asked[place].busy = False
        if isinstance(answer, Exception):
            raise answer
        if number == self._number:
            answers[place] = answer
        if self._asked[place].counters and answer.state != GONE:
            self._owed.discard(place)
            if number != self._number:
                self._late[place] = answer.sample.counters
        return True


def _counted(
    sample: DriveSample, drive: DriveHead, now: Counts | Unread, counters: Counters | Unread | None
) -> DriveSample:
    """The sample with the counts of the drive's block devices, summed, and with its own counters."""
    blocks = of_devices(now, drive.blocks) if drive.blocks else []
    read_bytes, write_bytes, reads, writes, busy_ms = (
        blocks if isinstance(blocks, Unread) else total(blocks, name) for name in COUNTED
    )
    return DriveSample(
        sample.celsius, read_bytes, write_bytes, reads, writes, busy_ms, sample.link, sample.errors, counters
    )


COUNTED: Final = ("read_bytes", "write_bytes", "read_count", "write_count", "busy_time")
