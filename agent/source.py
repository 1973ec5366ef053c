"""Where a command's readings come from: this machine, the files below a directory, or a capture.

Takes no time and says nothing itself: the clock, and whom to tell of a wait, are arguments.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from knowledge.problems import NothingRead

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from probes.facts import Facts
    from probes.reads import Answer, Reads, Recorded

# When to look again at a link below its best, as parts of the settle time.
LOOKS: Final = (0.05, 0.125, 0.25, 0.5, 0.75, 1.0)

REPLAYED: Final = " (capture)"  # ends the name of a source that was recorded


class Clock(Struct, frozen=True):
    """The time. `now` is the date and time as RFC 3339, `running` a count of seconds, `sleep` waits for seconds."""

    now: Callable[[], str]
    running: Callable[[], float]
    sleep: Callable[[float], None]


class Source:
    """Where the readings come from: this machine, the files below a directory, or a capture."""

    def __init__(
        self,
        replay: str | None,
        root: str | None,
        platform: str,
        clock: Callable[[], Clock],
        tell: Callable[[str], None] | None = None,
    ) -> None:
        """A capture (`replay`) goes before the machine; `tell` is told when links are waited for.

        `platform` is the one of this machine; the `clock` is asked for when the machine is read.
        """
        self.replay = replay
        self.root = root
        self.platform = platform
        self.taken_at = ""
        self.redacted = False
        self.answers: Mapping[str, Answer] = {}
        self.samples: list[tuple[float, Mapping[str, Answer]]] = []
        self._clock = clock
        self._tell = tell

    @property
    def name(self) -> str:
        """The source for people."""
        if self.replay is not None:
            return f"{self._named(self.replay)}{REPLAYED}"
        return f"files below {self.root}" if self.root is not None else "this machine"

    @staticmethod
    def _named(replay: str) -> str:
        """A capture for people."""
        from probes.files import pipe

        number = pipe(replay)
        if replay == "-" or number == 0:
            return "standard input"
        return replay if number is None else f"pipe {number}"

    def facts(self, settle: float) -> Facts:
        """Read everything, or raise NothingRead; links below their best are looked at again for `settle` seconds."""
        facts = self._read(settle)
        if not facts.functions and not facts.drives and facts.unread:
            first = facts.unread[0]
            raise NothingRead(f"nothing could be read from {self.name}: {first.what}: {first.why}")
        return facts

    def _read(self, settle: float) -> Facts:
        from probes import collect

        if self.replay is not None:
            from probes.capture import load_file, recorded

            capture = load_file(self.replay)
            self.platform, self.taken_at, self.redacted = capture.platform, capture.taken_at, capture.redacted
            first, looks = recorded(capture)
            self.answers, self.samples = capture.reads, list(capture.samples)
            return collect(first, looks, capture.taken_at)
        return self._live(settle)

    def _live(self, settle: float) -> Facts:
        from probes import platform

        if not platform(self.platform).by_programs:
            return self._asked(settle)
        from agent.interrupt import raised

        with raised():
            return self._asked(settle)

    def _asked(self, settle: float) -> Facts:
        from probes import collect
        from probes.reads import Live, Recorded, Recording

        clock = self._clock()
        self.taken_at = clock.now()
        live = Live(self.root, self.platform, self._tell)
        recording = Recording(live)
        facts = collect(recording, (), self.taken_at)
        self.answers = recording.answers
        if settle > 0:
            first = Recorded(recording.answers, self.platform)
            looks = self.look_again(live, first, facts, settle, clock)
            if looks:
                self.samples = [(offset, dict(look.answers)) for offset, look in looks]
                facts = collect(first, looks, self.taken_at)
        return facts

    def look_again(
        self, live: Reads, first: Recorded, facts: Facts, settle: float, clock: Clock
    ) -> Sequence[tuple[float, Recorded]]:
        """Later looks at the links that are below their best or count errors."""
        from agent.model.second_look import below_best
        from probes import platform

        live_ones = {function.address for function in facts.functions if function.fresh == "live"}
        addresses = tuple(address for address in below_best(facts) if address in live_ones)
        if not addresses:  # a status that the system does not read anew stays what it is, however long one looks
            return ()
        if self._tell is not None:
            self._tell(f"Looking again at links that are below their best or count errors, for {settle:g} s ...")
        start = clock.running()
        looks = []
        for part in LOOKS:
            clock.sleep(max(0.0, start + part * settle - clock.running()))
            offset = round(clock.running() - start, 3)
            looks.append((offset, platform(live.platform).look(live, first, addresses)))
        return looks
