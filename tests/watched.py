"""A small machine for the tests of a soak, whose files can be changed while it is watched, and a clock that obeys."""

from __future__ import annotations

import math
import threading
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, Final

from msgspec import json

from agent.audit import audit
from agent.soak.sampling import Sampler, head
from probes import collect
from tests.build import Machine, Nvme, TreeReads, build, drive, root_port

if TYPE_CHECKING:
    from probes.samples import Head
    from probes.unread import Unread
    from tests.tree import Tree

STARTED: Final = "2026-03-02T08:30:00Z"
FIRST: Final = "/sys/bus/pci/devices/0000:01:00.0"
SECOND: Final = "/sys/bus/pci/devices/0000:02:00.0"
SECOND_SENSOR: Final = "/sys/class/hwmon/hwmon2/temp1_input"
HANG_LIMIT: Final = 120.0  # seconds after which a question that should hang is let go, so that no test lasts for ever

QUESTION: Final = 2  # parts of what a sampler asks: the number of the sample, and whether counters are wanted
ANSWER: Final = 3  # parts of an answer: the place of the drive, the number of the sample, and what it saw


class FakeClock:
    """Seconds that pass only when somebody sleeps."""

    def __init__(self) -> None:
        """It is 1000 s on this clock."""
        self.time = 1000.0
        self.slept: list[float] = []

    def __call__(self) -> float:
        """The seconds."""
        return self.time

    def sleep(self, seconds: float) -> None:
        """Let time pass."""
        self.slept.append(seconds)
        self.time = max(self.time + seconds, math.nextafter(self.time, math.inf))


class WatchedReads(TreeReads):
    """Answers of a tree; notes what is asked, and lets questions below `hangs` wait until `release` is set."""

    def __init__(self, tree: Tree, *, privileged: bool = True, platform: str = "linux") -> None:
        """Nothing hangs at first."""
        super().__init__(tree, privileged=privileged, platform=platform)
        self.asked: list[str] = []
        self.hangs = ""
        self.release = threading.Event()
        self._hanging: list[str] = []

    @property
    def hanging(self) -> int:
        """How many questions hang now."""
        return len(self._hanging)

    def text(self, path: str) -> str | Unread:
        """See `Reads`."""
        self._ask(path)
        return super().text(path)

    def nvme(self, subject: str) -> bytes | Unread:
        """See `Reads`."""
        self._ask(f"nvme {subject}")
        return super().nvme(subject)

    def _ask(self, question: str) -> None:
        """Note a question, and let it hang where it should."""
        self.asked.append(question)
        if self.hangs and question.startswith(self.hangs):
            self._hanging.append(question)
            self.release.wait(HANG_LIMIT)
            self._hanging.remove(question)


class Queues:
    """In place of the queues between a sampler and its threads: nothing is given up but what hangs.

    A wait for an answer ends when it comes, or when all questions that are open hang; so what comes in time does not
    depend on how fast the machine is.
    """

    def __init__(self, reads: WatchedReads) -> None:
        """Of a sampler of the machine behind `reads`."""
        self.reads = reads
        self.open = 0
        self.given_up = 0

    def __call__(self) -> _Queue:
        """One of them."""
        return _Queue(self)


class _Queue:
    """A queue; questions have two parts, answers three."""

    def __init__(self, queues: Queues) -> None:
        self._queues = queues
        self._queue: SimpleQueue[Any] = SimpleQueue()

    def put(self, one: tuple[Any, ...] | None) -> None:
        """Put in a question, an answer, or the end."""
        if one is not None and len(one) == QUESTION:
            self._queues.open += 1
        self._queue.put(one)

    def get(self, block: bool = True, timeout: float | None = None) -> Any:  # noqa: ANN401, FBT001, FBT002 - as queues have it
        """The next one; `Empty` where none is there, or what is waited for hangs."""
        one = self._queue.get(block) if timeout is None else self._awaited()
        if one is not None and len(one) == ANSWER:
            self._queues.open -= 1
        return one

    def _awaited(self) -> Any:  # noqa: ANN401 - any answer
        while True:
            try:
                return self._queue.get(timeout=0.01)
            except Empty:
                if self._queues.open <= self._queues.reads.hanging:
                    self._queues.given_up += 1
                    raise


def two_drives() -> Tree:
    """A machine with two drives of two sensors each; hwmon0 is the board's, hwmon1 and hwmon2 are the drives'."""
    drives = [
        drive((4, 4), Nvme(kelvin=314, warning=343, critical=358, sensors=(321,), log=HEAT), counters={}),
        drive((4, 4), Nvme(kelvin=323, warning=343, critical=358, sensors=(330,)), counters={}),
    ]
    ports = [root_port(f"0{number}.0", (4, 4), [one], counters={}) for number, one in enumerate(drives, 1)]
    tree = build(Machine(name="bench-1", buses={"0000:00": ports}))
    set_counts(tree, nvme0n1=(1000, 2000, 10, 20, 5), nvme1n1=(0, 0, 0, 0, 0), nvme0n1p1=(7, 7, 7, 7, 7))
    return tree


# Minutes and seconds of heat, and transitions, as a drive counts them in log 02h.
HEAT: Final = {
    "warning_minutes": 11,
    "critical_minutes": 2,
    "light_throttles": 3,
    "heavy_throttles": 4,
    "light_throttle_seconds": 50,
    "heavy_throttle_seconds": 60,
}
COUNTS: Final = ("read_bytes", "write_bytes", "read_count", "write_count", "busy_time")


def set_counts(tree: Tree, **devices: tuple[int, int, int, int, int]) -> None:
    """Let psutil count: bytes read and written, operations read and written, milliseconds busy."""
    table = {name: dict(zip(COUNTS, counts, strict=True)) for name, counts in devices.items()}
    tree.psutil["disk_io_counters"] = json.encode(table).decode()


def head_of(tree: Tree, *, every: float = 1.0, command: tuple[str, ...] = ()) -> Head:
    """The head of a soak of that machine."""
    reads = TreeReads(tree)
    return head(
        audit(collect(reads, (), STARTED)), reads, started_at=STARTED, agent="1.0", every=every, command=command
    )


def sampler_of(reads: WatchedReads, *, deadline: float = HANG_LIMIT) -> Sampler:
    """A sampler of the machine behind `reads`, with a real deadline in seconds."""
    import time

    return Sampler(reads, head_of(reads.tree), time.monotonic, deadline)
