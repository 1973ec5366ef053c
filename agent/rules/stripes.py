"""Stripe sets of the system: what each should reach as one, links that hold one back, members that are lost."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model import throughput
from agent.model.abilities import rate_text
from agent.model.findings import Evidence, Severity
from agent.model.throughput import Flow
from agent.rules.links import BELOW_BEST, subject
from agent.rules.rule import Found, Seen, StripeSeen, rule
from probes.unread import Unread, of, readable

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from agent.model.machine import Machine
    from agent.model.throughput import Hop, StripeShare
    from probes.facts import StripeSet

# The system's word for a level, and the number by which the throughput model knows it.
LEVELS: Final = {"raid0": 0, "raid1": 1, "raid5": 5, "raid10": 10}
COPIES: Final = 2  # of a RAID 10, as the model has it
LEAST_LOSS: Final = 0.001  # of what the members could give; less is a matter of rounding
# Sets that are not running. Source: Documentation/admin-guide/md.rst, array_state (Linux kernel).
RESTING_STATES: Final = frozenset({"clear", "inactive", "suspended", "broken"})


@rule(
    "stripe-held-back",
    Severity.NOTE,
    fires_on=("bench-1-stripe-set",),
    quiet_on=("bench-1-upgraded", "bench-1-switch-carrier", "bench-2-other-sets"),
)
def stripe_held_back(seen: Seen) -> Iterator[Found | Unread]:
    """The members of a stripe set share a link that carries less than they could give together.

    Nothing is broken. Members on links of their own, or a wider uplink, would make the set faster.
    """
    flows = {flow.name: flow for flow in seen.flows}
    for one in seen.stripes:
        key = one.narrowest_alone
        judged = seen.at(key) if key is not None else None
        members = [flows[name] for name in one.stripe.members if name in flows]
        sharing = [flow.name for flow in members if key in flow.hops]
        if one.alone is None or one.raid is None or judged is None or judged.now is None or len(sharing) < 2:  # noqa: PLR2004 - one alone shares nothing
            continue
        if judged.verdict in BELOW_BEST:
            continue  # a finding by itself, and no measure of how the carrier is built
        apart = [Flow(flow.name, flow.hops[:1], flow.limit_mbps, flow.write_limit_mbps) for flow in members]
        free = throughput.stripe(one.raid, apart, seen.hops)
        if one.alone[1] >= free.high * (1 - LEAST_LOSS):
            continue
        gives, could = _range(one.alone), _range((free.low, free.high))
        evidence = (
            Evidence(
                f"{judged.link.key} link rate now",
                f"{rate_text(judged.now)}, shared by {', '.join(sharing)}",
                f"room for all {len(sharing)}, or links of their own",
            ),
            Evidence(
                f"{one.stripe.name} over the own links of {', '.join(flow.name for flow in members)}",
                could,
                f"{gives} or less; the highest is {free.high / one.alone[1]:.1f} times as much",
            ),
        )
        headline = f"the set {words(one)} should read {gives} through it, where its members could give {could}"
        yield Found(subject(judged), headline, evidence, judged=judged)


def words(one: StripeSeen) -> str:
    """A set by its name and level: "md0 (RAID 0)"."""
    level = one.stripe.level
    known = f"RAID {one.raid}" if one.raid is not None else level if isinstance(level, str) and level else ""
    return f"{one.stripe.name} ({known})" if known else one.stripe.name


def _range(rates: tuple[float, float]) -> str:
    return f"{rates[0]:,.0f} to {rates[1]:,.0f} MB/s"


def stripe_sets(built: Machine, flows: tuple[Flow, ...], hops: Mapping[str, Hop]) -> Iterator[StripeSeen]:
    """Every stripe set of the system with what it should reach, or why that cannot be told."""
    by_name = {flow.name: flow for flow in flows}
    for stripe in built.facts.stripes:
        raid = None if isinstance(stripe.level, Unread) else LEVELS.get(stripe.level)
        why = _why_unknown(stripe, raid) or _why_not_ours(built, stripe, by_name)
        if why or raid is None:
            yield StripeSeen(stripe=stripe, raid=raid, why=why)
            continue
        members = tuple(by_name[name] for name in stripe.members)
        try:
            alone = throughput.stripe(raid, members, hops)
            together = throughput.stripe(raid, members, hops, "to_host", flows)
            alone_write = throughput.stripe(raid, members, hops, "to_drive")
            together_write = throughput.stripe(raid, members, hops, "to_drive", flows)
        except ValueError as error:  # too few members, an odd number of them, a drive twice
            yield StripeSeen(stripe=stripe, raid=raid, why=str(error))
            continue
        yield StripeSeen(
            stripe=stripe,
            raid=raid,
            alone=_ends(alone),
            together=_ends(together),
            alone_write=_ends(alone_write),
            together_write=_ends(together_write),
            narrowest=together.narrowest,
            narrowest_alone=alone.narrowest,
            copies_read=alone.copies_read,
        )


def _ends(share: StripeShare) -> tuple[float, float]:
    return share.low, share.high


def _why_unknown(stripe: StripeSet, raid: int | None) -> str:
    """Why the set itself lets no rate be told, "" where it does."""
    lost = _lost(stripe)
    for told, words in (
        (stripe.level, "its level"),
        (stripe.state, "whether it is running"),
        (stripe.layout, "its layout"),
        (lost, "whether it lacks a member"),
    ):
        if isinstance(told, Unread):
            return f"{words} could not be read"
    if not stripe.level or stripe.state in RESTING_STATES:
        return "it is not running"
    if raid is None:
        return f"sets of level {stripe.level} are not in the model"
    reasons = (
        (
            raid == 10 and _copies(readable(stripe.layout)) != COPIES,  # noqa: PLR2004 - RAID 10
            "only sets that hold two copies of each piece are in the model",
        ),
        (stripe.unplaced, f"the place of {', '.join(stripe.unplaced)} in it could not be read"),
        (lost, f"{lost} of its members {'is' if lost == 1 else 'are'} missing, and what is left works harder"),
    )
    return next((why for holds, why in reasons if holds), "")


def _lost(stripe: StripeSet) -> int | Unread:
    """How many members a set that runs has lost, by the kernel's count, else by the places without a member at work."""
    if isinstance(stripe.missing, int) and stripe.missing:
        return stripe.missing
    if isinstance(stripe.missing, Unread) and (stripe.unplaced or isinstance(stripe.places, Unread)):
        return stripe.missing
    if isinstance(stripe.places, Unread):
        return 0 if stripe.missing == 0 else stripe.places
    return max(0, stripe.places - len(stripe.members) - len(stripe.unplaced))


@rule(
    "stripe-degraded",
    Severity.FAULT,
    fires_on=("bench-2-other-sets",),
    quiet_on=("bench-1-upgraded", "bench-1-stripe-set"),
)
def stripe_degraded(seen: Seen) -> Iterator[Found | Unread]:
    """A set of software RAID runs without one of its members or more.

    What it holds is still there, and the next loss may take all of it along.
    """
    for one in seen.stripes:
        stripe = one.stripe
        lost = _lost(stripe)
        if not stripe.level or stripe.state in RESTING_STATES:
            continue
        silent = next((one for one in (stripe.level, stripe.state, lost) if isinstance(one, Unread)), None)
        if silent is not None:
            if lost != 0:
                yield of(f"whether {stripe.name} lacks a member", silent)
            continue
        if not lost:
            continue
        evidence = (Evidence(f"{stripe.name} md/degraded, md/raid_disks", *_members(stripe, lost)),)
        words = "one of its members is missing" if lost == 1 else f"{lost} of its members are missing"
        yield Found(stripe.name, f"{words}: the next loss may take all of its data along", evidence)


def _members(stripe: StripeSet, lost: int | Unread) -> tuple[str, str]:
    """What was read of the members of a set, and what is expected."""
    unplaced = f", and {', '.join(stripe.unplaced)} in a place that could not be read" if stripe.unplaced else ""
    if isinstance(stripe.places, Unread):
        return f"{lost} missing, {len(stripe.members)} at work{unplaced}", "0 missing"
    return (
        f"{lost} missing, {len(stripe.members)} at work of {stripe.places}{unplaced}",
        f"0 missing, {stripe.places} at work",
    )


def _why_not_ours(built: Machine, stripe: StripeSet, flows: Mapping[str, Flow]) -> str:
    """Why the members of a set say nothing of its rate: disks on a cable, or block devices that are no drive."""
    others = {drive.name for drive in built.facts.drives if drive.kind != "nvme"}.intersection(stripe.members)
    if others:
        return f"the interface of {', '.join(sorted(others))} decides, not PCI Express links"
    unknown = [block for block, name in zip(stripe.blocks, stripe.members, strict=True) if name not in flows]
    return f"nothing is known of the rate of {', '.join(unknown)}" if unknown else ""


def _copies(layout: int | None) -> int | None:
    """How many copies a raid10 set holds: near copies times far copies. Source: drivers/md/raid10.c setup_geo."""
    return None if layout is None else layout % 256 * (layout // 256 % 256)
