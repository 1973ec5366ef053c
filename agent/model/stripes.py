"""Stripe sets of the system: what each should reach as one, or why that cannot be told."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model import throughput
from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from agent.model.machine import Machine
    from agent.model.throughput import Flow, Hop
    from probes.facts import StripeSet

# The system's word for a level, and the number by which the throughput model knows it.
LEVELS: Final = {"raid0": 0, "raid1": 1, "raid5": 5, "raid10": 10}
COPIES: Final = 2  # of a RAID 10, as the model has it
# Sets that are not running. Source: Documentation/admin-guide/md.rst, array_state (Linux kernel).
RESTING_STATES: Final = frozenset({"clear", "inactive", "suspended", "broken"})


class StripeSeen(Struct, frozen=True, kw_only=True):
    """A stripe set with what it should reach, (low, high) in MB/s, alone and while all other drives work as well.

    Where no rate can be told, `why` says so and the rates are None. `raid` is None for what is no RAID of the model.
    `narrowest` is the key of the hop that decides while all drives are read, `narrowest_alone` that of the set alone.
    """

    stripe: StripeSet
    raid: int | None
    why: str = ""
    alone: tuple[float, float] | None = None
    together: tuple[float, float] | None = None
    alone_write: tuple[float, float] | None = None
    together_write: tuple[float, float] | None = None
    narrowest: str | None = None
    narrowest_alone: str | None = None
    copies_read: str = ""


def words(stripe: StripeSeen) -> str:
    """A set by its name and level: "md0 (RAID 0)"."""
    level = stripe.stripe.level
    known = f"RAID {stripe.raid}" if stripe.raid is not None else level if isinstance(level, str) and level else ""
    return f"{stripe.stripe.name} ({known})" if known else stripe.stripe.name


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
            alone=alone.span,
            together=together.span,
            alone_write=alone_write.span,
            together_write=together_write.span,
            narrowest=together.narrowest,
            narrowest_alone=alone.narrowest,
            copies_read=alone.copies_read,
        )


def _why_unknown(stripe: StripeSet, raid: int | None) -> str:
    """Why the set itself lets no rate be told, "" where it does."""
    lost = members_lost(stripe)
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
        return f"lanewright predicts none for sets of level {stripe.level}"
    reasons = (
        (
            raid == 10 and _copies(readable(stripe.layout)) != COPIES,  # noqa: PLR2004 - RAID 10
            "lanewright predicts one only for sets that hold two copies of each piece",
        ),
        (stripe.unplaced, f"the place of {', '.join(stripe.unplaced)} in it could not be read"),
        (lost, f"{lost} of its members {'is' if lost == 1 else 'are'} missing, and what is left works harder"),
    )
    return next((why for holds, why in reasons if holds), "")


def members_lost(stripe: StripeSet) -> int | Unread:
    """How many members a set that runs has lost, by the kernel's count, else by the places without a member at work."""
    if isinstance(stripe.missing, int) and stripe.missing:
        return stripe.missing
    if isinstance(stripe.missing, Unread) and (stripe.unplaced or isinstance(stripe.places, Unread)):
        return stripe.missing
    if isinstance(stripe.places, Unread):
        return 0 if stripe.missing == 0 else stripe.places
    return max(0, stripe.places - len(stripe.members) - len(stripe.unplaced))


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
