"""Captures of one machine: which was read before, which after, in which order they stand and what they are called.

The later reading stands first, as what is so now; the earlier one follows for the record. Decides nothing else.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.audit import Audit
    from agent.compare.changes import Comparison
    from agent.report.page.machine import MachineShown

ORDER: Final = ("after", "before", "between", "")
WHAT_WAS_TO_DO: Final = "What was to be done then"
TITLES: Final = {"after": "after", "before": "before, for the record", "between": "between, for the record"}


def in_order(machines: Sequence[tuple[str, Audit]], comparison: Comparison | None) -> list[tuple[str, str, Audit]]:
    """Each machine as (role, source, audit): what is compared first, the later reading before the earlier one."""
    found = [(_role(audit, comparison), source, audit) for source, audit in machines]
    return sorted(found, key=lambda pair: ORDER.index(pair[0]))


def _role(audit: Audit, comparison: Comparison | None) -> str:
    if comparison is None:
        return ""
    if audit is comparison.after:
        return "after"
    if audit is comparison.before:
        return "before"
    host, other = audit.facts.host.name, comparison.after.facts.host.name
    return "between" if isinstance(host, str) and host and host == other else ""


def told_apart(shown: Sequence[tuple[str, MachineShown]]) -> list[MachineShown]:
    """The machines with their roles; those that share a name are told apart by role and date, at last by number."""
    from msgspec import structs

    names = [machine.name for _, machine in shown]
    dated = []
    for role, machine in shown:
        alone = not role and names.count(machine.name) == 1
        label = machine.name if alone else titled(machine.name, role, machine.taken_at)
        dated.append(structs.replace(machine, role=role, label=label))
    labels = [machine.label for machine in dated]
    return [
        machine
        if labels.count(machine.label) == 1
        else structs.replace(machine, label=f"{machine.label}, capture {number}")
        for number, machine in enumerate(dated, 1)
    ]


def uncompared(machines: Sequence[tuple[str, Audit]], comparison: Comparison | None) -> str:
    """Why captures that bear one machine's name are not compared here, "" where they are or there are none."""
    names = [audit.facts.host.name for _, audit in machines if isinstance(audit.facts.host.name, str)]
    if comparison is not None or len(names) == len(set(names)):
        return ""
    return (
        "Several captures bear the same name, but not all captures here are of one machine, so nothing is compared. "
        "Give the captures of one machine alone to compare its first and its last."
    )


def titled(name: str, role: str, taken_at: str) -> str:
    """A machine's name with its role and date: "bench-1, after (read 2026-03-02)"."""
    return f"{name}{f', {TITLES[role]}' if role else ''}{f' (read {taken_at})' if taken_at else ''}"


def as_of_then(role: str, taken_at: str) -> str:
    """The words over the findings of an earlier reading, "" for one that tells how it is now."""
    if role not in {"before", "between"}:
        return ""
    when = f", {taken_at}" if taken_at else ""
    return (
        f"For the record: the findings and steps below date from this reading{when}. "
        "For what to do now, see the later reading."
    )
