"""What a rule is, and what it may see. Rules hold no state and change nothing they see."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct
from msgspec.structs import replace

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from agent.model.explained import Explained
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
    steps beyond those of the rule; `also` are further subjects of the same. `beside` says which neighbouring slots are
    filled, where that may be why; `idle` what of a set is not at work. `cause` stands in for that of the rule. `note`
    is the field note that was found, and `advice` what it says to do.
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
    also: tuple[str, ...] = ()
    beside: str = ""
    idle: str = ""
    cause: str | None = None
    note: str = ""
    advice: str = ""


CAPABILITIES: Final = 2  # depths to which configuration space has to be read (agent/compare/matching.py depth_of)
EXTENDED: Final = 3


class Compared(Struct, frozen=True, kw_only=True):
    """How two audits compare findings of a rule: what the other side must have read, or it could not have told.

    `rests_on` is the reading that decides, `depth` how much of configuration space it takes, `by_table` that it goes by
    the firmware's list of slots. `alike` is what is told only where both sides read as much; `of_a_moment` tells that
    it comes and goes, `own_rows` that its figures are compared by themselves, `left_out` that there are rows for it
    elsewhere. `told_as` is a rule that says the same thing by another reading.
    """

    rests_on: Literal["", "verdict", "counters", "limits", "health log", "firmware record"] = ""
    depth: int = 0
    by_table: bool = False
    alike: Literal["", "to change", "to come or go"] = ""
    of_a_moment: bool = False
    own_rows: bool = False
    left_out: bool = False
    told_as: str = ""


class Rule(Struct, frozen=True, kw_only=True):
    """A rule, all of it; it decorates the generator that finds. A field that is missing is a TypeError that names it.

    `title` is what it finds, in one sentence without its end; `fires_on` and `quiet_on` are machines of `fixtures/`.
    `steps` are those it leads to; `shows` is how one sees that they helped, `load` what a look under load should show,
    `counted` what the count of a carrier's drives means, "" for the usual words. `of_status` tells that it speaks of
    what a link's or slot's status shows: where that may be old, a restart and a new reading come first; `register` is
    the one whose reading that is.
    `data_at_risk` tells that what a drive or set holds may be lost.
    `cause` is the usual cause in a few words, for a line of its own ("contacts, riser or slot"), "" where what is found
    says it itself.
    `host_knows_more` that in a guest the host knows more of it. `measured` is what a finding does to the rate that is
    predicted before a drive is measured.
    """

    id: str
    severity: Severity
    title: str
    fires_on: tuple[str, ...]
    quiet_on: tuple[str, ...]
    steps: tuple[str, ...]
    compared: Compared
    measured: Literal["lowers", "may explain", "explains nothing"]
    explained: Explained
    of_status: bool = False
    register: str = "link status"
    host_knows_more: bool = False
    shows: str = ""
    load: str = ""
    counted: str = ""
    cause: str = ""
    data_at_risk: bool = False
    run: Run = lambda _: iter(())

    def __call__(self, run: Run) -> Run:
        """Register the rule with what it runs, under an id that no other has (ValueError)."""
        if self.id in REGISTERED:
            raise ValueError(f"two rules are called {self.id}")
        REGISTERED[self.id] = replace(self, run=run)
        return run


REGISTERED: Final[dict[str, Rule]] = {}
