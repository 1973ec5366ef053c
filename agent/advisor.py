"""Findings to ordered steps: least invasive first, cautions before each, the gain each should bring, how to verify."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.abilities import SLOWEST, rate_text, speed_text
from agent.model.findings import Severity, Step, Verdict
from knowledge.steps import (
    COUNTED_ANYHOW,
    OF_ONE_SYSTEM,
    SINCE,
    STEPS,
    USUAL_SETUP_PLACE,
)

if TYPE_CHECKING:
    from agent.rules.rule import Found, Hand, Rule
    from knowledge.steps import StepKind

LOOKS: Final = frozenset(
    {
        *(
            "restart-and-read",
            "read-event-again",
            "look-as-root",
            "look-from-host",
            "look-under-load",
            "look-again",
            "look-later",
            "wake",
            "check-sharing",
            "check-neighbour",
        ),
        *(
            "count-drives",
            "check-sheet",
            "plan-anew",
            "plan-places",
            "spread-drives",
            "see-driver",
            "see-log",
            "find-member",
            "follow-note",
        ),
    }
)
# Hands that a part soldered to the board leaves nothing to do for.
FOR_CARDS: Final = frozenset({"reseat", "clean", "remove-riser", "try-other-slot", "move", "swap"})
# Steps that make a link dependable, not faster.
NO_GAIN: Final = LOOKS | {"lower-speed", "back-up"}
# Done by hand in the order that a finding gives, and only where it gives one.
IN_ORDER: Final = frozenset({"make-room", "lay-aside", "fit-as-planned", "move-as-planned"})
# Looks that would only show a kept status again.
WHILE_RUNNING: Final = frozenset({"look-under-load", "look-again"})
CARRIER_NEEDED: Final = " The two slots are of different kinds: the drive needs a carrier card there."
NOT_DESCRIBED: Final = " The firmware does not describe that slot: see first that there is a connector the card fits."
UNREAD: Final = (
    " What the firmware says of that slot could not be read: see first that there is a connector the card fits."
)
HINTS: Final = {True: "", False: NOT_DESCRIBED, None: UNREAD}


def steps(rule: Rule, found: Found, guest: bool, platform: str = "linux") -> tuple[Step, ...]:  # noqa: FBT001 - passed by place in one call
    """The steps for what a rule found, from least to most invasive.

    `guest` tells that this is a virtual machine, `platform` which system it runs (a `sys.platform` value).
    """
    from probes import platform as platform_of

    system = platform_of(platform)
    actions = [action for action in _actions(rule, found) if OF_ONE_SYSTEM.get(action, platform) == platform]
    if found.judged is not None and (guest or found.judged.port_hidden) and rule.host_knows_more:
        actions = [action for action in actions if action in LOOKS] if found.judged.port_hidden else actions
        actions += ["look-from-host"] if guest or system.passes_devices_through else []
    words = _words(rule, found, system.setup_place or USUAL_SETUP_PLACE)
    plain = [(STEPS[action], words, found.gain_mbps) for action in dict.fromkeys(actions)]
    by_hand = [(STEPS[hand.action], {**words, **_hand_words(hand)}, hand.gain_mbps) for hand in found.hands]
    return tuple(_step(*weighed) for weighed in sorted([*plain, *by_hand], key=lambda weighed: weighed[0].rank))


def _step(kind: StepKind, words: dict[str, str], gain_mbps: float | None) -> Step:
    return Step(
        action=kind.action,
        text=kind.text.format_map(words),
        cautions=kind.cautions,
        gain_mbps=None if kind.action in NO_GAIN or gain_mbps is None else round(gain_mbps, 1),
        verify=kind.verify.format_map(words),
        brief=kind.brief.format_map({**words, "subject": words["card"]}),
    )


def _hand_words(hand: Hand) -> dict[str, str]:
    return {"subject": hand.part, "card": hand.part, "here": hand.here, "slot": hand.there}


def _actions(rule: Rule, found: Found) -> list[str]:
    """What the rule leads to; where the link's status may be old, a new reading first, and none that shows it again.

    A note that leads to nothing else is not worth a restart.
    """
    actions = _fitting(rule, found)
    if found.judged is None or found.judged.fresh == "live" or not rule.of_status:
        return actions
    actions = [action for action in actions if action not in WHILE_RUNNING]
    severity = found.severity or rule.severity
    return ["restart-and-read", *actions] if actions or severity is not Severity.NOTE else []


def _fitting(rule: Rule, found: Found) -> list[str]:
    """What the rule leads to, less what does not fit what was found, more what it calls for."""
    judged, dropped = found.judged, _unfit(rule, found)
    added = [*found.advises, *(["check-sharing"] if found.lanes_shared else [])]
    added += ["check-neighbour"] if found.beside else []
    if judged is not None and rule.id in {"link-unread", "ends-contradict"}:
        if judged.needs_root:
            added.append("look-as-root")
        if judged.notable and judged.link.device is None and not judged.link_up:
            added += ["reseat", "clean", "remove-riser"]
        if judged.link.device is not None and judged.link.device.power_state == "D3cold":
            return ["wake"]
    return [action for action in (*rule.steps, *added) if action not in dropped]


def _unfit(rule: Rule, found: Found) -> set[str]:
    """The steps that do not fit what was found."""
    judged, move = found.judged, found.move
    dropped = {*IN_ORDER, *found.without}
    if move is None or move.swaps_with is not None:
        dropped.add("move")
    if move is None or move.swaps_with is None:
        dropped.add("swap")
    if not _lower_speed(found):
        dropped.add("lower-speed")
    if found.severity is Severity.NOTE and rule.severity is Severity.FAULT:
        dropped |= set(STEPS) - LOOKS - {"cool"}
    if judged is not None and judged.link.onboard:
        dropped |= FOR_CARDS
    if judged is not None and judged.verdict is Verdict.EMPTY:
        dropped |= FOR_CARDS | {"replace"}
    return dropped


def _lower_speed(found: Found) -> str:
    """The speed one generation below the best of a link in a slot, "" where there is none."""
    judged = found.judged
    rate = None if judged is None else judged.best or judged.now
    if judged is None or rate is None or judged.link.onboard or rate.speed <= SLOWEST:
        return ""
    return speed_text(rate.speed - 1)


def _words(rule: Rule, found: Found, setup: str) -> dict[str, str]:
    """What fills the places of a step's text."""
    judged, move = found.judged, found.move
    rate = "its best rate"
    subject, here = found.subject, "the slot of this card"
    if judged is not None:
        best = judged.best or judged.port_can
        rate = rate_text(best) if best is not None else rate
        here = judged.link.slot.words if judged.link.slot is not None else here
        subject = _card(found, here)
    subject, slot = found.part or subject, found.place or here
    other = ""
    if move is not None:
        rate, slot = rate_text(move.rate), move.slot
        hints = (CARRIER_NEEDED if move.needs_carrier else "") + HINTS[move.described]
        other = move.swaps_with or hints
    shows = (rule.shows or "lanewright check shows {rate}").replace("{rate}", rate)
    load = (rule.load or "the link should reach {rate}; if it does, it was only resting").replace("{rate}", rate)
    since = SINCE.get(judged.fresh, "") if judged is not None else ""
    words = {"subject": subject, "here": here, "slot": slot, "rate": rate, "other": other, "beside": found.beside}
    read = found.evidence[0].source if found.evidence else ""
    words |= {"setup": setup, "since": since, "register": rule.register, "read": read}
    words |= {"lower": _lower_speed(found), "note": found.note, "advice": found.advice, "idle": found.idle}
    words["card"] = subject.rpartition(" (")[0] if subject.startswith(f"the card in {here} (") else subject
    return {**words, "shows": shows, "load": load, "counted": rule.counted or COUNTED_ANYHOW}


def _card(found: Found, slot: str) -> str:
    """What hands or eyes go to: a drive by its name, else the card, by its slot and its address."""
    judged = found.judged
    assert judged is not None
    address = judged.device_address or f"port {judged.port_address}"
    if found.drive and found.subject not in {judged.device_address, judged.port_address}:
        return f"{found.subject} in {slot}" if judged.link.slot is not None else f"{found.subject} ({address})"
    if judged.link.onboard:
        return f"the device {address} on the board"
    return f"the card in {slot} ({address})" if judged.link.slot is not None else f"the card {address}"
