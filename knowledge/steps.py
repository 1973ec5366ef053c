"""Steps people can take, from least to most invasive, each with the cautions that come before it.

Kept as Python data, not TOML: it is needed at every start (DEVELOPERS.md, Decisions). Steps and cautions are
common practice of the trade; makers' manuals, local codes and licensed practice come first wherever they differ.
"""

from __future__ import annotations

from typing import Final

from msgspec import Struct

SOURCE: Final = "common practice; makers' manuals, local codes and licensed practice come first"

POWER_OFF: Final = "Shut the machine down and unplug it from the mains before opening it."
DISCHARGE: Final = "Hold the power button for ten seconds with the plug out, so that the supply discharges."
STATIC: Final = "Wear a grounded wrist strap or touch bare metal of the case first; hold cards by their edges."
HOT: Final = "Cards, drives and heatsinks stay hot for minutes: let them cool before touching them."
BACKUP: Final = "Have a backup of every drive that this touches, and know that it restores."
MANUAL: Final = "Follow the makers' manuals of machine and card; warranty and local codes come first."
FIRMWARE: Final = (
    "Firmware updates can leave a part dead or erase data: back up first, use a stable supply (no storm, no low "
    "battery), take the"
    " file for the exact model and revision from its maker, follow the maker's procedure and never interrupt it."
    " lanewright itself never writes firmware."
)
SETUP: Final = "Note the present settings first; a wrong setting can keep the machine from starting."
SAVE: Final = "Save all open work and let running copies end first: a restart ends every program."
START: Final = "A wrong boot option can keep the system from starting: know how to start without it first."
LICENSED: Final = (
    "Never open a power supply; work on supplies and site wiring is for licensed people under local codes."
)

# What to say beside the rates of a stripe set (common practice).
STRIPE_CAUTION: Final = (
    "A stripe multiplies the risk of loss, as each of its drives takes all of it along, and the firmware may not start "
    "from it: keep a backup (common practice)."
)
COPIES_CAUTION: Final = (
    "A set outlives the loss of a drive, not a mistake, and the firmware may not start from it: keep a backup (common "
    "practice)."
)

# The same cautions in a few words, for repeating where they already stand in full on the same page.
SHORT: Final = {
    POWER_OFF: "power off and unplug",
    DISCHARGE: "discharge",
    STATIC: "anti-static care",
    HOT: "hot parts",
    BACKUP: "backup",
    MANUAL: "makers' manuals",
    FIRMWARE: "back up, stable supply, exact model, maker's procedure, never interrupt",
    SETUP: "note the present settings",
    SAVE: "save open work",
    START: "know how to start without the option",
    LICENSED: "supplies are for licensed people",
}

HANDS: Final = (POWER_OFF, DISCHARGE, STATIC, HOT, BACKUP, MANUAL)


class StepKind(Struct, frozen=True):
    """One kind of step. `rank` orders steps from least to most invasive; `hardware` says that hands go inside.

    `brief` is what to do, in an imperative of 60 characters or so without its end; `text` says how.

    All three texts may hold {subject}, {here}, {slot}, {rate}, {other}, {shows}, {load}, {counted}, {since},
    {register}, {read} (the first reading of the evidence), {setup}, {lower} (the speed one generation lower), {note}
    and {advice} (of a field note), filled in by the advisor.
    """

    action: str
    rank: int
    brief: str
    text: str
    verify: str
    cautions: tuple[str, ...] = ()
    hardware: bool = False
    source: str = SOURCE


STEPS: Final[dict[str, StepKind]] = {
    kind.action: kind
    for kind in (
        StepKind(
            "back-up",
            0,
            "Copy what is on {subject} to another drive now",
            "Copy what is on {subject} to another drive now, before anything else, and see that the copy reads back.",
            "The copy is whole, and files opened from it are as they should be.",
        ),
        StepKind(
            "restart-and-read",
            0,
            "Restart the machine and check again",
            "Restart the machine and read again before anything else: this system gives the {register} of {subject} as"
            " {since}, so it need not be what the link does now.",
            "The status is new after a restart. If the reading is the same then, it is worth acting on.",
            (SAVE,),
        ),
        StepKind(
            "look-as-root",
            0,
            "Run sudo lanewright check",
            'Run sudo lanewright check, or sudo "$(command -v lanewright)" check where sudo does not find it: some'
            " readings are given to root only. Nothing is written.",
            "The readings that only root gets are there, and links that need them have a verdict.",
        ),
        StepKind(
            "look-from-host",
            1,
            "Run lanewright check on the host",
            "Read the host that passes {subject} through: only there is the port visible, and with it what the slot "
            "can do.",
            "Run lanewright check on the host and compare the link of this card.",
        ),
        StepKind(
            "look-under-load",
            2,
            "Check again while {subject} works hard",
            "Read again while {subject} works hard, for instance while a large file is copied or a scene is drawn.",
            "Under load {load}.",
        ),
        StepKind(
            "read-event-again",
            3,
            "Check again after the next restart",
            "{read} is latched: it stays set from the event until it is cleared, and tells no time. By itself it calls "
            "for no hands. Read again after the next restart.",
            "The bit reads 0 then, and the event is over. Set again, or with a link that is no longer as it should be, "
            "it is worth acting on.",
        ),
        StepKind(
            "look-again",
            3,
            "Check again after a restart, then under load",
            "Read again after a restart, then once more under load, and compare.",
            "The same reading three times is worth acting on; a reading that changes is not.",
        ),
        StepKind(
            "wake",
            3,
            "Put {subject} to use and check again meanwhile",
            "Put {subject} to use, so that it wakes, and read again while it is in use.",
            "Awake, the link shows a rate and gets a verdict.",
        ),
        StepKind(
            "check-sharing",
            4,
            "See in the board's manual what shares lanes with {here}",
            "See in the board's manual which slots share lanes with {here}, and whether the firmware setup splits it.",
            "With its lanes to itself the slot offers all that are wired, and lanewright check shows them.",
        ),
        StepKind(
            "check-neighbour",
            4,
            "See in the board's manual whether a neighbour halves {here}",
            "{beside}. Many boards give half of a slot's lanes to its neighbour while that is filled (common "
            "practice): see in the board's manual whether {here} then has as few lanes as this link.",
            "If the manual says so, this is no fault, and all lanes come back when the neighbour is empty; if not, "
            "go on.",
        ),
        StepKind(
            "plan-places",
            4,
            "Let lanewright plan look for a better place",
            "No better slot is free. Let lanewright plan try every place for every card, on a build sheet that"
            " lanewright plan --sheet-from CAPTURE makes of a capture of this machine. If it finds none either, only a"
            " board with a better slot brings more; nothing is broken.",
            "The plan names a better arrangement, or says that there is none.",
        ),
        StepKind(
            "spread-drives",
            4,
            "Plan busy drives onto links of their own, with lanewright plan",
            "Where the drives behind {subject} work at the same time, let lanewright plan find places of their own for"
            " the busiest of them, or a faster slot for their carrier. One drive alone has all of the shared link"
            " already; where they never work at once, nothing is to be done.",
            "Moved as planned, lanewright check shows more MB/s for them with all drives at once.",
        ),
        StepKind(
            "see-driver",
            4,
            "See why no driver has {subject}",
            "See in the system's log what it says of {subject}: no driver loaded, a driver that gave up, or a drive set"
            " aside for a virtual machine on purpose. In the last case nothing is to be done.",
            "The system lists the drive, or it is known why it should not.",
        ),
        StepKind(
            "find-member",
            4,
            "Find out which drive of {subject} is missing",
            "See which drive of {subject} is missing: hold the members at work against the drives that are fitted, and"
            " look first at what lanewright check says of a drive or slot that does not answer.",
            "The missing drive, its slot and its serial number are known.",
        ),
        StepKind(
            "follow-note",
            5,
            "Do what field note {note} says",
            "{advice}",
            "What the field note has seen does not come up again.",
        ),
        StepKind(
            "count-drives",
            4,
            "Count the drives on the carrier in {slot}",
            "Count the drives on the carrier in {slot} (maker's sheet, order, or a photo) before touching anything.",
            "{counted}",
        ),
        StepKind(
            "check-sheet",
            4,
            "See which is right, the sheet or the machine",
            "See from the order and the work notes which is as it is meant to be, the sheet or the machine. If it is"
            " the machine, mend the sheet.",
            "Held against the mended sheet, the machine is no longer said to differ here.",
        ),
        StepKind(
            "plan-anew",
            4,
            "Run lanewright plan with the sheet",
            "Run lanewright plan with the sheet: it says where parts must go for this need, or why it cannot be met.",
            "Fitted as planned, lanewright check --against no longer says that the need is broken.",
        ),
        StepKind(
            "find-power-loss",
            5,
            "Find out why {subject} loses power",
            "See why {subject} loses power without notice: a machine that is switched off hard, mains that fail, a"
            " loose contact.",
            "The count of unsafe shutdowns no longer rises with the starts.",
        ),
        StepKind(
            "have-ready",
            6,
            "Have a spare of the size of {subject} ready",
            "Have a drive of at least the size of {subject} ready to take its place.",
            "It lies ready, and its model suits the slot.",
        ),
        StepKind(
            "close-latch",
            10,
            "Close the retention latch of {slot}",
            "Close the retention latch of {slot}.",
            "The slot's latch reads closed and the card answers.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "cool",
            11,
            "Give {subject} moving air",
            "Give {subject} moving air: clear its intake, refit its heatsink and pad, keep it away from a hot "
            "neighbour.",
            "Under the same load the drive stays well below its warning limit.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "reseat",
            12,
            "Reseat {subject}",
            "Take {subject} out and seat it again, straight and fully home, and fasten its bracket or screw.",
            "After the next start {shows}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "reseat-drive",
            12,
            "Reseat {subject}",
            "Take {subject} out and seat it again: fully in the connector, flat, and held by screw or clip.",
            "After the next start {shows}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "clean",
            13,
            "Clean the contacts of card and slot",
            "Clean the card's edge contacts with a lint-free cloth and contact cleaner, and blow dust out of the slot.",
            "After the next start {shows}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "remove-riser",
            14,
            "Take a riser or an extension out of the way",
            "If the card sits on a riser or an extension, fit it straight into the board, or fit another riser.",
            "If the fault goes with the riser, replace the riser; without it {shows}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "check-supply",
            15,
            "Check the card's supply cables and the supply",
            "Check that every supply cable the card needs is fitted and that the supply is strong enough for all "
            "cards.",
            "After the next start {shows}.",
            (*HANDS, LICENSED),
            hardware=True,
        ),
        StepKind(
            "move",
            20,
            "Move {subject} to {slot}, which is free",
            "Move {subject} to {slot}, which is free. See in the board's manual first whether filling that slot takes"
            " lanes from another one.{other}",
            "After the next start lanewright check shows {rate} in {slot}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "make-room",
            20,
            "Take {subject} out of {here}",
            "Take {subject} out of {here}: the sheet has it in no place, and this one is needed.",
            "{here} is empty.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "lay-aside",
            20,
            "Take {subject} out of {here} and lay it aside",
            "Take {subject} out of {here} and lay it aside, labelled and safe from static.",
            "Its place is empty, and what lies aside is the part that is named here.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "fit-as-planned",
            20,
            "Fit {subject} into {slot}",
            "Fit {subject}, which lies aside, into {slot}, where the sheet has it.",
            "After the next start lanewright check --against finds it in {slot}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "move-as-planned",
            20,
            "Move {subject} from {here} to {slot}",
            "Move {subject} from {here} to {slot}, where the sheet has it.",
            "After the next start lanewright check --against finds it in {slot}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "swap",
            21,
            "Swap {subject} with the card in {slot}",
            "Swap {subject} with the card in {slot} ({other}).",
            "After the next start lanewright check shows {rate} in {slot}, and the other card as before.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "try-other-slot",
            22,
            "Try the card in another slot of its kind",
            "Try the card in another slot of the same kind: if the fault stays with the card it is the card, else "
            "the slot.",
            "lanewright check in the other slot; compare with this one.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "try-drive-elsewhere",
            22,
            "Try {subject} in another bay or socket",
            "Try {subject} in another bay or socket of the kind, and a drive that answers in its place: a fault that"
            " goes with the drive is the drive's, one that stays is the place's.",
            "lanewright check after each start; note which drive was where, and put them back.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "enable-slot",
            30,
            "Switch {slot} on in the firmware setup",
            "{setup}, see whether {slot} is switched off or reserved, and switch it on.",
            "After the next start the card in {slot} answers.",
            (SETUP, MANUAL),
        ),
        StepKind(
            "enable-socket",
            30,
            "Switch {slot} on in the firmware setup",
            "{setup}, see whether {slot} is switched off, set to another kind of drive, or gives its"
            " lanes to another slot, and switch it on.",
            "After the next start the drive in {slot} answers.",
            (SETUP, MANUAL),
        ),
        StepKind(
            "set-speed",
            31,
            "Set {slot} to automatic speed in the firmware setup",
            "{setup}, set the link speed of {slot} to automatic or to its highest value.",
            "After the next start {shows}. If it falls back again, treat it as a slow link.",
            (SETUP, MANUAL),
        ),
        StepKind(
            "lower-speed",
            31,
            "Set {here} one generation lower in the firmware setup",
            "{setup}, set the link speed of {here} to {lower}, one generation lower. Many a riser or cable that fails"
            " at the higher speed holds this one without errors (common practice).",
            "After the next start the link stays at {lower}, and lanewright check --settle 60 counts no new errors.",
            (SETUP, MANUAL),
        ),
        StepKind(
            "set-split",
            32,
            "Split {slot} into groups of four lanes (bifurcation)",
            "{setup}, split the lanes of {slot} into groups of four (often called bifurcation).",
            "After the next start every drive of the carrier answers with {rate}.",
            (SETUP, BACKUP, MANUAL),
        ),
        StepKind(
            "set-payload",
            33,
            "Set a larger payload in the firmware setup",
            "Ask the firmware setup for a larger payload, or start the kernel with pci=pcie_bus_safe, which sets the "
            "largest"
            " payload that every device on the path supports.",
            "After the next start lanewright check no longer names the payload size of {subject}.",
            (START, SETUP),
        ),
        StepKind(
            "match-payload",
            34,
            "Let the kernel match the payloads of card and port",
            "Take out boot options that set the payload by hand, or start the kernel with pci=pcie_bus_safe, which sets"
            " card and port to a payload that both support.",
            "After the next start lanewright check no longer names the payload of {subject}.",
            (START,),
        ),
        StepKind(
            "restore-member",
            38,
            "Put the drive back, or a spare, and rebuild {subject}",
            "Once the copy reads back, put the missing drive back or fit a spare of at least its size, and have the"
            " system rebuild {subject} onto it by the system's own instructions. A rebuild reads every other member"
            " whole, so weak drives often fail in it (common practice).",
            "The rebuild has ended, and lanewright check no longer names {subject}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "expect-firmware",
            39,
            "Ask whether the firmware in {slot} is meant",
            "Ask who chose {slot} for {subject}, and whether it is meant. If it is, restart at a quiet time; if not,"
            " have the slot in use chosen again, by the maker's procedure, before the next restart.",
            "After the next start the firmware on record is the one that is meant.",
            (FIRMWARE,),
        ),
        StepKind(
            "update-firmware",
            40,
            "See whether a newer firmware cures it",
            "See whether the makers of the machine, the card or the drive name this fault in the notes of a newer "
            "firmware.",
            "After the update {shows}, and the version on record is the new one.",
            (FIRMWARE,),
        ),
        StepKind(
            "replace",
            50,
            "Replace the part that the steps above singled out",
            "Replace the part that the steps above singled out: riser, card or drive.",
            "After the next start {shows}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "replace-drive",
            51,
            "Replace {subject}",
            "Replace {subject} with a drive of at least its size, and bring back from the copy what it held.",
            "After the next start {shows}.",
            HANDS,
            hardware=True,
        ),
    )
}
# What a cure shows afterwards, and what a look under load does.
WELL: Final = "lanewright check no longer names this drive"

BELOW_LIMIT: Final = "the drive should stay below its warning limit; where it does not, it needs air"

# What the count of a carrier's drives means: without a sheet, and where one tells how many there should be.
COUNTED_ANYHOW: Final = "One drive: nothing to do. More drives than answer: split the slot as described next."

# How current a link's status is, where it is not read just now: the moment that it is of.
SINCE: Final = {
    "start-up": "it was at start-up, or when the device was plugged in",
    "refreshed": "it was when the link last trained or its port told of a change",
}

# Where settings are made, unless a platform says it otherwise: not every machine has a setup that its owner can enter.
USUAL_SETUP_PLACE: Final = "In the firmware setup"
# Steps that are in words of one system alone.
OF_ONE_SYSTEM: Final = {"set-payload": "linux", "match-payload": "linux", "look-as-root": "linux"}

# Steps that rules have in common.
CONTACT: Final = ("reseat", "clean", "remove-riser", "try-other-slot")

# By hand, in the order that a finding gives.
AS_PLANNED: Final = ("make-room", "lay-aside", "move-as-planned", "fit-as-planned")
