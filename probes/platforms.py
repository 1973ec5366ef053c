"""What a platform is to the rest of the program: all that differs from one to the next stands in its `Platform`.

What a capture must not tell (`probes/redact.py`) goes by the kind of question, not by the platform: a capture may say
of itself what it likes, so every answer is searched in every way.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Protocol, cast

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from probes.facts import Drive, Facts
    from probes.reads import Reads, Recorded
    from probes.samples import Counters
    from probes.temperatures import Temperature, Temperatures
    from probes.unread import Unread


class Collecting(Protocol):
    """What the module that asks a platform offers."""

    def collect(self, reads: Reads, looks: Sequence[tuple[float, Recorded]] = (), taken_at: str = "") -> Facts:
        """Ask everything once and give the facts."""

    def look(self, reads: Reads, first: Recorded, addresses: Iterable[str]) -> Recorded:
        """Ask again what can change of some functions."""


class LinkReader(Protocol):
    """Reads the link of one function again and again."""

    def now(self) -> tuple[int, int] | Unread | None:
        """Generation and lanes as they are now; None where it has none."""


class ErrorReader(Protocol):
    """Reads the error counters of some functions again and again, as one sum."""

    def now(self) -> int | Unread | None:
        """The sum as it is now; None where nothing is counted."""


class Watching(Protocol):
    """What the module offers that reads a machine again and again while its drives work."""

    def host_name(self, reads: Reads) -> str | Unread:
        """The name of the machine."""

    def drives(self, reads: Reads) -> tuple[str, ...]:
        """The names of the drives there are, as far as they can be listed without asking a drive."""

    def temperatures(self, reads: Reads) -> Temperatures:
        """All temperatures there are."""

    def celsius(self, reads: Reads, path: str, what: str = ...) -> float | Unread:
        """A temperature by its place."""

    def celsius_if_awake(self, reads: Reads, temperature: Temperature, what: str = ...) -> float | Unread:
        """The same of a device that may sleep and is not woken for it."""

    def did_not_answer(self, answer: float | Unread) -> bool:
        """Whether a sensor gave no answer."""

    def drive_is_gone(self, reads: Reads, name: str) -> bool:
        """Whether a drive is not there any more."""

    def link(self, reads: Reads, address: str, *, known: bool = False) -> LinkReader:
        """What reads the link of a function, which is `known` to have one."""

    def errors(self, reads: Reads, addresses: Iterable[str]) -> ErrorReader:
        """What reads the error counters of functions."""

    def counters(self, reads: Reads, drive: str) -> Counters | Unread | None:
        """What a drive counts of its heat."""

    def counted(self, reads: Reads, drive: str, blocks: Iterable[str]) -> tuple[str, ...] | Unread:
        """The names under which the system counts what a drive does."""

    def traffic(
        self, reads: Reads, drives: Iterable[Drive]
    ) -> Callable[[], dict[str, tuple[int, int] | Unread] | Unread]:
        """What tells the bytes (read, written) of each block device."""


class Platform(Struct, frozen=True, kw_only=True):
    """All that differs by platform. `offers` names the kinds of fact it can give, and how; `without` those it cannot.

    Its modules are imported when they are needed. `not_followed` tells why its drives cannot be followed while they
    work, so that `soak` and `measure` refuse; `no_driver` is what a function without a driver is said to have.
    """

    module: str
    offers: Mapping[str, str]
    without: Mapping[str, str]
    read_from: str = ""  # where its readings come from, in words; "" for one that is known by its own name alone
    watching: str = "probes.elsewhere"
    not_followed: str = ""
    no_driver: str = "not told"
    passes_devices_through: bool = False  # a guest is known to get devices of its host
    by_programs: bool = False  # programs of the system are started to answer; they end where the reading ends
    starts_by_fork: bool = False  # a fork of this process is safe
    setup_place: str = ""  # where settings are made; "" for the usual place

    def collect(self, reads: Reads, looks: Sequence[tuple[float, Recorded]] = (), taken_at: str = "") -> Facts:
        """Ask everything once and give the facts."""
        return self._collecting().collect(reads, looks, taken_at)

    def look(self, reads: Reads, first: Recorded, addresses: Iterable[str]) -> Recorded:
        """Ask again what can change of some functions."""
        return self._collecting().look(reads, first, addresses)

    def watch(self) -> Watching:
        """The module that reads it again and again."""
        return cast("Watching", import_module(self.watching))

    def load(self) -> None:
        """Import what asks it, for processes that are to share it."""
        self._collecting()

    def _collecting(self) -> Collecting:
        return cast("Collecting", import_module(self.module))
