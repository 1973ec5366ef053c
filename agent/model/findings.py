"""The words of judgement: severities, verdicts, evidence, findings, steps. Data only; nothing is decided here."""

from __future__ import annotations

import enum
from typing import Final

from msgspec import Struct

from agent.model.explained import Explained


class Severity(enum.StrEnum):
    """How much a finding asks of the reader, worst first (`rank` 0 is the worst)."""

    FAULT = "fault"
    LIMIT = "limit"
    NOTE = "note"
    UNKNOWN = "unknown"
    OK = "ok"

    @property
    def rank(self) -> int:
        """Place in the order worst to best."""
        return _RANK[self]


_RANK = {severity: place for place, severity in enumerate(Severity)}


class Verdict(enum.StrEnum):
    """What became of one link; severities are in `VERDICTS`."""

    NARROW = "narrow"
    SLOW = "slow"
    DARK = "dark"
    SLOT_LIMITED = "slot-limited"
    SET_SLOW = "set-slow"
    RESTING = "resting"
    UNKNOWN = "unknown"
    FULL = "full"
    VIRTUAL = "virtual"
    EMPTY = "empty"

    @property
    def kind(self) -> VerdictKind:
        """All that is to be said of it."""
        return VERDICTS[self]

    @property
    def severity(self) -> Severity:
        """The severity that goes with the verdict."""
        return self.kind.severity

    @property
    def meaning(self) -> str:
        """One sentence for people."""
        return self.kind.meaning


class VerdictKind(Struct, frozen=True, kw_only=True):
    """All that is to be said of a verdict; a field that is missing is a TypeError that names it.

    `meaning` is one sentence for people. `at_best` tells that the link runs at the best that both of its ends can do,
    `card_at_best` that its card gets all that it can use; `open_words` say why neither is known yet, "" where it is
    told. `below_best` tells that another look could show more, `of_speed` that it
    says why a speed is low, `calm` that there is nothing to mend, `trained` that the link runs as it was trained.
    """

    severity: Severity
    meaning: str
    at_best: bool
    card_at_best: bool
    explained: Explained
    open_words: str = ""
    below_best: bool = False
    of_speed: bool = False
    calm: bool = False
    trained: bool = False


VERDICTS: Final = {
    Verdict.NARROW: VerdictKind(
        severity=Severity.FAULT,
        at_best=False,
        card_at_best=False,
        meaning="runs with fewer lanes than card and slot both have",
        below_best=True,
        trained=True,
        explained=Explained(
            meaning=(
                "Four of eight lanes carry half the rate. A link short of both lanes and speed is narrow too, "
                "with the speed in its evidence. Unlike a low speed, a low width is hardly ever power saving, "
                "so this is a fault at once."
            ),
            evidence=(
                "Negotiated Link Width of both ends, from the Link Status Register and from the attributes of the "
                "system, against Maximum Link Width in the Link Capabilities of both. Of several looks the last one "
                "counts, or the fewest lanes where they come and go."
            ),
            causes=(
                "A card that is not fully seated, or pulled askew by its bracket",
                "Dirty or worn contacts of the card or the slot",
                "A riser, an extension or a cable with a bad lane",
                "A bent pin below the processor, or a cracked joint on the board",
            ),
            cannot_tell=(
                "Which part is to blame: change riser, slot and card one at a time to see. Nor whether all "
                "lanes of the port are wired to the slot, where the firmware does not describe it."
            ),
            source=(
                "PCI Express Base Specification, Link Capabilities and Link Status Registers; the causes are common "
                "practice."
            ),
            see_also=("link-narrow", "lane-errors", "best", "slow"),
        ),
    ),
    Verdict.SLOW: VerdictKind(
        severity=Severity.FAULT,
        at_best=False,
        card_at_best=False,
        meaning="runs slower than card and slot both can, and nothing explains it",
        below_best=True,
        of_speed=True,
        trained=True,
        explained=Explained(
            meaning=(
                "All lanes work, but the speed is below what both ends can do, and none of the harmless "
                "reasons applies: no target speed set, no sign of power saving, no faster reading in another look."
            ),
            evidence=(
                "Current Link Speed of both ends against the speeds in the Link Capabilities of both; the port's "
                "Target Link Speed (Link Control 2); the autonomous and management bandwidth bits of its Link Status; "
                "the card's power state and class."
            ),
            causes=(
                "A riser, extension or cable that cannot carry the speed",
                "A poor contact that works at a low speed and fails at a high one",
                "Equalization that failed: the ends could not tune their signals to each other",
                "A card or board whose firmware has trouble with the other",
            ),
            cannot_tell=(
                "Whether the speed rises under load, where a card saves power without showing it; so the first "
                "step is a check while it is busy. Where a reading that might explain the speed failed, the "
                "verdict is unknown, not slow."
            ),
            source=(
                "PCI Express Base Specification, Link Status, Link Control 2 and Link Status 2 Registers; the causes "
                "are common practice."
            ),
            see_also=("link-slow", "resting", "set-slow", "equalization-failed"),
        ),
    ),
    Verdict.DARK: VerdictKind(
        severity=Severity.FAULT,
        at_best=False,
        card_at_best=False,
        meaning="detects a card that does not answer",
        explained=Explained(
            meaning=(
                "The slot detects a card, but the card does not answer. Often it is dead or not fully seated, "
                "or the slot is disabled; what the port itself says stands in the evidence."
            ),
            evidence=(
                "Presence Detect State of the Slot Status Register, or the hot-plug driver's word where registers "
                "cannot be read; then Link Disable (Link Control), the slot's power (Slot Control), and the training "
                "bits of the port (Link Status)."
            ),
            causes=(
                "A card seated far enough to be detected, but not to work",
                "A slot or its power switched off, in the firmware setup or by a hot-plug controller",
                "A card without its power cable",
                "A dead card, slot or riser",
            ),
            cannot_tell=(
                "What the card is: nothing of it can be read. Slots without presence detect are never dark, "
                "only empty. Where the system lists a function whose place could not be read, it may be this "
                "card, and the verdict is unknown."
            ),
            source=(
                "PCI Express Base Specification, Slot Status and Link Control Registers; the causes are common "
                "practice."
            ),
            see_also=("slot-dark", "empty", "presence"),
        ),
    ),
    Verdict.SLOT_LIMITED: VerdictKind(
        severity=Severity.LIMIT,
        at_best=True,
        card_at_best=False,
        meaning="runs at the best of this slot; the card could do more in a better one",
        calm=True,
        trained=True,
        explained=Explained(
            meaning=(
                "The link does all this slot can do, and the card could do more. The machine is built or "
                "filled that way; it is not a fault. Moving the card pays only if a better slot is free, or "
                "can be freed, and the drives behind it would gain."
            ),
            evidence=(
                "The rate now (Link Status), equal to the best of both ends, and below what the card's own Link "
                "Capabilities name."
            ),
            causes=(
                "A slot wired with fewer lanes than its connector has",
                "A slot of an older generation than the card",
                "A slot that gives lanes to the slot beside it, or is split",
            ),
            cannot_tell=(
                "Whether you would notice: a card may never need its full link. Nor how many lanes are wired, "
                "where the firmware does not say."
            ),
            source=(
                "PCI Express Base Specification, Link Capabilities Register; System Management BIOS, System Slots "
                "(type 9) for lanes wired."
            ),
            see_also=("slot-swap", "move", "best"),
        ),
    ),
    Verdict.SET_SLOW: VerdictKind(
        severity=Severity.LIMIT,
        at_best=False,
        card_at_best=False,
        meaning="runs at a lower speed because the port's Target Link Speed is set there",
        below_best=True,
        of_speed=True,
        trained=True,
        explained=Explained(
            meaning=(
                "The port is told to go no faster. Somebody may have set the speed in the firmware setup, for "
                "a long riser for instance, or the system lowered it after the link failed to train and never "
                "raised it again."
            ),
            evidence=(
                "The port's Target Link Speed (Link Control 2 Register), equal to the speed now (Link Status) and "
                "below the best by the Link Capabilities of both ends."
            ),
            causes=(
                "A slot speed chosen in the firmware setup",
                "A kernel that fell back to 2.5 GT/s after training failed",
                "A display card's driver, which sets the target while the card rests",
            ),
            cannot_tell="Who set it, and whether the link would hold the higher speed.",
            source=(
                "PCI Express Base Specification, Link Control 2 Register; Linux drivers/pci/quirks.c, "
                "pcie_failed_link_retrain; the causes are common practice."
            ),
            see_also=("link-set-slow", "set-speed", "slow"),
        ),
    ),
    Verdict.RESTING: VerdictKind(
        severity=Severity.NOTE,
        at_best=False,
        card_at_best=False,
        open_words="at rest",
        meaning="runs at a lower speed for now, to save power",
        below_best=True,
        of_speed=True,
        calm=True,
        explained=Explained(
            meaning=(
                "The speed is below best, all lanes work, and something shows that this will pass: power "
                "saving, or a faster reading in another look. Display cards do this whenever they have nothing "
                "to draw."
            ),
            evidence=(
                "Speed now (Link Status) and best (Link Capabilities of both ends), a target speed (Link Control 2) "
                "that does not explain it, and one of these: a look in which it was faster; a display function behind "
                "the link; the port's Link Autonomous Bandwidth Status; a light sleep of the device (D1 to D3hot)."
            ),
            causes=(
                "A display card at idle",
                "A device that the system has put into a light sleep",
                "Hardware that changes its speed by itself",
            ),
            cannot_tell=(
                "What the link reaches under load. A link can be resting and faulty at once; a check under load tells."
            ),
            source=(
                "PCI Express Base Specification, Link Status Register; PCI Power Management Specification, device "
                "states."
            ),
            see_also=("link-resting", "look-under-load", "slow"),
        ),
    ),
    Verdict.UNKNOWN: VerdictKind(
        severity=Severity.UNKNOWN,
        at_best=False,
        card_at_best=False,
        open_words="not known",
        meaning="could not be read, or the readings contradict each other",
        explained=Explained(
            meaning=(
                "Something needed for a verdict could not be read, or two readings that must agree do not; the "
                "sentence beside the link says which."
            ),
            evidence="The register or attribute that failed, with the reason, or both sides of the contradiction.",
            causes=(
                "Registers that only root may read",
                "A card asleep without power, which is not woken for a check",
                "A link that changes while it is read",
                "A card or a bridge that answers wrongly",
            ),
            cannot_tell="Whether the link is good. It counts neither as full nor as a fault.",
            source="The project's own rule: evidence or silence.",
            see_also=("link-unread", "ends-contradict", "root"),
        ),
    ),
    Verdict.FULL: VerdictKind(
        severity=Severity.OK,
        at_best=True,
        card_at_best=True,
        meaning="runs at the best the card can do",
        calm=True,
        trained=True,
        explained=Explained(
            meaning=(
                "Every lane of the card works, at its highest speed. The slot may be able to do more, which is "
                "no loss unless another card of the machine needs it."
            ),
            evidence=(
                "Speed and width now, which all readings of both ends agree on, and the card's own Link Capabilities. "
                "Where the port cannot be seen, as in a virtual machine, the card's end alone."
            ),
            causes=("A card in a suitable slot, with good contacts",),
            cannot_tell=(
                "How fast the drive behind it is, whether the link makes errors, and what the hops above carry."
            ),
            source="PCI Express Base Specification, Link Capabilities and Link Status Registers.",
            see_also=("best", "slot-swap", "measure"),
        ),
    ),
    Verdict.VIRTUAL: VerdictKind(
        severity=Severity.OK,
        at_best=False,
        card_at_best=False,
        meaning="a tunnelled, emulated or integrated link; its figures say nothing of lanes",
        explained=Explained(
            meaning=(
                "The figures of this link say nothing of wires. A tunnel through another cable always reports "
                "2.5 GT/s, an emulator makes its figures up, and a device inside the processor has no link at all."
            ),
            evidence=(
                "The port type (integrated endpoint); what stands for a tunnel, by the system's own word, a "
                "vendor-specific capability or a removable mark; vendor numbers kept for emulators, or the system's "
                "word that it is a guest; a drive on no PCI function."
            ),
            causes=(
                "A dock or enclosure on a cable",
                "A virtual machine",
                "A device that is part of the processor or chipset",
            ),
            cannot_tell="What the tunnel or the host behind it can carry; only a measurement shows that.",
            source=(
                "PCI Express Base Specification, PCI Express Capabilities Register; Linux drivers/pci/probe.c, "
                "set_pcie_thunderbolt; the emulator project's list of PCI numbers."
            ),
            see_also=("look-from-host", "measure"),
        ),
    ),
    Verdict.EMPTY: VerdictKind(
        severity=Severity.OK,
        at_best=False,
        card_at_best=False,
        meaning="nothing is fitted",
        explained=Explained(
            meaning="No card is detected in the slot, or the port leads to no slot, and nothing shows up below it.",
            evidence=(
                "Presence Detect State of the Slot Status Register, Slot Implemented, or the hot-plug driver's word."
            ),
            causes=(
                "A free slot",
                "A chipset port that leads nowhere",
            ),
            cannot_tell=(
                "A card so badly seated that its presence pins make no contact looks like no card. If its port "
                "keeps training, the verdict is unknown, as it is where what is below could not be read."
            ),
            source=(
                "PCI Express Base Specification, Slot Status Register; Linux drivers/pci/quirks.c, "
                "pcie_failed_link_retrain."
            ),
            see_also=("dark", "presence"),
        ),
    ),
}


class Evidence(Struct, frozen=True):
    """One reading: the register or attribute, the value as read, and the value expected."""

    source: str
    read: str
    expected: str


class Rate(Struct, frozen=True):
    """A link's speed (generation number, 1 is 2.5 GT/s) and width (lanes)."""

    speed: int
    width: int

    def common(self, other: Rate) -> Rate:
        """What this and another end can do together."""
        return Rate(min(self.speed, other.speed), min(self.width, other.width))


class Step(Struct, frozen=True):
    """One thing to do. `cautions` are to be read before it; `gain_mbps` is what it should bring, MB/s (10^6 bytes).

    `brief` is what to do in a few words, without an end, "" where `text` is short; `text` says how.
    """

    action: str
    text: str
    cautions: tuple[str, ...]
    gain_mbps: float | None
    verify: str
    brief: str = ""


class Finding(Struct, frozen=True):
    """One thing found by a rule. It cannot be made without evidence.

    `headline` goes on where the subject's name leaves off ("runs with 4 of 8 lanes"). What comes before its first
    semicolon says all that matters most, in 80 characters or so: short screens show no more of it.
    `cause` is the usual cause in a few words, "" where the headline says it or nobody can tell. `data_at_risk` tells
    that what a drive or set holds may be lost: such findings come before all others of their severity.

    `subject` is the address of a function or the name of a slot, drive or "host"; `also` are others that it holds for.
    """

    rule: str
    severity: Severity
    subject: str
    headline: str
    evidence: tuple[Evidence, ...]
    steps: tuple[Step, ...] = ()
    also: tuple[str, ...] = ()
    cause: str = ""
    data_at_risk: bool = False

    def __post_init__(self) -> None:
        """Refuse a finding without evidence (ValueError)."""
        if not self.evidence:
            raise ValueError(f"a finding of {self.rule} has no evidence")

    @property
    def costs_mbps(self) -> float | None:
        """What it costs, MB/s: the most that a step should bring; None where no step says so."""
        return max((step.gain_mbps for step in self.steps if step.gain_mbps), default=None)
