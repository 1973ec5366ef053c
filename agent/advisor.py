"""Findings to ordered steps: least invasive first, cautions before each, the gain each should bring, how to verify."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.ends import rate_text
from agent.findings import Severity, Step
from knowledge.steps import LOAD, SHOWS, STEPS, STEPS_OF_RULE

if TYPE_CHECKING:
    from agent.rules.rule import Found, Rule

LOOKS: Final = frozenset({"look-as-root", "look-from-host", "look-under-load", "look-again", "wake", "count-drives"})
CARRIER_NEEDED: Final = " The two slots are of different kinds: the drive needs a carrier card there."


def steps(rule: Rule, found: Found) -> tuple[Step, ...]:
    """The steps for what a rule found, from least to most invasive."""
    actions = list(STEPS_OF_RULE[rule.id])
    judged = found.judged
    if judged is not None:
        if judged.port_hidden and rule.severity is Severity.FAULT:
            actions.append("look-from-host")
        if judged.needs_root:
            actions.append("look-as-root")
        if judged.link.device is not None and judged.link.device.power_state == "D3cold":
            actions = ["wake"]
    if found.severity is Severity.NOTE and rule.severity is Severity.FAULT:
        actions = [action for action in actions if action in LOOKS or action == "cool"]
    move = found.move
    if move is None or move.swaps_with is not None:
        actions = [action for action in actions if action != "move"]
    if move is None or move.swaps_with is None:
        actions = [action for action in actions if action != "swap"]
    kinds = sorted((STEPS[action] for action in dict.fromkeys(actions)), key=lambda kind: kind.rank)
    words = _words(rule, found)
    return tuple(
        Step(
            action=kind.action,
            text=kind.text.format_map(words),
            cautions=kind.cautions,
            gain_mbps=None if kind.action in LOOKS or found.gain_mbps is None else round(found.gain_mbps, 1),
            verify=kind.verify.format_map(words),
        )
        for kind in kinds
    )


def _words(rule: Rule, found: Found) -> dict[str, str]:
    """What fills the places of a step's text."""
    judged, move = found.judged, found.move
    subject = found.subject
    rate = "its best rate"
    slot = "the slot of this card"
    if judged is not None:
        subject = judged.device_address or found.subject
        best = judged.best or judged.port_can
        rate = rate_text(best) if best is not None else rate
        slot = judged.link.slot.words if judged.link.slot is not None else slot
    other = ""
    if move is not None:
        rate, slot = rate_text(move.rate), move.slot
        other = move.swaps_with or (CARRIER_NEEDED if move.needs_carrier else "")
    shows = SHOWS.get(rule.id, "lanewright check shows {rate}").replace("{rate}", rate)
    load = LOAD.get(rule.id, "the link should reach {rate}; if it does, it was only resting").replace("{rate}", rate)
    return {"subject": subject, "rate": rate, "slot": slot, "other": other, "shows": shows, "load": load}
