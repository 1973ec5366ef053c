"""Rules that hold the machine against a build sheet (`check --against`). Quiet where no sheet was given.

What a link by itself is already blamed for is not said again; several parts that lack for one reason are one finding.
What a rule finds is worked out in its own module, which is loaded only where there is a sheet.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.findings import Severity
from agent.rules.rule import Found, rule
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.judged_machine import JudgedMachine

BUILT: Final = ("bench-1-as-planned",)


@rule("plan-part-missing", Severity.FAULT, fires_on=("bench-1-parts-missing",), quiet_on=(*BUILT, "bench-1-upgraded"))
def plan_part_missing(seen: JudgedMachine) -> Iterator[Found | Unread]:
    """A card or drive of the build sheet answers nowhere in the machine.

    Where a slot is dark, that is the fault, and this only says what should be there.
    """
    if seen.matched is not None:
        from agent.rules.sheet_missing import parts_missing

        yield from parts_missing(seen.matched)
    elif seen.expected is not None:
        yield Unread(f"parts of {seen.expected.source}", "no PCI function of this machine could be listed")


@rule(
    "plan-drives-unsplit",
    Severity.FAULT,
    fires_on=("bench-2-planned-unsplit",),
    quiet_on=(*BUILT, "bench-1-parts-missing", "bench-2-unsplit-slot"),
)
def plan_drives_unsplit(seen: JudgedMachine) -> Iterator[Found | Unread]:
    """Of the drives on a carrier without a switch only some answer, and their slot has lanes that are not split off.

    Such a carrier shows a drive for each group of lanes that the firmware setup splits off, the first one always. Count
    the drives on it before anything else.
    """
    if seen.matched is not None:
        from agent.rules.sheet_missing import drives_unsplit

        yield from drives_unsplit(seen.matched)


@rule(
    "plan-other-place",
    Severity.LIMIT,
    fires_on=("bench-1-misplaced",),
    quiet_on=(*BUILT, "bench-1-parts-missing"),
)
def plan_other_place(seen: JudgedMachine) -> Iterator[Found | Unread]:
    """A card or drive is in another place than the build sheet has it.

    A limit where its link there is what the sheet expects; a fault where it is less. Parts that have each other's
    places are told together, with what is to be done in order: a place must be free before a part goes in.
    """
    if seen.matched is not None:
        from agent.rules.sheet_places import other_places

        yield from other_places(seen, seen.matched)


@rule(
    "plan-need-broken",
    Severity.FAULT,
    fires_on=("bench-1-need-broken",),
    quiet_on=(*BUILT, "bench-1-misplaced", "bench-1-parts-missing"),
)
def plan_need_broken(seen: JudgedMachine) -> Iterator[Found | Unread]:
    """A need of the build sheet is not met by what is fitted.

    A drive on a slot that is split, or behind a packet switch, though the need forbids it; a card in another slot than
    needed; a rate that even the upper end of what is expected does not reach. Nothing is said where it cannot be told,
    and what only a link's own fault holds back is that link's finding.
    """
    if seen.matched is not None and seen.expected is not None and seen.expected.needs:
        from agent.rules.sheet_needs import needs_broken

        yield from needs_broken(seen, seen.matched)


@rule("plan-link-below", Severity.FAULT, fires_on=("bench-2-below-plan",), quiet_on=(*BUILT, "bench-2-planned-unsplit"))
def plan_link_below(seen: JudgedMachine) -> Iterator[Found | Unread]:
    """A link is at its best and still below what the build sheet expects of it.

    A limit where the part itself cannot do more. A link that is below its own best is blamed for that already, and here
    only if its best would not be enough.
    """
    if seen.matched is not None:
        from agent.rules.sheet_rates import links_below

        yield from links_below(seen, seen.matched)


@rule("plan-rate-below", Severity.LIMIT, fires_on=("bench-1-rate-below",), quiet_on=(*BUILT, "bench-2-below-plan"))
def plan_rate_below(seen: JudgedMachine) -> Iterator[Found | Unread]:
    """Drives in their places should reach less than the build sheet expects, though their links are as planned."""
    if seen.matched is not None:
        from agent.rules.sheet_rates import rates_below

        yield from rates_below(seen, seen.matched)


@rule("plan-other-part", Severity.NOTE, fires_on=("bench-1-misplaced",), quiet_on=(*BUILT, "bench-2-below-plan"))
def plan_other_part(seen: JudgedMachine) -> Iterator[Found | Unread]:
    """Another part than the build sheet names is in its place.

    No fault where it was exchanged on purpose: then the sheet wants the new one.
    """
    if seen.matched is not None:
        from agent.rules.sheet_places import other_parts

        yield from other_parts(seen.matched)


@rule(
    "plan-unplanned",
    Severity.NOTE,
    fires_on=("bench-1-misplaced", "bench-1-rate-below"),
    quiet_on=(*BUILT, "bench-1-parts-missing"),
)
def plan_unplanned(seen: JudgedMachine) -> Iterator[Found | Unread]:
    """A card or drive is fitted that the build sheet does not have."""
    if seen.matched is not None:
        from agent.rules.sheet_places import unplanned

        yield from unplanned(seen.matched)
