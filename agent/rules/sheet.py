"""Rules that hold the machine against a build sheet (`check --against`). Quiet where no sheet was given.

What a link by itself is already blamed for is not said again; several parts that lack for one reason are one finding.
What a rule finds is worked out in its own module, which is loaded only where there is a sheet.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.explained import Explained
from agent.model.findings import Severity
from agent.rules.rule import Compared, Found, Rule
from knowledge.steps import AS_PLANNED
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.judged_machine import JudgedMachine

BUILT: Final = ("bench-1-as-planned",)


@Rule(
    id="plan-part-missing",
    severity=Severity.FAULT,
    title="A card or drive of the build sheet answers nowhere in the machine",
    cause="not fitted, not fully seated, or slot switched off",
    fires_on=("bench-1-parts-missing",),
    quiet_on=(*BUILT, "bench-1-upgraded"),
    steps=(
        "check-sheet",
        "count-drives",
        "fit-part",
        "reseat",
        "reseat-drive",
        "clean",
        "try-other-slot",
        "try-drive-elsewhere",
        "enable-slot",
        "enable-socket",
        "set-split",
        "replace",
    ),
    shows="lanewright check --against finds it in its place",
    counted=(
        "As many as the sheet has: go on with the next step. Fewer: fit those that are missing, or correct the sheet."
    ),
    compared=Compared(),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A part stands on the sheet, and nothing in the machine answers as that part. Where the slot is "
            "dark, that is the fault; this only says what should be there."
        ),
        evidence=(
            "The slot where the sheet has the part: what shows up there and what its port says (Slot Status); "
            "or that no such slot was found."
        ),
        causes=(
            "A part that was not fitted after all",
            "One that is not seated",
            "A slot or socket switched off in the firmware setup",
            "A slot that loses its lanes to another while that is filled, as the sheet may say",
            "A dead part",
        ),
        cannot_tell=(
            "A carrier without a packet switch never shows up, only its drives do. Parts that the sheet does "
            "not describe well enough, and parts whose list, link, slot or number could not be read, are "
            "listed as not read: neither missing nor in place."
        ),
        source="The build sheet, and the machine as read.",
        see_also=("build sheet", "slot-dark", "check-sheet"),
    ),
)
def _plan_part_missing(seen: JudgedMachine) -> Iterator[Found | Unread]:
    if seen.matched is not None:
        from agent.rules.sheet_missing import parts_missing

        yield from parts_missing(seen.matched, seen.expected)
    elif seen.expected is not None:
        yield Unread(f"parts of {seen.expected.source}", "no PCI function of this machine could be listed")


@Rule(
    id="plan-drives-unsplit",
    severity=Severity.FAULT,
    title=(
        "Of the drives on a carrier without a switch only some answer, and their slot has lanes that are not split off"
    ),
    cause="slot not split in the firmware setup",
    fires_on=("bench-2-planned-unsplit",),
    quiet_on=(*BUILT, "bench-1-parts-missing", "bench-2-unsplit-slot"),
    steps=("count-drives", "set-split"),
    counted=(
        "As many as the sheet has: split the slot as described next. Only as many as answer: fit those that are "
        "missing, or correct the sheet."
    ),
    compared=Compared(),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A carrier shows fewer drives than the sheet has on it, in a slot that is still one wide link. A "
            "passive carrier shows one drive for each group of lanes that the firmware setup splits off, and "
            "always the first. Count its drives before anything else."
        ),
        evidence=(
            "How many of the carrier's drives answer, and the lanes of the port of its slot, by its Link "
            "Capabilities, against those of one drive."
        ),
        causes=(("A slot not split in the firmware setup, or reset by a firmware update or an empty battery"),),
        cannot_tell=("Whether the other drives are there, and whether the firmware can split this slot."),
        source=(
            "The build sheet; Link Capabilities Register of the port; that lanes must be split for such carriers is "
            "common practice."
        ),
        see_also=("split", "slot-unsplit", "set-split"),
    ),
)
def _plan_drives_unsplit(seen: JudgedMachine) -> Iterator[Found | Unread]:
    if seen.matched is not None:
        from agent.rules.sheet_missing import drives_unsplit

        yield from drives_unsplit(seen.matched)


@Rule(
    id="plan-other-place",
    severity=Severity.LIMIT,
    title="A card or drive is in another place than the build sheet has it",
    fires_on=("bench-1-misplaced",),
    quiet_on=(*BUILT, "bench-1-parts-missing"),
    steps=("check-sheet", *AS_PLANNED),
    compared=Compared(),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A part of the sheet answers, but not from the slot or bay that the sheet gives it. It is a limit "
            "where its link there is what the sheet expects, a fault where it is less. Parts in each other's "
            "places are reported together, with the moves in order: a place must be free before a part goes in."
        ),
        evidence=(
            "For each part, where it is and where the sheet has it. A drive is recognised by its serial "
            "number, else by place and model; a card by its place, else by its vendor and device numbers."
        ),
        causes=(
            "Two parts swapped while the machine was put together",
            "A change that nobody wrote down",
        ),
        cannot_tell=("Which is which of two parts of one model without serial numbers."),
        source="The build sheet, and the machine as read.",
        see_also=("move-as-planned", "check-sheet", "plan-need-broken"),
    ),
)
def _plan_other_place(seen: JudgedMachine) -> Iterator[Found | Unread]:
    if seen.matched is not None:
        from agent.rules.sheet_places import other_places

        yield from other_places(seen, seen.matched)


@Rule(
    id="plan-need-broken",
    severity=Severity.FAULT,
    title="A need of the build sheet is not met by what is fitted",
    cause="parts in other places than planned",
    fires_on=("bench-1-need-broken",),
    quiet_on=(*BUILT, "bench-1-misplaced", "bench-1-parts-missing"),
    steps=("check-sheet", "plan-anew", *AS_PLANNED),
    compared=Compared(),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A wish that the sheet states for its drives or cards does not come true in the machine as it is "
            "fitted. Such needs are broken by a drive on a split slot or behind a packet switch though the "
            "need forbids it, by a card in another slot than needed, or by a rate that even the upper end of "
            "the prediction misses. What only a faulty link holds back is reported with that link."
        ),
        evidence=(
            "What the need asks for and what is fitted: the place of a part, a packet switch on its way, or "
            "the upper end of what it should reach alone. Resting and faulty links count at their best."
        ),
        causes=(
            "Parts not where planned",
            "A plan made for other parts",
            "A slot split since then",
        ),
        cannot_tell=("What a drive really delivers: the rates are predictions. A measurement settles it."),
        source="The build sheet; rates by the throughput model (agent/model/throughput.py names its sources).",
        see_also=("plan-anew", "measure", "plan-other-place"),
    ),
)
def _plan_need_broken(seen: JudgedMachine) -> Iterator[Found | Unread]:
    if seen.matched is not None and seen.expected is not None and seen.expected.needs:
        from agent.rules.sheet_needs import needs_broken

        yield from needs_broken(seen, seen.matched)


@Rule(
    id="plan-link-below",
    severity=Severity.FAULT,
    title="A link is at its best and still below what the build sheet expects of it",
    cause="lanes shared with another slot, or a set speed",
    fires_on=("bench-2-below-plan",),
    quiet_on=(*BUILT, "bench-2-planned-unsplit"),
    steps=("check-sheet", "set-speed"),
    of_status=True,
    shows="lanewright check --against no longer names this link",
    compared=Compared(),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A link runs as well as its two ends can, and that is less than the sheet counts on. It is a limit "
            "where the part itself cannot do more. A link below its own best is reported for that already, and "
            "here only if its best would not be enough."
        ),
        evidence="The rate of the link now and the one on the sheet, and which of its ends cannot do as much.",
        causes=(
            "A slot that shares its lanes with another",
            "A speed or split set in the firmware setup",
            "A sheet that promises too much",
        ),
        cannot_tell="Whether it was ever better: the sheet may have been copied from a maker's page.",
        source="The build sheet; PCI Express Base Specification, Link Capabilities Register.",
        see_also=("check-sharing", "slot-limited", "check-sheet"),
    ),
)
def _plan_link_below(seen: JudgedMachine) -> Iterator[Found | Unread]:
    if seen.matched is not None:
        from agent.rules.sheet_rates import links_below

        yield from links_below(seen, seen.matched)


@Rule(
    id="plan-lanes-more",
    severity=Severity.NOTE,
    title="A link has more lanes than the build sheet leaves its slot beside what is filled",
    cause="a sheet with the wrong slot or too few lanes",
    fires_on=("bench-2-lanes-taken",),
    quiet_on=(*BUILT, "bench-2-below-plan"),
    steps=("check-sheet",),
    of_status=True,
    compared=Compared(),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A slot has more lanes in use than the sheet's table of shared lanes allows it now. Not a fault: "
            "the machine does better than the sheet says. But plans made with the sheet underrate this slot "
            "and may leave it empty for no reason."
        ),
        evidence=(
            "The lanes in use now; what is in the slots that should take lanes (a function, or Slot Status); "
            "the lanes_while of the slot on the sheet."
        ),
        causes=(
            "A sheet that names the wrong slot, or too few lanes",
            "A firmware setup that divides the lanes differently",
        ),
        cannot_tell=(
            "What the board does with other parts in these slots; see its manual. Split slots are not looked "
            "at. Where it could not be read whether another slot is filled, the sheet is believed, and the "
            "report says so."
        ),
        source="The build sheet; PCI Express Base Specification, Link Status Register, Negotiated Link Width.",
        see_also=("check-sheet", "plan-link-below", "link-narrow"),
    ),
)
def _plan_lanes_more(seen: JudgedMachine) -> Iterator[Found | Unread]:
    if seen.matched is not None and seen.expected is not None and seen.expected.lanes:
        from agent.rules.sheet_lanes import more_lanes

        yield from more_lanes(seen.matched, seen.expected)


@Rule(
    id="plan-rate-below",
    severity=Severity.LIMIT,
    title=("Drives in their places should reach less than the build sheet expects, though their links are as planned"),
    cause="more drives behind one link than were planned",
    fires_on=("bench-1-rate-below",),
    quiet_on=(*BUILT, "bench-2-below-plan"),
    steps=("check-sheet",),
    of_status=True,
    compared=Compared(),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A drive has its place and its link as planned, and the prediction for it is still lower than the "
            "sheet's. Less than 1 % below the sheet is rounding and is ignored."
        ),
        evidence=(
            "The upper end of what each drive should reach, alone or all at once, against the upper end on the "
            "sheet; then the link that limits it, its payload, and how many drives share it."
        ),
        causes=(
            "More drives behind one link than planned",
            "Smaller packets than assumed",
            "A link on the way that the sheet does not have",
        ),
        cannot_tell="What the drives really deliver: nothing is measured here.",
        source="The build sheet; the throughput model.",
        see_also=("uplink-shared", "payload-low", "measure"),
    ),
)
def _plan_rate_below(seen: JudgedMachine) -> Iterator[Found | Unread]:
    if seen.matched is not None:
        from agent.rules.sheet_rates import rates_below

        yield from rates_below(seen, seen.matched)


@Rule(
    id="plan-other-part",
    severity=Severity.NOTE,
    title="Another part than the build sheet names is in its place",
    cause="a part that was exchanged",
    fires_on=("bench-1-misplaced",),
    quiet_on=(*BUILT, "bench-2-below-plan"),
    steps=("check-sheet",),
    compared=Compared(),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A place of the sheet is filled, by a part that gives another model or serial number. Not a fault "
            "if it was replaced on purpose; then put the new part on the sheet."
        ),
        evidence=(
            "Maker and model number of a card, or model and serial number of a drive, as read and as on the sheet."
        ),
        causes=(
            "A part that was replaced",
            "A typing error in the sheet",
        ),
        cannot_tell="Whether the other part is as good.",
        source="The build sheet, and the numbers that the parts give.",
        see_also=("check-sheet", "plan-unplanned"),
    ),
)
def _plan_other_part(seen: JudgedMachine) -> Iterator[Found | Unread]:
    if seen.matched is not None:
        from agent.rules.sheet_places import other_parts

        yield from other_parts(seen.matched)


@Rule(
    id="plan-unplanned",
    severity=Severity.NOTE,
    title="A card or drive is fitted that the build sheet does not have",
    fires_on=("bench-1-misplaced", "bench-1-rate-below"),
    quiet_on=(*BUILT, "bench-1-parts-missing"),
    steps=("check-sheet",),
    compared=Compared(),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A part answers that stands nowhere on the sheet. Not a fault, but it may take lanes, power or air "
            "that the plan gave to other parts."
        ),
        evidence="A card or drive that answers, and the sheet, in which nothing matches it.",
        causes=(
            "A part added later",
            "A sheet that lists only the new parts",
        ),
        cannot_tell=(
            "What it is for. Devices of the board itself do not count. A part that could be one of the sheet's "
            "is listed as not read."
        ),
        source="The build sheet, and the machine as read.",
        see_also=("check-sheet", "plan-other-part"),
    ),
)
def _plan_unplanned(seen: JudgedMachine) -> Iterator[Found | Unread]:
    if seen.matched is not None:
        from agent.rules.sheet_places import unplanned

        yield from unplanned(seen.matched)
