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

from agent.soak.samples import DriveHead, DriveSample, Event, Head, Sample
from probes import linux_counts, linux_watch
from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.audit import Audit
    from agent.soak.samples import Counters
    from probes.linux_watch import Named
    from probes.reads import Reads

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
WORDS: Final = {
    GONE: "the drive is gone",
    MUTE: "the drive gives no temperature any more",
    HANGS: "the drive does not answer in time; it is left out until it does",
}
BACK: Final = {
    GONE: "the drive is back",
    MUTE: "the drive gives its temperature again",
    HANGS: "the drive answers again",
}


# --- What is asked once ----------------------------------------------------------------------------------------


def head(audit: Audit, reads: Reads, *, started_at: str, agent: str, every: float, command: tuple[str, ...]) -> Head:
    """The head of a soak of all drives of a machine. `every` is in seconds; `agent` is this program's version."""
    by_drive, others = _temperatures(reads)
    facts = audit.facts
    seen = {one.drive.name: one for one in audit.drives}
    drives = []
    for drive in facts.drives:
        own, judged = seen.get(drive.name), None
        if own is not None and own.path and drive.kind == "nvme":
            judged = audit.by_key.get(own.path[0])
        now = judged.now if judged is not None else None
        drives.append(
            DriveHead(
                name=drive.name,
                address=readable(drive.address),
                model=_text(drive.model),
                firmware=_text(drive.firmware),
                serial=_text(drive.serial),
                sensors=tuple(one.label for one in by_drive.get(drive.name, ()))[:MOST_SENSORS],
                warning_celsius=own.warning_celsius if own is not None else None,
                critical_celsius=own.critical_celsius if own is not None else None,
                blocks=linux_counts.counted(reads, drive.name, (block.name for block in readable(drive.blocks) or ())),
                link=(now.speed, now.width) if now is not None else None,
                ports=tuple(end.address for end in judged.link.ends) if judged is not None else (),
                expected=own.alone if own is not None else None,
            )
        )
    return Head(
        started_at=started_at,
        agent=agent,
        platform=facts.platform,
        machine=_text(facts.host.name),
        every=every,
        command=command,
        drives=tuple(drives),
        others=tuple(one.label for one in others)[:MOST_OTHERS],
    )


def _text(value: str | Unread | None) -> str | None:
    return value if isinstance(value, str) else None


def _temperatures(reads: Reads) -> tuple[dict[str, tuple[Named, ...]], tuple[Named, ...]]:
    """The temperatures of each drive, and all others, of which psutil tells where this platform shows no files."""
    by_drive, others = linux_watch.temperatures(reads)
    if reads.platform == "linux":
        return by_drive, others
    return by_drive, tuple(linux_watch.Named(label, "", "") for label in _of_psutil(reads))


def _of_psutil(reads: Reads) -> dict[str, float]:
    """What psutil tells of temperatures, by name.

    Not asked on Linux, where it would read the limits of each drive's sensor too, which sends Get Features to the
    drive, and wait for a drive that hangs.
    """
    from msgspec import MsgspecError, json

    answer = reads.psutil("sensors_temperatures")
    try:
        chips = json.decode("{}" if isinstance(answer, Unread) else answer, type=dict[str, list[tuple[str, float]]])
    except MsgspecError:
        return {}
    return {f"{chip} {label}".strip(): celsius for chip, found in chips.items() for label, celsius in found}


# --- One drive -------------------------------------------------------------------------------------------------


class _Look(Struct):
    """What one drive answered, and whether it was there."""

    state: str
    sample: DriveSample


class _Drive:
    """Asks one drive; lives in its thread."""

    def __init__(self, reads: Reads, drive: DriveHead) -> None:
        self._reads = reads
        self._drive = drive
        self._folder = linux_watch.drive_folder(drive.name)
        self._nothing = DriveSample((None,) * len(drive.sensors))
        self._ready = False

    def _find(self) -> None:
        """Look up which files there are; again after a return, when sensors have other numbers."""
        named = {one.label: one.path for one in linux_watch.temperatures(self._reads)[0].get(self._drive.name, ())}
        self._paths = [named.get(label) for label in self._drive.sensors]
        has_link = self._drive.link is not None and self._drive.address is not None
        self._link = linux_watch.Link(self._reads, self._drive.address or "") if has_link else None
        self._errors = linux_watch.Errors(self._reads, self._drive.ports)
        self._ready = True

    def look(self, *, counters: bool) -> _Look:
        """All that is asked at each moment, and the drive's own `counters` where wanted."""
        reads = self._reads
        if not self._ready:
            if isinstance(reads.target(self._folder), Unread):
                return _Look(GONE, self._nothing)
            self._find()
        answers = [None if path is None else linux_watch.celsius(reads, path) for path in self._paths]
        celsius = tuple(None if isinstance(answer, Unread) else answer for answer in answers)
        failed = all(
            path is None or isinstance(answer, Unread) for path, answer in zip(self._paths, answers, strict=True)
        )
        if failed and isinstance(reads.target(self._folder), Unread):
            self._ready = False
            return _Look(GONE, self._nothing)
        sample = DriveSample(
            celsius,
            link=None if self._link is None else self._link.now(),
            errors=self._errors.now(),
            counters=linux_watch.counters(reads, self._drive.name) if counters else None,
        )
        return _Look(MUTE if failed and self._paths else HERE, sample)


class _Others:
    """Asks all temperatures that are no drive's; lives in its thread."""

    def __init__(self, reads: Reads, names: tuple[str, ...]) -> None:
        self._reads = reads
        self._names = names
        self._found: list[Named | None] | None = None

    def look(self, *, counters: bool) -> tuple[float | None, ...]:  # noqa: ARG002 - asked like a drive
        """In the order of the names."""
        if self._reads.platform != "linux":
            found = _of_psutil(self._reads)
            return tuple(found.get(name) for name in self._names)
        if self._found is None:
            named = {one.label: one for one in linux_watch.temperatures(self._reads)[1]}
            self._found = [named.get(name) for name in self._names]
        return tuple(None if one is None else self._celsius(one) for one in self._found)

    def _celsius(self, one: Named) -> float | None:
        answer = linux_watch.celsius_if_awake(self._reads, one)
        return None if isinstance(answer, Unread) else answer


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
        self._nothing = [DriveSample((None,) * len(drive.sensors)) for drive in head.drives]
        self._owed: set[int] = set()  # places of drives whose counters were wanted and have not come
        self._late: dict[int, Counters | None] = {}  # those that came after their sample

    def take(
        self, seconds: float, late: float, *, counters: bool = False, patient: bool = False
    ) -> tuple[Sample, list[Event]]:
        """A sample, and which drives are gone, hang or are back; `counters` asks for those of their heat as well.

        Counters that a drive does not give in time are in a later sample, the first that has them. A `patient` sample
        waits for some seconds.
        """
        counts = linux_counts.counts(self._reads)
        self._number += 1
        answers = self._collected(counters=counters, deadline=max(self._deadline, PATIENCE if patient else 0.0))
        drives, events = [], []
        for place, drive in enumerate(self._head.drives):
            look = answers.get(place)
            state, sample = (HANGS, self._nothing[place]) if look is None else (look.state, look.sample)
            own = self._late.pop(place, None)  # None of most, as counters are asked for now and then
            own = own if sample.counters is None else sample.counters
            drives.append(_counted(sample, [counts[name] for name in drive.blocks if name in counts], own))
            before, self._states[place] = self._states[place], state
            if state not in {before, HERE}:
                events.append(Event(seconds, "vanished", drive.name, WORDS[state]))
            elif state != before:
                events.append(Event(seconds, "returned", drive.name, BACK[before]))
        others = answers.get(len(drives), (None,) * len(self._head.others))
        return Sample(seconds, late, tuple(drives), others), events

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


def _counted(sample: DriveSample, blocks: list[dict[str, int]], counters: Counters | None) -> DriveSample:
    """The sample with the counts of the drive's block devices, summed, and with its own counters."""
    return DriveSample(
        sample.celsius,
        linux_counts.total(blocks, "read_bytes"),
        linux_counts.total(blocks, "write_bytes"),
        linux_counts.total(blocks, "read_count"),
        linux_counts.total(blocks, "write_count"),
        linux_counts.total(blocks, "busy_time"),
        sample.link,
        sample.errors,
        counters,
    )
