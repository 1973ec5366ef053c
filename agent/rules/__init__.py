"""The rules, family by family. The list of families is explicit; nothing is searched for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.rules import absent, drives, errors, health, host, links, notes, plan, slots, stripes
from agent.rules.rule import RULES, Found, Rule, Seen

if TYPE_CHECKING:
    from collections.abc import Iterator

    from probes.unread import Unread

FAMILIES = (links, slots, absent, stripes, errors, drives, health, host, plan, notes)

__all__ = ["FAMILIES", "RULES", "Found", "Rule", "Seen", "run"]


def run(seen: Seen) -> Iterator[tuple[Rule, Found | Unread]]:
    """Run every rule; "cannot tell" comes back as an `Unread`, never as silence."""
    for rule in RULES.values():
        for found in rule.run(seen):
            yield rule, found
