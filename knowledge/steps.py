"""Steps people can take, from least to most invasive, each with the cautions that come before it.

Kept as Python data, not TOML: it is needed at every start (DEVELOPERS.md, Decisions). Steps and cautions are
common practice of the trade; makers' manuals, local codes and licensed practice come first wherever they differ.
"""

from __future__ import annotations

from typing import Final

from msgspec import Struct

SOURCE: Final = "common practice; makers' manuals, local codes and licensed practice come first"

POWER_OFF: Final = "Shut the machine down and unplug it from the mains before opening it."
DISCHARGE: Final = "Unplugged, hold the power button for ten seconds to discharge it."
STATIC: Final = "Wear a grounded wrist strap or touch bare metal; hold cards by edges."
HOT: Final = "Cards, drives and heatsinks stay hot for minutes; let them cool first."
BACKUP: Final = "Back up every drive this touches, and check that the backup restores."
MANUAL: Final = "Follow the makers' manuals; warranty terms and local codes come first."
FIRMWARE: Final = (
    "A firmware update can brick a part or erase data: back up first, use stable power (no storm, no low battery), "
    "take the maker's file for the exact model and revision, follow the maker's procedure and never interrupt it. "
    "lanewright itself never writes firmware."
)
SETUP: Final = "Note the settings first; a wrong one can keep the machine from starting."
SAVE: Final = "Save open work and let copies finish; a restart ends every program."
START: Final = "Know how to start without a changed boot option: a wrong one can stop the system."
LICENSED: Final = "Never open a power supply; supplies and site wiring are for licensed people under local codes."

# What to say beside the rates of a stripe set (common practice).
STRIPE_CAUTION: Final = (
    "A stripe is lost whole with any one of its drives, and the firmware may not boot from it: keep a backup (common "
    "practice)."
)
COPIES_CAUTION: Final = (
    "Redundancy survives a failed drive, not a mistake, and the firmware may not boot from the set: keep a backup "
    "(common practice)."
)

# The same cautions in a few words, for repeating where they already stand in full on the same page.
SHORT: Final = {
    POWER_OFF: "power off and unplug",
    DISCHARGE: "discharge",
    STATIC: "anti-static care",
    HOT: "hot parts",
    BACKUP: "backup",
    MANUAL: "makers' manuals",
    FIRMWARE: "back up, stable power, exact model, maker's procedure, never interrupt",
    SETUP: "note the settings",
    SAVE: "save open work",
    START: "know how to start without the option",
    LICENSED: "never open a supply",
}

HANDS: Final = (POWER_OFF, DISCHARGE, STATIC, HOT, BACKUP, MANUAL)


class StepKind(Struct, frozen=True):
    """One kind of step. `rank` orders steps from least to most invasive; `hardware` says that hands go inside.

    `brief` is what to do, in an imperative of 60 characters or so without its end; `text` says how.

    All three texts may hold {subject}, {here}, {slot}, {rate}, {other}, {shows}, {load}, {counted}, {since},
    {register}, {read} (the first reading of the evidence), {setup}, {lower} (the speed one generation lower), {idle}
    (what of a set is not at work), {note} and {advice} (of a field note), filled in by the advisor.
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
            "Back up {subject} to another drive now",
            "Copy everything on {subject} to another drive before you do anything else, and check that the copy reads "
            "back.",
            "The copy is complete, and files opened from it are intact.",
        ),
        StepKind(
            "restart-and-read",
            0,
            "Restart and check again, as this reading may be old",
            "Restart the machine and check again before anything else: this system shows the {register} of {subject} as"
            " {since}, which may not be what the link does now.",
            "A restart brings a fresh reading. If it is the same, act on it.",
            (SAVE,),
        ),
        StepKind(
            "look-as-root",
            0,
            "Run sudo lanewright check",
            'Run sudo lanewright check, or sudo "$(command -v lanewright)" check where sudo does not find it: only root'
            " may read some of the registers. Nothing is written.",
            "The readings that only root gets are there, and the links that need them have a verdict.",
        ),
        StepKind(
            "look-from-host",
            1,
            "Run lanewright check on the host",
            "Run lanewright check on the host that passes {subject} through: only the host sees the port, and so what "
            "the slot can do.",
            "On the host the link of this card has a port at both ends and a verdict.",
        ),
        StepKind(
            "look-under-load",
            2,
            "Check again while {subject} is busy",
            "Check again while {subject} is busy, for instance copying a large file or rendering a scene.",
            "Under load {load}.",
        ),
        StepKind(
            "read-event-again",
            3,
            "Nothing needs doing now; look again after the next restart",
            "{read} is latched: once set it stays set until cleared, so the event may be long past. Nothing needs "
            "doing on this alone. Check again after the next restart.",
            "If the bit reads 0, the event is over. If it is set again, or the link has got worse, act on it.",
            (SAVE,),
        ),
        StepKind(
            "look-again",
            3,
            "Check again after a restart, then under load",
            "Check again after a restart, then once more under load, and compare the readings.",
            "If all three readings agree, act on them; if they differ, do not.",
            (SAVE,),
        ),
        StepKind(
            "look-later",
            3,
            "Check again in a minute",
            "Check again in a minute: a controller that is being set up, reset or removed stays so for seconds.",
            "The controller of {subject} is live. If it is in the same state again, act as on a dead one.",
        ),
        StepKind(
            "wake",
            3,
            "Wake {subject} by using it, and check again meanwhile",
            "Use {subject} so that it wakes up, and check again while it is in use.",
            "Once awake, the link shows a rate and gets a verdict.",
        ),
        StepKind(
            "check-sharing",
            4,
            "Look up in the board's manual what shares lanes with {here}",
            "Look up in the board's manual which slots share lanes with {here}, and see whether the firmware setup "
            "splits it.",
            "With its lanes to itself, the slot offers every lane it is wired for, and lanewright check shows them.",
        ),
        StepKind(
            "check-neighbour",
            4,
            "Look up whether the slot beside it halves {here}",
            "{beside}. Many boards give half of a slot's lanes to the slot beside it once that is filled (common "
            "practice). Look up in the board's manual whether {here} then drops to the lanes of this link.",
            "If the manual says so, there is no fault: all lanes come back once the slot beside it is empty. If not, "
            "go on.",
        ),
        StepKind(
            "plan-places",
            23,
            "Let lanewright plan look for a better place",
            "No better slot is free. Let lanewright plan try every place for every card, on a build sheet that"
            " lanewright plan --sheet-from CAPTURE makes of a capture of this machine. If it finds none either, only a"
            " board with a better slot brings more; nothing is broken.",
            "The plan names a better arrangement, or says that there is none.",
        ),
        StepKind(
            "spread-drives",
            23,
            "Plan busy drives onto links of their own, with lanewright plan",
            "If the drives behind {subject} work at the same time, let lanewright plan find places of their own for the"
            " busiest, or a faster slot for their carrier. One drive alone already has the whole shared link; if they"
            " never work at once, nothing needs doing.",
            "Moved as planned, lanewright check shows more MB/s for them with all drives at once.",
        ),
        StepKind(
            "see-driver",
            4,
            "Find out why no driver has {subject}",
            "Look up {subject} in the system's log: no driver loaded, a driver that gave up, or a drive reserved for a"
            " virtual machine on purpose. In the last case nothing needs doing.",
            "The system lists the drive, or you know why it should not.",
        ),
        StepKind(
            "see-log",
            4,
            "Look in the system's log why the driver did not bring up {subject}",
            "Look in the system's log of this start why the driver did not bring up {subject}: a controller that did"
            " not become ready, a command that was not answered, or a reset that failed.",
            "The log names the reason, or after a full power-off and start the system lists the drive.",
        ),
        StepKind(
            "find-member",
            4,
            "Find out which drive of {subject} is missing{idle}",
            "Find out which drive of {subject} is missing{idle}. Compare its active members with the drives that are"
            " fitted, and look at any drive or slot that lanewright check reports as silent.",
            "The missing drive, its slot and its serial number are known.",
        ),
        StepKind(
            "follow-note",
            5,
            "Do what field note {note} says",
            "{advice}",
            "What the field note describes does not happen again.",
        ),
        StepKind(
            "count-drives",
            4,
            "Count the drives on the carrier in {slot}",
            "Count the drives on the carrier in {slot} from its order, the maker's sheet or a photo, before touching "
            "anything.",
            "{counted}",
        ),
        StepKind(
            "check-sheet",
            4,
            "Find out which is right, the sheet or the machine",
            "Find out from the order and the work notes which is right, the sheet or the machine. If it is the "
            "machine, correct the sheet.",
            "Checked against the corrected sheet, the machine no longer differs here.",
        ),
        StepKind(
            "plan-anew",
            4,
            "Run lanewright plan with the sheet",
            "Run lanewright plan with the sheet: it says where each part must go to meet this need, or why none can.",
            "Once fitted as planned, lanewright check --against no longer reports this need.",
        ),
        StepKind(
            "find-power-loss",
            5,
            "Find out why {subject} loses power",
            "Find out why {subject} loses power without warning: a machine switched off hard, mains failures or a "
            "loose connector.",
            "The count of unsafe shutdowns no longer rises.",
        ),
        StepKind(
            "have-ready",
            6,
            "Get a spare at least as large as {subject}",
            "Get a spare drive at least as large as {subject}, to take its place.",
            "The spare is there and fits the slot.",
        ),
        StepKind(
            "power-cycle",
            8,
            "Save what other drives hold, shut down fully, and start again",
            "Save open work, and back up what the other drives hold. Then shut the machine down, leave it without power"
            " for half a minute, and start it: a restart alone may leave {subject} under power, and so as it is (common"
            " practice).",
            "After the start {shows}. If it stops again, go on with the next step.",
            (SAVE,),
        ),
        StepKind(
            "fit-part",
            9,
            "See whether {subject} is fitted; fit it if not",
            "See whether {subject} is fitted at all, and fit it if it is not. If it is, see that it sits in its"
            " connector all the way and straight.",
            "After the next start {shows}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "close-latch",
            10,
            "Close the retention latch of {slot}",
            "Close the retention latch of {slot}.",
            "The latch reads closed, and the card shows up in lanewright check.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "cool",
            11,
            "Improve the airflow over {subject}",
            "Improve the airflow over {subject}: clear the intake, refit its heatsink and thermal pad, or move it away "
            "from a hot card.",
            "Under the same load the drive stays well below its warning limit.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "reseat",
            12,
            "Reseat {subject}",
            "Take out {subject} and push it back in straight until fully seated, then fasten its bracket or screw.",
            "After the next start {shows}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "reseat-drive",
            12,
            "Reseat {subject}",
            "Take out {subject} and fit it again: fully seated in the connector, flat, and held by its screw or clip.",
            "After the next start {shows}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "clean",
            13,
            "Clean the contacts of card and slot",
            "Clean the card's edge contacts with a lint-free cloth and contact cleaner, and blow the dust out of the "
            "slot.",
            "After the next start {shows}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "remove-riser",
            14,
            "Take out any riser or extension cable",
            "If the card sits on a riser or extension cable, plug it straight into the board, or try another riser.",
            "If the riser was at fault, without it {shows}; replace the riser.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "check-supply",
            15,
            "Check the card's power cables and the power supply",
            "Check that every power cable the card needs is plugged in, and that the power supply is strong enough for "
            "all cards.",
            "After the next start {shows}.",
            (*HANDS, LICENSED),
            hardware=True,
        ),
        StepKind(
            "move",
            20,
            "Move {subject} to {slot}, which is free (see the board's manual for lanes it takes)",
            "Move {subject} to {slot}, which is free. First look up in the board's manual whether filling that slot "
            "takes lanes from another.{other}",
            "After the next start lanewright check shows {rate} in {slot}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "make-room",
            20,
            "Take {subject} out of {here}",
            "Take {subject} out of {here}: the sheet gives it no place, and this one is needed.",
            "{here} is empty.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "lay-aside",
            20,
            "Take {subject} out of {here} and set it aside",
            "Take {subject} out of {here}, label it, and set it aside in an anti-static bag.",
            "Its place is empty, and the part set aside is the one named here.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "fit-as-planned",
            20,
            "Fit {subject} into {slot}",
            "Fit {subject}, which was set aside, into {slot}, where the sheet has it.",
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
            "Try the card in another slot of the same kind: a fault that follows the card is the card's, one that "
            "stays is the slot's.",
            "Run lanewright check with the card in the other slot, and compare.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "try-drive-elsewhere",
            22,
            "Try {subject} in another bay or socket",
            "Try {subject} in another bay or socket of the same kind, and a working drive in its place: a fault that"
            " follows the drive is the drive's, one that stays is that of the bay or socket.",
            "Run lanewright check after each start. Note which drive was where, and put them back.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "enable-slot",
            30,
            "Switch {slot} on in the firmware setup",
            "{setup}, check whether {slot} is disabled or reserved, and enable it.",
            "After the next start the card in {slot} shows up in lanewright check.",
            (SETUP, MANUAL),
        ),
        StepKind(
            "enable-socket",
            30,
            "Switch {slot} on in the firmware setup",
            "{setup}, check whether {slot} is disabled, set to another kind of drive, or lends its lanes to another"
            " slot, and enable it.",
            "After the next start the drive in {slot} shows up in lanewright check.",
            (SETUP, MANUAL),
        ),
        StepKind(
            "set-speed",
            31,
            "Set {slot} to automatic speed in the firmware setup",
            "{setup}, set the link speed of {slot} to automatic, or to the highest on offer.",
            "After the next start {shows}. If it drops again, treat it as a slow link.",
            (SETUP, MANUAL),
        ),
        StepKind(
            "lower-speed",
            31,
            "Set {here} one generation lower in the firmware setup",
            "{setup}, set the link speed of {here} to {lower}, one generation lower. Many risers and cables that fail "
            "at the higher speed run at this one without errors (common practice).",
            "After the next start the link stays at {lower}, and lanewright check --settle 60 counts no new errors.",
            (SETUP, MANUAL),
        ),
        StepKind(
            "set-split",
            32,
            "Split {slot} into x4 groups (bifurcation)",
            "{setup}, set the bifurcation of {slot} so that its lanes are split into groups of four.",
            "After the next start every drive of the carrier shows up, at {rate}.",
            (SETUP, BACKUP, MANUAL),
        ),
        StepKind(
            "free-payload",
            33,
            "Remove boot options that set the payload by hand",
            "Look whether a boot option (pci=pcie_bus_...) sets the payload by hand, and remove it. If there is none,"
            " boot the kernel with pci=pcie_bus_safe, which sets the largest payload that every device on the path"
            " supports.",
            "After the next start lanewright check no longer reports small packets of {subject}.",
            (START,),
        ),
        StepKind(
            "set-payload",
            34,
            "Set a larger payload in the firmware setup",
            "{setup}, set a larger payload (Max Payload Size), where it is on offer.",
            "After the next start lanewright check no longer reports the payload size of {subject}.",
            (SETUP, MANUAL),
        ),
        StepKind(
            "match-payload",
            33,
            "Let the kernel match the payloads of card and port",
            "Remove boot options that set the payload by hand, or boot the kernel with pci=pcie_bus_safe, which sets "
            "card and port to a payload that both support.",
            "After the next start lanewright check no longer reports the payload of {subject}.",
            (START,),
        ),
        StepKind(
            "restore-member",
            38,
            "Put the drive back, or a spare, and rebuild {subject}",
            "Once the copy reads back, put the missing drive back or fit a spare at least as large, and have the system"
            " rebuild {subject} onto it by the system's own instructions. A rebuild reads all of every other member, so"
            " weak drives often fail during one (common practice).",
            "The rebuild has finished, and lanewright check no longer reports {subject}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "expect-firmware",
            39,
            "Ask whether the firmware in {slot} is intended",
            "Ask who selected {slot} for {subject}, and whether that was intended. If so, restart at a quiet time; if "
            "not, select the slot in use again, by the maker's procedure, before the next restart.",
            "After the next start the firmware on record is the intended one.",
            (FIRMWARE, SAVE),
        ),
        StepKind(
            "update-firmware",
            40,
            "Look up whether a newer firmware cures it",
            "Look up whether the maker of the machine, card or drive lists this fault in the release notes of a newer "
            "firmware.",
            "After the update {shows}, with the new version on record.",
            (FIRMWARE,),
        ),
        StepKind(
            "replace",
            50,
            "Replace the part that the steps above point to",
            "Replace the part that the steps above point to: riser, card or drive.",
            "After the next start {shows}.",
            HANDS,
            hardware=True,
        ),
        StepKind(
            "replace-drive",
            51,
            "Replace {subject}",
            "Replace {subject} with a drive at least as large, and restore its data from the copy.",
            "After the next start {shows}.",
            HANDS,
            hardware=True,
        ),
    )
}
# What a cure shows afterwards, and what a look under load does.
WELL: Final = "lanewright check no longer reports this drive"

BELOW_LIMIT: Final = "the drive should stay below its warning limit; if it does not, improve its airflow"

# What the count of a carrier's drives means: without a sheet, and where one tells how many there should be.
COUNTED_ANYHOW: Final = (
    "If there is one drive, nothing needs doing. If there are more than show up, split the slot as the next step says."
)

# How current a link's status is, where it is not read just now: the moment that it is of.
SINCE: Final = {
    "start-up": "it was at start-up, or when the device was plugged in",
    "refreshed": "it was when the link last trained or its port reported a change",
}

# Where settings are made, unless a platform says it otherwise: not every machine has a setup that its owner can enter.
USUAL_SETUP_PLACE: Final = "In the firmware setup"
# Steps that are in words of one system alone.
OF_ONE_SYSTEM: Final = {"free-payload": "linux", "match-payload": "linux", "look-as-root": "linux"}

# Steps that rules have in common.
CONTACT: Final = ("reseat", "clean", "remove-riser", "try-other-slot")

# By hand, in the order that a finding gives.
AS_PLANNED: Final = ("make-room", "lay-aside", "move-as-planned", "fit-as-planned")
