"""One line for each machine and each soak of a report, worst first: the first thing that people read.

Decides nothing: it orders what the parts say of themselves.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from agent.model.findings import Severity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.report.page.machine import MachineShown
    from agent.report.page.soaks import SoakShown


class OverviewLine(Struct, frozen=True, kw_only=True):
    """A machine or a soak: how bad it is, what it is called, what there is to do, and its place on the page."""

    severity: str
    name: str
    sentence: str
    anchor: str


def overview(machines: Sequence[MachineShown], soaks: Sequence[SoakShown]) -> tuple[OverviewLine, ...]:
    """The lines, worst first; none where the report has one part, which then speaks for itself.

    What was read before an upgrade comes after all that is so now: it is there for the record.
    """
    if len(machines) + len(soaks) < 2:  # noqa: PLR2004 - two parts
        return ()
    now = [machine for machine in machines if machine.role in {"", "after"}]
    lines = [_machine(machine) for machine in now]
    lines += [
        OverviewLine(severity=soak.worst, name=f"Soak of {soak.label}", sentence=soak.verdict, anchor=soak.prefix)
        for soak in soaks
    ]
    lines.sort(key=lambda line: Severity(line.severity).rank)
    return (*lines, *(_machine(machine) for machine in machines if machine not in now))


def overview_title(machines: Sequence[MachineShown]) -> str:
    """What stands over the lines: their order."""
    earlier = any(machine.role in {"before", "between"} for machine in machines)
    return f"All in brief, worst first{'; earlier readings last' if earlier else ''}"


def _machine(machine: MachineShown) -> OverviewLine:
    return OverviewLine(severity=machine.worst, name=machine.label, sentence=machine.answer, anchor=machine.prefix)
