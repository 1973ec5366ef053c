"""Stripe sets of the system: what each should reach as one, links that hold one back, members that are lost."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model import throughput
from agent.model.abilities import rate_text
from agent.model.explained import Explained
from agent.model.findings import Evidence, Severity
from agent.model.stripes import RESTING_STATES, members_lost, words
from agent.model.throughput import Flow
from agent.rules.rule import Compared, Found, Rule
from knowledge.phrasing import listed
from probes.unread import Unread, of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.judged_machine import JudgedMachine
    from probes.facts import StripeSet

MOST_NAMES: Final = 5  # of block devices in a step
LEAST_LOSS: Final = 0.001  # of what the members could give; less is a matter of rounding


@Rule(
    id="stripe-held-back",
    severity=Severity.NOTE,
    title="The members of a stripe set share a link that carries less than they could give together",
    fires_on=("bench-1-stripe-set",),
    quiet_on=("bench-1-upgraded", "bench-1-switch-carrier", "bench-2-other-sets"),
    steps=("spread-drives",),
    compared=Compared(),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A set's members sit behind one link, and the set reaches less than it would over the members' own "
            "links. Nothing is broken. The set would be faster with its members on links of their own, or on a "
            "wider uplink."
        ),
        evidence=(
            "The members of the set as the system lists them, the link that at least two of them share, and "
            "what the set would reach over its members' own links."
        ),
        causes=(
            "A carrier whose packet switch has a narrower uplink than its drives together",
            "Members on the chipset's one link",
        ),
        cannot_tell="What the file system on top makes of it, and sets of levels that the model does not cover.",
        source=(
            "The throughput model; Patterson, Gibson and Katz, A Case for Redundant Arrays of Inexpensive Disks "
            "(SIGMOD 1988); Linux Documentation/admin-guide/md.rst."
        ),
        see_also=("uplink-shared", "stripe set", "measure"),
    ),
)
def _stripe_held_back(seen: JudgedMachine) -> Iterator[Found | Unread]:
    flows = {flow.name: flow for flow in seen.flows}
    for stripe in seen.stripes:
        key = stripe.narrowest_alone
        judged = seen.at(key) if key is not None else None
        members = [flows[name] for name in stripe.stripe.members if name in flows]
        sharing = [flow.name for flow in members if key in flow.hops]
        if stripe.alone is None or stripe.raid is None or judged is None or judged.now is None or len(sharing) < 2:  # noqa: PLR2004 - one alone shares nothing
            continue
        if judged.verdict.kind.below_best:
            continue  # a finding by itself, and no measure of how the carrier is built
        apart = [Flow(flow.name, flow.hops[:1], flow.limit_mbps, flow.write_limit_mbps) for flow in members]
        free = throughput.stripe(stripe.raid, apart, seen.hops)
        if stripe.alone[1] >= free.high * (1 - LEAST_LOSS):
            continue
        gives, could = _range(stripe.alone), _range(free.span)
        evidence = (
            Evidence(
                f"{judged.link.key} link rate now",
                f"{rate_text(judged.now)}, shared by {', '.join(sharing)}",
                f"room for all {len(sharing)}, or links of their own",
            ),
            Evidence(
                f"{stripe.stripe.name} over the own links of {', '.join(flow.name for flow in members)}",
                could,
                f"{gives} or less; the highest is {free.high / stripe.alone[1]:.1f} times as much",
            ),
        )
        headline = f"limits the set {words(stripe)} to {gives}; its members could give {could}"
        without = ("spread-drives",) if seen.sheet_moves(key) else ()
        yield Found(judged.subject, headline, evidence, judged=judged, without=without)


def _range(rates: tuple[float, float]) -> str:
    return f"{rates[0]:,.0f} to {rates[1]:,.0f} MB/s"


@Rule(
    id="stripe-degraded",
    severity=Severity.FAULT,
    title="A set of software RAID runs without one or more of its members",
    cause="a drive that failed or did not answer at start-up",
    data_at_risk=True,
    fires_on=("bench-2-other-sets",),
    quiet_on=("bench-1-upgraded", "bench-1-stripe-set"),
    steps=("back-up", "find-member", "restore-member"),
    compared=Compared(),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A set with redundancy is at work without all of its members. The data is still there, but losing "
            "one more drive may lose all of it."
        ),
        evidence=(
            "What the system counts as missing in the set (md/degraded), or the places of the set "
            "(md/raid_disks) less its active members."
        ),
        causes=(
            "A drive that failed, or that the system removed from the set after errors",
            "A drive that did not come up at the last start; check its link and slot",
            "A set created with a member missing",
        ),
        cannot_tell=(
            "Which drive is missing where it left no trace, and whether the set is being rebuilt onto another."
        ),
        source=(
            "Linux Documentation/admin-guide/md.rst; Patterson, Gibson and Katz, A Case for Redundant Arrays of "
            "Inexpensive Disks (SIGMOD 1988)."
        ),
        see_also=("stripe set", "back-up", "drive-not-serving"),
    ),
)
def _stripe_degraded(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for stripe_set in seen.stripes:
        stripe = stripe_set.stripe
        lost = members_lost(stripe)
        if not stripe.level or stripe.state in RESTING_STATES:
            continue
        silent = next((value for value in (stripe.level, stripe.state, lost) if isinstance(value, Unread)), None)
        if silent is not None:
            if lost != 0:
                yield of(f"whether {stripe.name} lacks a member", silent)
            continue
        if not lost:
            continue
        evidence = (Evidence(f"{stripe.name} md/degraded, md/raid_disks", *_members(stripe, lost)),)
        total = f"{stripe.places} " if isinstance(stripe.places, int) else ""
        missing = f"{'one' if lost == 1 else lost} of its {total}members"
        headline = f"runs without {missing}; losing one more drive may lose all of its data"
        yield Found(stripe.name, headline, evidence, idle=_idle(stripe))


def _idle(stripe: StripeSet) -> str:
    """What stands in a set and is not at work in it, as where to look first; "" where there is nothing."""
    if not stripe.idle:
        return ""
    return f"; look first at {listed(stripe.idle, most=MOST_NAMES)}, not active in it"


def _members(stripe: StripeSet, lost: int | Unread) -> tuple[str, str]:
    """What was read of the members of a set, and what is expected."""
    unplaced = f", and {', '.join(stripe.unplaced)} in a place that could not be read" if stripe.unplaced else ""
    if isinstance(stripe.places, Unread):
        return f"{lost} missing, {len(stripe.members)} at work{unplaced}", "0 missing"
    return (
        f"{lost} missing, {len(stripe.members)} at work of {stripe.places}{unplaced}",
        f"0 missing, {stripe.places} at work",
    )
