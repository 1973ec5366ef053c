"""The words of judgement: severities, verdicts, evidence, findings, steps. Data only; nothing is decided here."""

from __future__ import annotations

import enum

from msgspec import Struct


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
    def severity(self) -> Severity:
        """The severity that goes with the verdict."""
        return VERDICTS[self][0]

    @property
    def meaning(self) -> str:
        """One sentence for people."""
        return VERDICTS[self][1]


VERDICTS = {
    Verdict.NARROW: (Severity.FAULT, "runs with fewer lanes than both of its ends can do"),
    Verdict.SLOW: (Severity.FAULT, "runs at a lower speed than both of its ends can do, and nothing explains it"),
    Verdict.DARK: (Severity.FAULT, "a card is detected in the slot, but there is no link"),
    Verdict.SLOT_LIMITED: (Severity.LIMIT, "runs at the best of this slot; the card could do more in a better one"),
    Verdict.SET_SLOW: (Severity.LIMIT, "runs at a lower speed because the port's Target Link Speed is set there"),
    Verdict.RESTING: (Severity.NOTE, "runs at a lower speed for now, to save power"),
    Verdict.UNKNOWN: (Severity.UNKNOWN, "could not be read, or the readings contradict each other"),
    Verdict.FULL: (Severity.OK, "runs at the best the card can do"),
    Verdict.VIRTUAL: (Severity.OK, "a tunnelled, emulated or integrated link; its figures say nothing of lanes"),
    Verdict.EMPTY: (Severity.OK, "nothing is fitted"),
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


class Step(Struct, frozen=True):
    """One thing to do. `cautions` are to be read before it; `gain_mbps` is what it should bring, MB/s (10^6 bytes)."""

    action: str
    text: str
    cautions: tuple[str, ...]
    gain_mbps: float | None
    verify: str


class Finding(Struct, frozen=True):
    """One thing found by a rule. It cannot be made without evidence.

    `subject` is the address of a function or the name of a slot, drive or "host".
    """

    rule: str
    severity: Severity
    subject: str
    headline: str
    evidence: tuple[Evidence, ...]
    steps: tuple[Step, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a finding without evidence (ValueError)."""
        if not self.evidence:
            raise ValueError(f"a finding of {self.rule} has no evidence")
