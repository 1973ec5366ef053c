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
        meaning="Where a slot is dark, that is the fault, and this only says what should be there.",
        evidence=(
            "The slot where the sheet has the part: what answers there and what its port says (Slot Status); or that "
            "no such slot was found."
        ),
        causes=(
            "A part that was not fitted after all",
            "One that is not seated",
            "A slot or socket switched off in the firmware setup",
            "A slot whose lanes another one takes while that is filled, as the sheet may say",
            "A dead part",
        ),
        cannot_tell=(
            "A carrier card without a switch never shows itself, only its drives do. Parts of which the sheet "
            "says too little, or whose reading failed, are listed as not read: they are neither missing nor in "
            "place."
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
            "Such a carrier shows a drive for each group of lanes that the firmware setup splits off, the first one "
            "always. Count the drives on it before anything else."
        ),
        evidence=(
            "How many of the carrier's drives answer, and the lanes of the port of its slot, by its Link "
            "Capabilities, against those of one drive."
        ),
        causes=(
            (
                "A slot that was not split in the firmware setup, or lost the setting in a firmware update or "
                "with an empty battery"
            ),
        ),
        cannot_tell=(
            "Whether the other drives are there; they are unseen, no more. Nor whether the firmware can split "
            "this slot."
        ),
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
            "A limit where its link there is what the sheet expects; a fault where it is less. Parts that have each "
            "other's places are told together, with what is to be done in order: a place must be free before a part "
            "goes in."
        ),
        evidence=(
            "For each part the place where it answers and the one on the sheet. A drive is known again by its serial "
            "number, else by place and model; a card by its place, else by its maker and model number."
        ),
        causes=(
            "Two parts that changed places while the machine was put together",
            "A change that nobody wrote down",
        ),
        cannot_tell=(
            "Two parts of one model without serial numbers cannot be told apart; either may then be called the other."
        ),
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
            "A drive on a split slot or behind a packet switch though the need forbids it, a card in another "
            "slot than needed, or a rate that even the upper end of the expected range misses. Nothing is said "
            "where a reading failed, and what only a link's own fault holds back is that link's finding."
        ),
        evidence=(
            "What the need asks for and what is fitted: the place of a part, a packet switch on its way, or the "
            "upper end of what it should reach alone. Links below their best for now, or by a fault, count at their "
            "best."
        ),
        causes=(
            "Parts in other places than planned",
            "A plan that was made for other parts",
            "A slot that is split since",
        ),
        cannot_tell=(
            "What a drive really delivers: the rates are those of the throughput model. A measurement settles it."
        ),
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
            "A limit where the part itself can do no more. A link below its own best is already a finding, and "
            "is one here only if its best would not be enough either."
        ),
        evidence="The rate of the link now and the one on the sheet, and which of its ends cannot do as much.",
        causes=(
            "A slot that shares its lanes with another one",
            "A speed or a split that is set in the firmware setup",
            "A sheet that promises too much",
        ),
        cannot_tell="Whether it was ever better: the sheet may have been written from a maker's page.",
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
            "No fault: the machine does better than the sheet says. But plans made with the sheet take this "
            "slot for poorer than it is, and may leave it empty for no reason."
        ),
        evidence=(
            "The lanes in use now; what is in the slots that are said to take lanes (an answering function, or Slot "
            "Status); the lanes_while of the slot on the sheet."
        ),
        causes=(
            "A sheet that names the wrong slot, or too few lanes",
            "A firmware setup that divides the lanes in another way",
        ),
        cannot_tell=(
            "What the board does with other parts in these slots; see its manual. Split slots are left out. "
            "Where it could not be read whether another slot is filled, the sheet's word is taken, and the "
            "finding says so."
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
        meaning="Less than 1 % below what the sheet expects is a matter of rounding, and passes.",
        evidence=(
            "The upper end of what each drive should reach, alone or with all at once, against the upper end on the "
            "sheet; then the link that decides, its payload, and how many drives cross it."
        ),
        causes=(
            "More drives behind one link than were planned",
            "Smaller packets than were reckoned with",
            "A link on the way that the sheet does not know of",
        ),
        cannot_tell="What the drives really do: nothing is measured here.",
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
        meaning="No fault where it was exchanged on purpose; then correct the sheet.",
        evidence=(
            "Maker and model number of a card, or model and serial number of a drive, as read and as on the sheet."
        ),
        causes=(
            "A part that was exchanged",
            "A sheet with a slip of the pen",
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
        meaning="Not a fault, but it may take lanes, power or air that the plan gave to others.",
        evidence="A card or drive that answers, and the sheet, in which nothing matches it.",
        causes=(
            "A part that came later",
            "A sheet that was made for the new parts alone",
        ),
        cannot_tell=(
            "What it is for. Devices on the board do not count. A part that may be one of the sheet's, but "
            "could not be told from it, is listed as not read."
        ),
        source="The build sheet, and the machine as read.",
        see_also=("check-sheet", "plan-other-part"),
    ),
)
def _plan_unplanned(seen: JudgedMachine) -> Iterator[Found | Unread]:
    if seen.matched is not None:
        from agent.rules.sheet_places import unplanned

        yield from unplanned(seen.matched)
