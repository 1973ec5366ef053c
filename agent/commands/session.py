"""What `soak` does in which order: the machine is read, the log made, the command run, the log read and analysed.

Shows nothing itself: the clock, the view and where the user's logs are come as arguments.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final, Protocol

from msgspec import Struct

from agent import __version__
from agent.commands.reach import check_followed, check_listed, unlisted
from agent.source import Source
from knowledge.problems import BadInput, NothingRead

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from agent.audit import Audit
    from agent.child import Run
    from agent.soak.analysed import Analysis
    from agent.soak.known_limits import KnownLimit
    from agent.source import Clock
    from probes.samples import End, Event, Head, Moment, Soak
    from probes.soaklog import Writer

LAST: Final = "last"
MOST_LOGS: Final = 50  # of the user, that are looked through for limits of drives


class View(Protocol):
    """Whoever is told of a soak while it runs."""

    def sample(self, sample: Moment) -> None:
        """A sample was taken."""

    def event(self, event: Event) -> None:
        """Something happened."""

    def close(self) -> None:
        """The soak is over."""


class Silent:
    """A view that shows nothing."""

    def sample(self, sample: Moment) -> None:
        """See `View`."""

    def event(self, event: Event) -> None:
        """See `View`."""

    def close(self) -> None:
        """See `View`."""


class SoakRequest(Struct, frozen=True, kw_only=True):
    """A soak as the user wants it: seconds between samples, how many seconds it `lasts` (None: until it is ended).

    `command` is () for none, `log` None for the default place, `root` the directory that holds the platform's files.
    `limits` are files with limits of drives that cannot be read.
    """

    command: tuple[str, ...]
    every: float
    lasts: float | None
    log: str | None
    root: str | None
    keep_serials: bool
    limits: tuple[str, ...] = ()


class Surroundings(Struct, frozen=True, kw_only=True):
    """What a soak needs of its process: platform, environment, clock; `wall` is the time of day in seconds.

    `asleep` counts the seconds that the machine was suspended; None where the system does not count them.
    """

    platform: str
    environ: Mapping[str, str]
    clock: Callable[[], Clock]
    wall: Callable[[], float]
    asleep: Callable[[], float] | None = None


class SoakEnd(Struct, frozen=True):
    """A soak that has ended: where its log is, how it ended, and the log's fault where it could not be written."""

    path: str
    end: End
    fault: str | None


# --- A run -----------------------------------------------------------------------------------------------------


def run(asked: SoakRequest, around: Surroundings, begin: Callable[[Head, str], View]) -> SoakEnd:
    """Log until the command, the time or the user ends it; `begin` is told what is logged where, and makes the view.

    Raises Problem where it cannot be begun, or nothing can be read; no log is left then.
    """
    from agent import child
    from agent.soak.known_limits import completed
    from probes.soaklog import Writer, default_folder, new_place

    check_followed("soak", around.platform)
    known = known_limits(asked.limits, around)
    if asked.command:
        child.find(asked.command, around.environ)
    if asked.log is not None:
        check_log(asked.log)
    audit, capture = _seen(asked, around)
    head = _head(asked, around, audit)
    if any(drive.warning_celsius is None or drive.critical_celsius is None for drive in head.drives):
        head = completed(head, [*known, *_of_logs(folder(around.environ))])
    path = asked.log if asked.log is not None else new_place(default_folder(around.environ), head.started_at)
    with child.Run(asked.command, around.clock().running) as running:
        log = Writer(path, head, capture, private=asked.keep_serials or asked.log is None)
        end = _logged(asked, around, log, head, _Begun(head, running, lambda: begin(head, path)))
    return _closed(log, path, end)


def check_log(path: str) -> None:
    """Refuse a place for a log where there is something already, as a log is never overwritten, or others may write."""
    from probes.files import check_place
    from probes.soaklog import check_folder

    if os.path.lexists(path):
        from knowledge.phrasing import quoted

        raise BadInput(f"{quoted(path)} exists, and a log is never overwritten; choose another name")
    check_place(path, force=False)
    check_folder(path)


def _seen(asked: SoakRequest, around: Surroundings) -> tuple[Audit, bytes]:
    """The machine at the start, and its capture file; serial numbers are tokens in both, unless kept.

    Raises NothingRead where no drive is known as a list of drives could not be read.
    """
    from agent.audit import audit
    from probes import collect
    from probes.capture import encode, parse, recorded

    source = Source(None, asked.root, around.platform, around.clock)
    facts = source.facts(0.0)
    if not facts.drives:
        check_listed("no drive can be watched", unlisted(facts))
    capture = encode(
        platform=source.platform,
        taken_at=source.taken_at,
        agent=__version__,
        answers=source.answers,
        samples=(),
        keep_serials=asked.keep_serials,
    )
    if not asked.keep_serials:
        first, looks = recorded(parse(capture, "the machine"))
        facts = collect(first, looks, source.taken_at)
    return audit(facts), capture


def _head(asked: SoakRequest, around: Surroundings, seen: Audit) -> Head:
    """The head of the log, begun now: to read the machine may have taken a while."""
    from agent.soak.sampling import head
    from probes.reads import Live

    return head(
        seen,
        Live(asked.root, around.platform),
        started_at=around.clock().now(),
        agent=__version__,
        every=asked.every,
        command=asked.command,
        unlisted=unlisted(seen.facts),
    )


class _Begun:
    """The command and the view, which begin when the first sample has something in it; until then all waits."""

    def __init__(self, head: Head, running: Run, make: Callable[[], View]) -> None:
        self._head = head
        self._make = make
        self._view: View | None = None
        self._first: Moment | None = None
        self._waiting: list[Event] = []
        self.running = running

    def start(self) -> None:
        """Begin both, or raise NothingRead."""
        from agent.soak.sampling import nothing_read

        first = self._first
        assert first is not None
        why = nothing_read(self._head, first)
        if why:
            raise NothingRead(f"neither temperatures nor counters of any drive could be read: {why}")
        self._view = self._make()
        for event in self._waiting:
            self._view.event(event)
        self._view.sample(first)
        self.running.start()

    def sample(self, sample: Moment) -> None:
        """See `View`."""
        if self._view is None:
            self._first = sample
        else:
            self._view.sample(sample)

    def event(self, event: Event) -> None:
        """See `View`."""
        if self._view is None:
            self._waiting.append(event)
        else:
            self._view.event(event)

    def close(self) -> None:
        """See `View`."""
        if self._view is not None:
            self._view.close()


def _logged(asked: SoakRequest, around: Surroundings, log: Writer, head: Head, begun: _Begun) -> End:
    """Sample until it is over, then wait for the command."""
    from agent.soak.running import soak
    from probes.reads import Live
    from probes.samples import End, Event

    clock = around.clock()
    until = None if asked.lasts is None else clock.running() + asked.lasts
    try:
        end = soak(
            Live(asked.root, around.platform),
            log,
            head,
            clock=clock.running,
            sleep=begun.running.pause,
            stop=lambda: begun.running.over or (until is not None and clock.running() >= until),
            on_sample=begun.sample,
            on_event=begun.event,
            wall=around.wall,
            asleep=around.asleep,
            begin=begun.start,
        )
        if end.reason == "fault" and asked.command and not begun.running.over:
            begun.event(Event(end.seconds, "log", None, "the log ends here; the command goes on without it"))
    finally:
        begun.close()
    status = begun.running.wait()
    reason = end.reason
    if reason != "fault":
        reason = "command" if asked.command else "interrupt" if begun.running.signals else "time"
    return End(end.seconds, reason, status)


def _closed(log: Writer, path: str, end: End) -> SoakEnd:
    """End the log; where that cannot be written the log stays as one that was cut off."""
    from agent.soak import wording

    cut_off = None
    if end.reason == "fault":
        cut_off = f"the log ended after {wording.lasting(end.seconds)}, as it could not be written any more"
        cut_off += "" if end.status is None else "; the command was left to go on to its own end"
    try:
        log.close(end)
    except BadInput as fault:
        return SoakEnd(path, end, cut_off or str(fault))
    return SoakEnd(path, end, cut_off)


# --- Logs ------------------------------------------------------------------------------------------------------


def folder(environ: Mapping[str, str]) -> str:
    """Where the user's logs are."""
    from probes.soaklog import default_folder

    return default_folder(environ)


def found(name: str, environ: Mapping[str, str]) -> str:
    """The log that is meant: a file, the name of one in the user's folder, or "last" for the latest there."""
    from probes.soaklog import SUFFIX, listed

    at = folder(environ)
    if name != LAST and os.path.lexists(name):
        return name
    if name == LAST:
        logs = listed(at)
        if not logs:
            from knowledge.phrasing import quoted

            raise BadInput(f"there is no log in {quoted(at)} yet; give the file of one")
        return logs[0][0]
    if "/" not in name:
        for place in (os.path.join(at, name), os.path.join(at, f"{name}{SUFFIX}")):
            if os.path.lexists(place):
                return place
    return name


def is_log(name: str) -> bool:
    """Whether a file is the log of a soak; what cannot be read is told of later, as a capture."""
    if name == "-":
        return False
    from probes.files import SQLITE, read_whole

    try:
        return bytes(read_whole(name, len(SQLITE))[: len(SQLITE)]) == SQLITE
    except BadInput:
        return False


def known_limits(names: Sequence[str], around: Surroundings) -> list[KnownLimit]:
    """The limits of drives in captures, logs and build sheets. Raises BadInput for what is none of these."""
    from agent.soak import known_limits as known

    found = []
    for name in names:
        if is_log(name):
            from probes.soaklog import head_of

            head = head_of(name)
            found += known.of_head(head, f"the log {_base(name)} of {head.started_at}")
        elif _is_capture(name):
            facts = Source(name, None, around.platform, around.clock).facts(0.0)
            found += known.of_facts(facts, f"the capture {_base(name)} of {facts.taken_at}")
        else:
            from agent.sheets.reading import read

            found += known.of_sheet(read(name), f"the build sheet {_base(name)}")
    return found


def _of_logs(at: str) -> list[KnownLimit]:
    """The limits in the user's own latest logs."""
    from agent.soak.known_limits import of_head
    from probes.soaklog import listed

    logs = listed(at, MOST_LOGS)
    return [limit for path, head, *_ in logs for limit in of_head(head, f"the log {_base(path)} of {head.started_at}")]


def _base(name: str) -> str:
    """A file as a log that others may see names it: without its folders, which tell of the user."""
    from knowledge.phrasing import printable

    return printable(os.path.basename(name))


def _is_capture(name: str) -> bool:
    """Whether a file begins as a capture does: JSON, plain or packed (RFC 1952)."""
    from probes.files import SQLITE, read_whole

    start = bytes(read_whole(name, len(SQLITE))[: len(SQLITE)])
    return start.startswith(b"\x1f\x8b") or start.lstrip().startswith(b"{")


def named_here(found: Analysis, system: str) -> Analysis:
    """The analysis with the name of this machine, where its log was made here and the name was taken out of it."""
    from msgspec import structs

    return structs.replace(found, head=structs.replace(found.head, machine=name_here(found.head.machine, system)))


def name_here(name: str | None, system: str) -> str | None:
    """A name in a log; where it was taken out and is that of this machine, on which `system` runs, the name itself."""
    from probes import platform
    from probes.reads import Live
    from probes.redact_text import host_name
    from probes.tokens import Known, is_word_token

    if name is None or not is_word_token(name):
        return name
    here = platform(system).watch().host_name(Live(None, system))
    return here if isinstance(here, str) and host_name(here, Known()) == name else name


def analysed(path: str, end: End | None = None, known: Sequence[KnownLimit] = ()) -> tuple[Soak, Analysis]:
    """A log with its analysis; `end` is how it ended, if that is known where it could not be written any more.

    `known` are limits for drives that have none in the log.

    Raises BadInput for what is no log.
    """
    from msgspec import structs

    from agent.soak.analysis import analyse
    from probes.soaklog import read

    soak = read(path)
    if soak.end is None:
        soak = structs.replace(soak, end=end)
    if known:
        from agent.soak.known_limits import with_limits

        soak = with_limits(soak, known)
    return soak, analyse(soak)
