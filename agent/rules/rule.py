"""What a rule is, and what it may see. Rules hold no state and change nothing they see."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from agent.model.findings import Evidence, Severity
    from agent.model.judged import Judged
    from agent.model.judged_machine import JudgedMachine, Move
    from probes.unread import Unread

    Run = Callable[[JudgedMachine], Iterator["Found | Unread"]]


class Hand(Struct, frozen=True):
    """One thing to do by hand with one part, in its place in an order that matters.

    `action` is the kind of step; `part`, `here` and `there` are words for the part, its place now and its place after.
    """

    action: str
    part: str
    here: str = ""
    there: str = ""
    gain_mbps: float | None = None


class Found(Struct, frozen=True):
    """What one rule saw on one subject. The runner makes it a finding with id, severity and steps.

    `severity` overrides the rule's own; `judged`, `move` and `lanes_shared` (a slot offers fewer lanes than are wired)
    feed the steps. `drive` tells that `subject` is the name of a drive, and `judged` its own link. `part` and `place`
    are words for what hands go to and for its slot, where these do not follow from `judged`; `without` are steps of the
    rule that do not fit what was found. `hands` are what is to be done with several parts, in order; `advises` are
    steps beyond those of the rule.
    """

    subject: str
    headline: str
    evidence: tuple[Evidence, ...]
    severity: Severity | None = None
    judged: Judged | None = None
    move: Move | None = None
    gain_mbps: float | None = None
    lanes_shared: bool = False
    drive: bool = False
    part: str = ""
    place: str = ""
    without: tuple[str, ...] = ()
    hands: tuple[Hand, ...] = ()
    advises: tuple[str, ...] = ()


class Rule(Struct, frozen=True):
    """A registered rule: its id, the severity it gives, machines of `fixtures/` it must and must not fire on."""

    id: str
    severity: Severity
    fires_on: tuple[str, ...]
    quiet_on: tuple[str, ...]
    run: Run

    @property
    def title(self) -> str:
        """The first line of the rule's docstring, without its full stop."""
        return (self.run.__doc__ or "").strip().split("\n", 1)[0].rstrip(".")


REGISTERED: Final[dict[str, Rule]] = {}


def rule(
    name: str, severity: Severity, *, fires_on: tuple[str, ...], quiet_on: tuple[str, ...]
) -> Callable[[Run], Run]:
    """Register a rule under a name that nobody else has (ValueError)."""

    def register(run: Run) -> Run:
        if name in REGISTERED:
            raise ValueError(f"two rules are called {name}")
        REGISTERED[name] = Rule(name, severity, fires_on, quiet_on, run)
        return run

    return register
