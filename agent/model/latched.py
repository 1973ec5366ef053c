"""Bits that a register latches: set by an event, kept until somebody clears them. They are history, and tell no time.

Source: PCI Express Base Specification: bits of type RW1C (Slot Status, Link Status, Lane Error Status) are set by an
event and cleared by writing 1, or by a reset.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.findings import Verdict

if TYPE_CHECKING:
    from agent.model.judged import Judged
    from probes.facts import PciFunction

SINCE_CLEARED: Final = "set at some time since it was last cleared"
READ_AS_OF: Final = {
    "start-up": "; read as of start-up or plug-in",
    "refreshed": "; read as of start-up or the link's last change",
}
# Verdicts on links with nothing to mend, or with nothing there: an event that is latched beside them is over.
AT_PEACE: Final = frozenset(
    {Verdict.FULL, Verdict.SLOT_LIMITED, Verdict.RESTING, Verdict.VIRTUAL, Verdict.EMPTY},
)


def latched(end: PciFunction, read: str = "1") -> str:
    """A latched bit that is set, with how old it may be; `read` is the reading in words."""
    return f"{read} ({SINCE_CLEARED}{READ_AS_OF.get(end.fresh, '')})"


def is_history(judged: Judged, end: PciFunction) -> bool:
    """Whether an event that a register of `end` latched says nothing of now: an old reading, or a link that is well."""
    return end.fresh != "live" or judged.verdict in AT_PEACE
