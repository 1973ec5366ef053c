"""The loop of a soak: samples on time, what happened, and the log, which is written in a thread of its own.

The clocks, the sleep and when to stop are arguments. A log that is slow to write delays no sample; one that cannot be
written any more ends the soak. What a command does is not this module's matter (see `agent/child.py`).
"""

from __future__ import annotations

from queue import Empty, Queue
from threading import Thread
from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.soak.events import Watch
from agent.soak.sampling import Sampler
from agent.soak.schedule import Schedule
from knowledge.problems import BadInput, Problem
from probes.samples import End, Event

if TYPE_CHECKING:
    from collections.abc import Callable

    from probes.reads import Reads
    from probes.samples import Head, Moment
    from probes.soaklog import Writer

COUNTERS_EVERY: Final = 60.0  # seconds between two questions for a drive's own counters
MOST_WAITING: Final = 3600  # samples that wait for a log that cannot be written at the moment
MOST_AT_ONCE: Final = 200  # of them written in one go
LAST_GAP: Final = 0.25  # seconds at least between the last sample and the one before it: a rate over less says little


def soak(  # noqa: PLR0913 - the seams of the loop, each by its name
    reads: Reads,
    log: Writer,
    head: Head,
    *,
    clock: Callable[[], float],
    sleep: Callable[[float], None],
    stop: Callable[[], bool],
    on_sample: Callable[[Moment], None],
    on_event: Callable[[Event], None] | None = None,
    wall: Callable[[], float] | None = None,
    asleep: Callable[[], float] | None = None,
    begin: Callable[[], None] | None = None,
    deadline: float | None = None,
) -> End:
    """Log samples until `stop` says so, with a last one then; the log is left open for the caller to close.

    `begin` is called after the first sample is taken: start the command there. Where it raises a Problem, the log is
    taken away as if it had never been. `clock` counts seconds and never jumps, `wall` is the time of day in
    seconds since 1970, `asleep` a count of seconds that the machine was suspended.
    `on_event` is told what happened before `on_sample` is told of the sample. `sleep` may return early. The reason of
    the end is "time", or "fault" where the log could not be written; the caller knows better why it said stop.
    """
    told = on_event if on_event is not None else _nobody
    schedule = Schedule(head.every, clock, sleep, stop)
    sampler = Sampler(reads, head, clock, deadline)
    watch = Watch(head)
    keeper = _Keeper(log)
    counters_due, first = 0.0, True

    def take(seconds: float, late: float, *, counters: bool, patient: bool, last: bool = False) -> None:
        now = wall() if wall is not None else None
        slept = asleep() if asleep is not None else None
        sample, events = sampler.take(seconds, late, counters=counters, patient=patient, last=last)
        sample = replace(sample, wall=now)
        events = [*watch.worth_telling(events), *watch.see(sample, slept)]
        keeper.put(sample, events)
        for event in events:
            told(event)
        on_sample(sample)

    try:
        for seconds, late in schedule:
            due = seconds >= counters_due
            if due:
                counters_due = seconds + COUNTERS_EVERY
            take(seconds, late, counters=due, patient=first)
            first = False
            if begin is not None:
                _begin(begin, keeper, log)
                begin = None
            if keeper.fault is not None:
                break
        else:
            _wait(schedule, clock, sleep, min(LAST_GAP, LAST_GAP * head.every))
            take(schedule.moment(), 0.0, counters=True, patient=True, last=True)
    finally:
        sampler.close()
        keeper.close()
    if keeper.fault is None:
        return End(schedule.now(), "time", None)
    told(Event(schedule.now(), "log", None, str(keeper.fault)))
    return End(schedule.now(), "fault", None)


def _begin(begin: Callable[[], None], keeper: _Keeper, log: Writer) -> None:
    """Begin what is to be watched; without it there is nothing to log."""
    try:
        begin()
    except Problem:
        keeper.close()
        log.discard()
        raise


def _nobody(_: Event) -> None:
    """Nobody is told."""


def _wait(schedule: Schedule, clock: Callable[[], float], sleep: Callable[[float], None], gap: float) -> None:
    """Wait until the last sample is so long ago; a sleep that returns early is not asked again for ever."""
    end = clock() + gap - (schedule.now() - schedule.last)
    for _ in range(10):
        left = end - clock()
        if left <= 0:
            return
        sleep(left)


class _Keeper:
    """Writes the log in its own thread; `fault` is what went wrong."""

    def __init__(self, log: Writer) -> None:
        self.fault: BadInput | None = None
        self._defect: Exception | None = None
        self._log = log
        self._waiting: Queue[tuple[Moment, list[Event]] | None] = Queue(MOST_WAITING)
        self._thread: Thread | None = Thread(target=self._write, name="log", daemon=True)
        self._thread.start()

    def put(self, sample: Moment, events: list[Event]) -> None:
        """Have a sample and what happened written as soon as may be."""
        if self._defect is not None:
            raise self._defect
        self._waiting.put((sample, events))

    def close(self) -> None:
        """Wait until all is written, or cannot be."""
        if self._thread is not None:
            self._waiting.put(None)
            self._thread.join()
            self._thread = None

    def _write(self) -> None:
        more = True
        while more:
            batch = [self._waiting.get()]
            while batch[-1] is not None and len(batch) < MOST_AT_ONCE:
                try:
                    batch.append(self._waiting.get_nowait())
                except Empty:
                    break
            more = batch[-1] is not None
            if (
                self.fault is None and self._defect is None
            ):  # after a fault the queue is emptied, so that nobody waits for it
                self._keep([item for item in batch if item is not None])

    def _keep(self, batch: list[tuple[Moment, list[Event]]]) -> None:
        try:
            for sample, events in batch:
                self._log.add(sample)
                for event in events:
                    self._log.event(event)
            self._log.commit()
        except BadInput as fault:
            self.fault = fault
        except Exception as defect:  # noqa: BLE001 - raised again in the loop
            self._defect = defect
