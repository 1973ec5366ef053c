"""The rules, family by family. The list of families is explicit; nothing is searched for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.rules import absent, drives, errors, health_log, host, links, notes, sheet, slots, stripe_sets
from agent.rules.rule import REGISTERED, Found, Rule

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.judged_machine import JudgedMachine
    from probes.unread import Unread

# In the order in which findings of one severity are told.
FAMILIES = (absent, drives, links, errors, health_log, host, notes, sheet, slots, stripe_sets)
RULES = {rule.id: rule for family in FAMILIES for rule in REGISTERED.values() if rule.run.__module__ == family.__name__}

OF_SHEET = frozenset(rule.id for rule in RULES.values() if rule.run.__module__ == sheet.__name__)

__all__ = ["FAMILIES", "OF_SHEET", "RULES", "Found", "Rule", "run"]


def run(seen: JudgedMachine) -> Iterator[tuple[Rule, Found | Unread]]:
    """Run every rule; "cannot tell" comes back as an `Unread`, never as silence."""
    for rule in RULES.values():
        for found in rule.run(seen):
            yield rule, found
