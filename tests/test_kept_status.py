"""Machines whose platform gives a few registers and a link status that may be old: verdicts, advice and words.

The facts of the platform are those of its open sources (IOPCIFamily, IOKitTools), worked out by hand here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest
from msgspec.structs import replace

from agent.audit import audit
from agent.model.findings import Rate, Severity, Verdict
from agent.report import data, inventory_text, text
from agent.sheets.writing import from_audit
from knowledge import pcie
from knowledge.steps import SAVE, STEPS
from probes.decode import Registers
from probes.facts import Gap, LinkAttributes
from probes.unread import Unread
from tests.kept import (
    AUDIO,
    BRIDGE,
    CARD,
    DISPLAY,
    NETWORK,
    NVME,
    PORT,
    as_of,
    device,
    drive,
    facts,
    function,
    number,
    port,
    registers,
)

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.model.findings import Finding
    from agent.model.judged import Judged
    from probes.facts import PciFunction

NARROW: Final = (port(), device(now=(3, 2)))


def judged(*functions: PciFunction, key: str = PORT) -> Judged:
    """The judged link of one port."""
    return audit(facts(*functions)).by_key[key]


def shown(found: Audit, form: str = "check") -> str:
    """The page for a terminal, as one line of words."""
    page = {"check": text.whole, "inventory": inventory_text.inventory}[form](found, 100, "a test")
    return " ".join(" ".join(line.plain for line in page.lines).split())


def of_rule(found: Audit, rule: str) -> Finding:
    """The one finding of a rule."""
    (finding,) = [one for one in found.findings if one.rule == rule]
    return finding


# --- Verdicts --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fresh", ["start-up", "refreshed", "live"])
@pytest.mark.parametrize(
    ("now", "verdict"),
    [((3, 4), Verdict.FULL), ((3, 2), Verdict.NARROW), ((1, 4), Verdict.SLOW), ((1, 1), Verdict.NARROW)],
)
def test_a_fault_is_a_fault_however_old_its_reading(fresh: str, now: tuple[int, int], verdict: Verdict) -> None:
    """The verdict is made of the reading, and how current that is stands beside it."""
    found = judged(*as_of(fresh, port(), device(now=now)))
    assert (found.verdict, found.fresh) == (verdict, fresh)


def test_a_port_without_a_status_contradicts_nobody() -> None:
    """The device's own end alone tells the rate, where the port's status is not given."""
    found = judged(port(), device(now=(3, 4)))
    assert (found.verdict, found.contradicts, found.port_hidden) == (Verdict.FULL, False, False)


@pytest.mark.parametrize("why", ["reads FFFFh: the device is not reachable", "reads 0: no link"])
def test_a_status_that_says_nothing_is_not_known_and_says_why(why: str) -> None:
    """A rejected status gives no rate, no contradiction and no fault."""
    found = judged(port(), device(now=Unread("Link Status", why)))
    assert (found.verdict, found.now, found.contradicts) == (Verdict.UNKNOWN, None, False)
    assert why in found.why


def test_a_slow_link_says_that_a_setting_cannot_be_told_from_a_fault() -> None:
    """Where Target Link Speed is not given, the words and the evidence of a slow link say so."""
    found = judged(port(), device(now=(1, 4)))
    assert "not given by this platform" in found.why
    assert [one.read for one in found.evidence if "Target Link Speed" in one.source] == ["not given by this platform"]


@pytest.mark.parametrize("can", [(1, 4), (3, 4), (4, 4)])
@pytest.mark.parametrize("end", [0, 1])
def test_a_tunnelled_link_is_virtual_at_any_speed(can: tuple[int, int], end: int) -> None:
    """What the platform calls tunnelled is never judged by its lanes, and the evidence names the property."""
    ends = [port(), device(can, (1, 1))]
    ends[end] = replace(ends[end], tunnelled=True)
    found = judged(*ends)
    assert found.verdict is Verdict.VIRTUAL
    assert found.evidence[0].source == f"{ends[end].address} IOPCITunnelled"
    whole = audit(facts(*ends, drives=(drive(),)))
    assert [one for one in whole.findings if one.severity is not Severity.OK] == []


@pytest.mark.parametrize(
    ("wired", "now", "verdict"),
    [
        (4, (3, 4), Verdict.SLOT_LIMITED),
        (4, (3, 2), Verdict.NARROW),
        (None, (3, 4), Verdict.NARROW),
        (16, (3, 4), Verdict.NARROW),
        (3, (3, 4), Verdict.NARROW),
        (Unread("width", "not a number"), (3, 4), Verdict.UNKNOWN),
        (Unread("width", "not a number"), (3, 8), Verdict.FULL),
    ],
)
def test_lanes_that_are_not_wired_are_not_missed(wired: Any, now: tuple[int, int], verdict: Verdict) -> None:  # noqa: ANN401 - a row of the table
    """A slot with fewer lanes than its port limits a card; it is not told as a narrow link, nor where nobody knows."""
    found = judged(port(wired_lanes=wired), device((3, 8), now, class_code=NETWORK))
    assert found.verdict is verdict
    named = [one for one in found.evidence if "IOPCIExpressMaxLinkWidthOverride" in one.source]
    assert [one.read for one in named] == (["4 lanes wired"] if wired == 4 else [])


@pytest.mark.parametrize("end", [0, 1])
def test_a_tunnel_that_could_not_be_read_is_no_fault(end: int) -> None:
    """Where nobody knows whether a link is tunnelled its figures prove nothing, and the reason is said."""
    ends = [port(), device(now=(1, 2))]
    assert judged(*ends).verdict is Verdict.NARROW
    ends[end] = replace(ends[end], tunnelled=Unread("IOPCITunnelled", "says neither yes nor no"))
    found = judged(*ends)
    assert (found.verdict, found.now) == (Verdict.UNKNOWN, None)
    assert "says neither yes nor no" in found.why
    finding = of_rule(audit(facts(*ends)), "link-unread")
    assert finding.severity is Severity.UNKNOWN


def test_a_slow_card_that_may_be_a_display_is_no_fault() -> None:
    """A display card rests at low speed, so a card of which nobody knows what it is may rest; missing lanes do not."""
    nameless = Unread("class-code", "is no number")
    slow, narrow = device(now=(1, 4)), device(now=(3, 2))
    assert judged(port(), slow).verdict is Verdict.SLOW
    found = judged(port(), replace(slow, class_code=nameless))
    assert found.verdict is Verdict.UNKNOWN
    assert "is no number" in found.why
    assert judged(port(), replace(narrow, class_code=nameless)).verdict is Verdict.NARROW


LOST: Final = Unread("where it hangs", "for root alone", needs_root=True, vital=True)
FREE_TO_RISE: Final = (f"{PORT} Link Control 2: Target Link Speed", "not given by this platform")


@pytest.mark.parametrize(
    ("port_has", "card_has", "rates", "last", "needs_root"),
    [
        ({}, {"now": (1, 4)}, ((3, 16), (3, 4)), FREE_TO_RISE, False),
        ({}, {"now": (1, 4), "class_code": LOST}, ((3, 16), (3, 4)), (f"{CARD} class code", LOST.why), True),
        ({}, {"now": (1, 4), "power_state": LOST}, ((3, 16), (3, 4)), (f"{CARD} power state", LOST.why), True),
        ({"wired_lanes": LOST}, {"now": (3, 2)}, ((3, 16), (3, 4)), (LOST.what, LOST.why), False),
        ({"tunnelled": LOST}, {}, ((3, 16), (3, 4)), (LOST.what, LOST.why), False),
        ({}, {"tunnelled": LOST}, ((3, 16), (3, 4)), (LOST.what, LOST.why), False),
        (
            {"tunnelled": True},
            {},
            ((3, 16), (3, 4)),
            (f"{PORT} IOPCITunnelled", "tunnelled through another cable"),
            False,
        ),
        (
            {},
            {"registers": registers(None, (3, 4), pcie.ENDPOINT)},
            ((3, 16), None),
            (f"{CARD} Link Capabilities", "not given by this platform"),
            False,
        ),
    ],
    ids=["target", "class", "sleep", "wiring", "tunnel of the port", "tunnel of the card", "tunnelled", "ability"],
)
def test_a_verdict_ends_with_the_reading_that_was_missed(
    port_has: dict[str, Any],
    card_has: dict[str, Any],
    rates: tuple[tuple[int, int], tuple[int, int] | None],
    last: tuple[str, str],
    needs_root: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """What could not be read is shown last, by the name of its end; what each end can do is told all the same."""
    found = judged(port(**port_has), device(**card_has))
    assert last == (found.evidence[-1].source, found.evidence[-1].read)
    assert tuple(rate and Rate(*rate) for rate in rates) == (found.port_can, found.device_can)
    assert found.needs_root is needs_root


@pytest.mark.parametrize(
    ("lost", "reason"),
    [
        (LOST, "takes registers that root may read"),
        (replace(LOST, needs_root=False), "could not be read: for root alone"),
    ],
)
def test_a_low_speed_says_whether_root_would_learn_more(lost: Unread, reason: str) -> None:
    """A sleep that failed or is root's to read leaves a low speed unknown, and the words say which of the two it is."""
    found = judged(port(), device(now=(1, 4), power_state=lost))
    assert (found.verdict, found.needs_root) == (Verdict.UNKNOWN, lost.needs_root)
    assert found.why.endswith(f"whether a setting, power saving or a fault does that {reason}")


def test_a_card_whose_port_was_not_found_is_held_against_its_own_end() -> None:
    """Its rate and ability are told, and last the reading that would have told its port, with who may read it."""
    whole = facts(port(), device((3, 8), (3, 4), parent=LOST, root=LOST))
    found = audit(whole).by_key[CARD]
    assert [
        (f"{CARD} Link Status", "8 GT/s (Gen 3) x4", "8 GT/s (Gen 3) x8"),
        (f"where {CARD} is connected", LOST.why, "readable"),
    ] == [(one.source, one.read, one.expected) for one in found.evidence]
    assert (Verdict.UNKNOWN, True, False) == (found.verdict, found.needs_root, found.port_hidden)
    full = audit(facts(port(), device((3, 8), (3, 8), parent=LOST, root=LOST))).by_key[CARD]
    assert (Verdict.FULL, False) == (full.verdict, full.needs_root)


def test_a_rate_that_is_root_s_to_read_says_so() -> None:
    """An unknown link whose status root may read sends its reader to root."""
    for needs_root in (True, False):
        found = judged(port(), device(now=replace(LOST, needs_root=needs_root)))
        assert (found.verdict, found.needs_root) == (Verdict.UNKNOWN, needs_root)


def test_a_tunnel_that_could_not_be_read_needs_no_port() -> None:
    """A card whose port was not found, and of which nobody knows whether it is tunnelled, has its own end only."""
    found = audit(facts(port(), device((3, 8), (3, 4), parent=LOST, root=LOST, tunnelled=LOST))).by_key[CARD]
    assert (found.verdict, found.port_can, found.device_can) == (Verdict.UNKNOWN, None, Rate(3, 8))
    assert [LOST.what] == [one.source for one in found.evidence]


def test_lost_lanes_of_a_slot_of_unknown_wiring_are_shown_with_all_readings() -> None:
    """The lanes in use, both abilities, the wiring that was not read, and what the hardware noted of the link."""
    managed = number(
        pcie.LINK_STATUS, current_link_speed=3, negotiated_link_width=4, link_bandwidth_management_status=1
    )
    given = {
        pcie.LINK_CAPABILITIES: number(pcie.LINK_CAPABILITIES, max_link_speed=3, maximum_link_width=16),
        pcie.LINK_STATUS: managed,
        pcie.PCI_EXPRESS_CAPABILITIES: number(pcie.PCI_EXPRESS_CAPABILITIES, device_port_type=pcie.ROOT_PORT),
    }
    above = port(registers=Registers.of(given), wired_lanes=Unread("lanes wired", "is no number"))
    found = judged(above, device((3, 8), (3, 4), class_code=NETWORK))
    assert [
        f"{CARD} Link Status",
        f"{PORT} Link Capabilities",
        f"{CARD} Link Capabilities",
        "lanes wired",
        f"{PORT} Link Status: Link Bandwidth Management Status",
    ] == [one.source for one in found.evidence]
    assert (
        "runs with 4 of 8 lanes; how many are wired to its slot "
        "(IOPCIExpressMaxLinkWidthOverride) could not be read: is no number"
    ) == found.why


@pytest.mark.parametrize(
    ("now", "link", "verdict"),
    [
        (LOST, None, Verdict.VIRTUAL),
        ((3, 4), None, Verdict.FULL),  # its registers tell of a link
        (LOST, LinkAttributes(LOST, LOST, LOST, LOST), Verdict.UNKNOWN),  # it has one, and nobody read it
    ],
)
def test_an_emulated_device_without_any_link_is_virtual(
    now: tuple[int, int] | Unread, link: LinkAttributes | None, verdict: Verdict
) -> None:
    """An emulator's device that has neither attributes nor a rate has no link; one that has either is judged by it."""
    found = judged(port(), device(now=now, link=link, vendor_id=0x1AF4))
    assert found.verdict is verdict
    words = ["emulated device without a link"] if verdict is Verdict.VIRTUAL else []
    assert words == [one.read for one in found.evidence if one.source == f"{CARD} link attributes"]


@pytest.mark.parametrize(
    ("lanes", "fresh", "verdict"),
    [(8, "start-up", Verdict.RESTING), (4, "start-up", Verdict.SLOW), (8, "live", Verdict.SLOW)],
)
def test_sound_on_many_lanes_is_that_of_a_display_card(lanes: int, fresh: str, verdict: Verdict) -> None:
    """Sound cards have at most four lanes; more are those of a display card, whose status may be one of start-up."""
    found = judged(*as_of(fresh, port(), device((3, lanes), (1, lanes), class_code=AUDIO)))
    assert found.verdict is verdict
    words = [one.read for one in found.evidence if one.source == f"{CARD} class code, Link Capabilities"]
    assert words == ([f"audio function on a link of {lanes} lanes"] if verdict is Verdict.RESTING else [])


def test_lanes_of_a_port_that_is_not_the_true_one_excuse_nothing() -> None:
    """How many lanes are wired below an emulated port says nothing of the slot: lost lanes are lost all the same."""
    found = judged(port(can=(4, 32), wired_lanes=LOST), device((3, 4), (3, 2)))
    assert (found.verdict, found.port_hidden) == (Verdict.NARROW, True)


def test_the_wired_lanes_are_those_of_the_port() -> None:
    """The same property at the card's own end, where it speaks of slots further down, changes nothing."""
    found = judged(port(), device((3, 8), (3, 4), class_code=NETWORK, wired_lanes=4))
    assert found.verdict is Verdict.NARROW


def test_an_empty_port_offers_the_wired_lanes() -> None:
    """What a free slot can do is what its lanes can do."""
    found = judged(port(slot={"presence_detect_state": 0}, wired_lanes=4))
    assert (found.verdict, found.port_can and found.port_can.width) == (Verdict.EMPTY, 4)


def test_a_display_card_rests_whatever_function_tells() -> None:
    """A display card and its audio function share one link, which is no slow one at the lowest speed."""
    found = audit(
        facts(
            port(),
            device((3, 16), (1, 16), "01:00.0", class_code=DISPLAY),
            device((3, 16), (1, 16), "01:00.1", class_code=AUDIO),
        )
    )
    assert [one.verdict for one in found.links] == [Verdict.RESTING]


def test_the_audio_function_of_a_display_card_rests_alone() -> None:
    """Where only the audio function answers, it is known by a link as wide as no sound card has."""
    alone = judged(port(), device((3, 16), (1, 16), "01:00.1", class_code=AUDIO))
    sound = judged(port(), device((3, 1), (1, 1), class_code=AUDIO))
    assert (alone.verdict, sound.verdict) == (Verdict.RESTING, Verdict.SLOW)


# --- Places ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("end", ["port", "function 0", "function 1"])
def test_a_slot_name_of_either_end_names_the_slot(end: str) -> None:
    """The name stands at the port or at a function of the card, and says where it is from."""
    name = "Slot-2"
    ends = (
        port(slot_name=name if end == "port" else None),
        device(slot_name=name if end == "function 0" else None),
        device(address="01:00.1", class_code=AUDIO, slot_name=name if end == "function 1" else None),
    )
    slot = judged(*ends).link.slot
    assert slot is not None
    assert (slot.name, slot.words, slot.source) == (name, name, "slot name in the I/O Registry")


@pytest.mark.parametrize("slot", [None, {"presence_detect_state": 0}, {"presence_detect_state": 1}])
@pytest.mark.parametrize("kind", [None, pcie.ROOT_PORT])
def test_a_port_with_nothing_below_is_no_link_with_a_rate(slot: dict[str, int] | None, kind: int | None) -> None:
    """Presence is told where the slot's status is, else it is not known; a rate is never told."""
    empty = port(can=(1, 4), kind=kind, slot=slot)
    if kind is None:
        empty = replace(empty, registers=registers((1, 4), (1, 4), None))
    found = judged(empty, device(address="02:00.0", parent="00:02.0"), port("00:02.0"))
    assert (found.now, found.mbps) == (None, None)
    state = None if slot is None else slot["presence_detect_state"]
    expected = {None: Verdict.EMPTY, 0: Verdict.EMPTY, 1: Verdict.DARK}[state]
    assert found.verdict is (Verdict.UNKNOWN if kind is None else expected)
    if kind is None:
        assert "whether a card is present could not be read" in found.why
        assert found.evidence[0].read == "not given by this platform"


@pytest.mark.parametrize(("offered", "verdict"), [(0, Verdict.EMPTY), (1, Verdict.UNKNOWN)])
def test_the_link_active_bit_counts_only_where_it_is_offered(offered: int, verdict: Verdict) -> None:
    """Bit 20 of Link Capabilities offers it (PCI Express Base, Data Link Layer Link Active Reporting Capable)."""
    values = registers(
        (3, 4),
        None,
        pcie.ROOT_PORT,
        {"presence_detect_state": 0},
        data_link_layer_link_active_reporting_capable=offered,
    )
    given = {
        layout: int.from_bytes(found, "little")
        for layout in (pcie.LINK_CAPABILITIES, pcie.PCI_EXPRESS_CAPABILITIES, pcie.SLOT_STATUS)
        if isinstance(found := values.raw(layout), bytes)
    }
    assert given[pcie.LINK_CAPABILITIES] >> 20 & 1 == offered
    up = port(registers=Registers.of({**given, pcie.LINK_STATUS: 1 << 13}))
    assert judged(up).verdict is verdict


def test_kinds_are_inferred_where_the_platform_gives_none() -> None:
    """A bridge on a host bus is a root port, then upstream and downstream ports take turns."""
    found = audit(
        facts(
            port(kind=None),
            function("01:00.0", BRIDGE, PORT, registers=registers((3, 16), (3, 16), None)),
            port("02:00.0", (3, 4), "01:00.0", None),
            port("02:01.0", (3, 4), "01:00.0", None),
            device(address="03:00.0", parent="02:00.0", kind=None),
            device(address="04:00.0", parent="02:01.0", kind=None),
        )
    )
    pairs = [(one.port_address, one.device_address) for one in found.links]
    assert pairs == [(PORT, "01:00.0"), ("02:00.0", "03:00.0"), ("02:01.0", "04:00.0")]


def test_functions_that_collide_keep_links_of_their_own() -> None:
    """Bus, device and function may be the same in two segments: nothing is lost and nothing is paired wrongly."""
    twice = "@10000041f"
    found = audit(
        facts(
            port(),
            device(),
            port(f"00:01.0{twice}"),
            device(address=f"01:00.0{twice}", parent=f"00:01.0{twice}", now=(3, 2)),
            device(address="entry-100000777", parent="entry-100000776"),
            function("00:1f.0@100000888", NVME, registers=registers((3, 4), (3, 4), pcie.ENDPOINT)),
        )
    )
    assert [(one.port_address, one.device_address) for one in found.links] == [
        (PORT, CARD),
        (f"00:01.0{twice}", f"01:00.0{twice}"),
        (None, "entry-100000777"),
        (None, "00:1f.0@100000888"),
    ]


def test_the_first_function_of_a_card_speaks_for_it_in_any_order() -> None:
    """A registry may list a card's functions in the order in which drivers took them."""
    found = judged(port(), device(address="01:00.1", now=(1, 1), class_code=AUDIO), device((3, 16), (3, 16)))
    assert (found.device_address, found.verdict) == (CARD, Verdict.FULL)


# --- Advice ----------------------------------------------------------------------------------------------------

STALE: Final = {
    "link-narrow": NARROW,
    "link-slow": (port(), device(now=(1, 4))),
    "link-resting": (port(), device((3, 16), (1, 16), class_code=DISPLAY)),
    "link-unread": (port(), device(now=Unread("Link Status", "inactive"))),
    "ends-contradict": (port(), device((1, 4), (3, 4))),
    "slot-dark": (port(slot={"presence_detect_state": 1}),),
    "slot-limited": (port(can=(3, 4), slot_name="Slot-4"), device((3, 8), (3, 4), class_code=NETWORK)),
}


@pytest.mark.parametrize("rule", sorted(set(STALE) - {"link-resting", "slot-limited"}))
@pytest.mark.parametrize("fresh", ["start-up", "refreshed"])
def test_advice_on_an_old_reading_begins_with_a_new_one(rule: str, fresh: str) -> None:
    """The first step is to save, restart and read; it promises no gain, and hands come after it."""
    steps = of_rule(audit(facts(*as_of(fresh, *STALE[rule]))), rule).steps
    first, *others = steps
    assert (first.action, first.gain_mbps, first.cautions) == ("restart-and-read", None, (SAVE,))
    assert "restart" in first.text.lower()
    assert not STEPS[first.action].hardware
    assert {"look-under-load", "look-again", "look-as-root"} & {one.action for one in others} == set()


@pytest.mark.parametrize("fresh", ["start-up", "refreshed"])
def test_a_card_at_rest_is_not_worth_a_restart(fresh: str) -> None:
    """A note that leads to nothing but a new reading has no steps: a restart finds a card at rest again."""
    assert () == of_rule(audit(facts(*as_of(fresh, *STALE["link-resting"]))), "link-resting").steps


@pytest.mark.parametrize("fresh", ["start-up", "refreshed"])
def test_a_card_at_the_best_of_its_port_is_not_worth_a_restart(fresh: str) -> None:
    """No newer reading shows more than the port can do, so that a restart would change nothing."""
    steps = of_rule(audit(facts(*as_of(fresh, *STALE["slot-limited"]))), "slot-limited").steps
    assert "restart-and-read" not in [one.action for one in steps]


POWERED: Final = {"power_controller_present": 1}


def latching(fresh: str, now: tuple[int, int] | None, **bits: int) -> Audit:
    """A slot with a power controller whose Slot Status reads 53h, or these bits; `now` is None where nothing answers.

    53h: attention button pressed, power fault detected, command completed, presence detect state.
    """
    told = bits or {
        "attention_button_pressed": 1,
        "power_fault_detected": 1,
        "command_completed": 1,
        "presence_detect_state": 1,
    }
    above = port(slot=told)
    given = {
        layout: int.from_bytes(raw, "little")
        for layout in (pcie.LINK_CAPABILITIES, pcie.PCI_EXPRESS_CAPABILITIES, pcie.SLOT_STATUS)
        if isinstance(raw := above.registers.raw(layout), bytes)
    }
    given[pcie.SLOT_CAPABILITIES] = number(pcie.SLOT_CAPABILITIES, **POWERED)
    above = replace(above, registers=Registers.of(given))
    return audit(facts(*as_of(fresh, above, *([device(now=now)] if now else []))))


@pytest.mark.parametrize(
    ("fresh", "now", "severity"),
    [
        ("start-up", (3, 4), Severity.NOTE),
        ("start-up", (3, 2), Severity.NOTE),
        ("start-up", None, Severity.NOTE),
        ("refreshed", None, Severity.NOTE),
        ("live", (3, 4), Severity.NOTE),
        ("live", (3, 2), Severity.FAULT),
        ("live", None, Severity.FAULT),
    ],
)
def test_a_latched_power_fault_is_history_where_its_reading_is_old(
    fresh: str, now: tuple[int, int] | None, severity: Severity
) -> None:
    """Slot Status as of start-up tells no present fault; what is wrong with the link is told beside it all the same.

    Source: PCI Express Base Specification, Slot Status Register: bits 0, 1 and 4 are of type RW1C.
    """
    found = latching(fresh, now)
    finding = of_rule(found, "slot-power-fault")
    assert severity is finding.severity
    assert ("read as of start-up" in finding.evidence[0].read) is (fresh != "live")
    assert (Severity.FAULT in {one.severity for one in found.findings}) is (now != (3, 4))
    if severity is Severity.NOTE:
        (step,) = finding.steps
        assert step.text.startswith(f"{PORT} Slot Status: Power Fault Detected")
        assert "restart-and-read" != step.action


def test_a_new_reading_of_a_slot_names_the_register_of_the_slot() -> None:
    """Presence is a bit of Slot Status, and lanes are of Link Status: advice to read anew names what is read."""
    dark = of_rule(audit(facts(*STALE["slot-dark"])), "slot-dark").steps[0]
    narrow = of_rule(audit(facts(*NARROW)), "link-narrow").steps[0]
    assert "the Slot Status of" in dark.text
    assert "the link status of" in narrow.text


@pytest.mark.parametrize("rule", STALE)
def test_advice_on_a_reading_of_now_asks_for_no_restart(rule: str) -> None:
    """Where the status is read just now, a restart would show nothing new."""
    steps = of_rule(audit(facts(*as_of("live", *STALE[rule]))), rule).steps
    assert "restart-and-read" not in {one.action for one in steps}


def test_no_host_is_looked_for_where_a_port_is_not_seen() -> None:
    """A device whose port the registry does not show is read anew, not looked at from a host that may not be there."""
    hidden = function("00:02.0", NVME, registers=registers((3, 4), (3, 2), pcie.ENDPOINT))
    steps = of_rule(audit(facts(hidden)), "link-narrow").steps
    assert [one.action for one in steps] == ["restart-and-read"]


def test_hands_follow_a_new_reading_of_a_narrow_link() -> None:
    """The steps of a narrow link are the usual ones, with the gain that each should bring."""
    steps = of_rule(audit(facts(*NARROW, drives=(drive(),))), "link-narrow").steps
    assert [one.action for one in steps][:3] == ["restart-and-read", "reseat", "clean"]
    assert [one.gain_mbps is None for one in steps][:3] == [True, False, False]


def test_advice_does_not_take_a_firmware_setup_for_granted() -> None:
    """Not every machine of this platform has a firmware setup; elsewhere every machine has."""
    dark = port(slot={"presence_detect_state": 1})
    there = of_rule(audit(facts(dark)), "slot-dark").steps
    here = of_rule(audit(facts(dark, platform="linux")), "slot-dark").steps
    (setup,) = [one for one in there if one.action == "enable-slot"]
    assert setup.text.startswith("In the firmware setup, where this machine has one, check whether")
    (usual,) = [one for one in here if one.action == "enable-slot"]
    assert usual.text.startswith("In the firmware setup, check whether")


# --- Drives on no PCI function ---------------------------------------------------------------------------------

INTERNAL: Final = drive("disk0", None, interconnect="Ferrule Fabric", model="Ostrayne Built-in 1TB")


def test_a_drive_on_no_function_is_virtual_and_no_fault() -> None:
    """It has no link to judge: no finding, no rate, no path, and the interconnect as the platform words it."""
    found = audit(facts(port(), device(), drives=(drive("disk1"), INTERNAL)))
    assert [(one.drive.name, one.verdict) for one in found.drives] == [
        ("disk1", Verdict.FULL),
        ("disk0", Verdict.VIRTUAL),
    ]
    assert [one for one in found.findings if one.severity is not Severity.OK] == []
    form = data.check(found).drives
    assert [(one.name, one.verdict, one.interconnect, one.path) for one in form] == [
        ("disk1", "full", "PCI-Express", (PORT,)),
        ("disk0", "virtual", "Ferrule Fabric", ()),
    ]
    for page in ("check", "inventory"):
        assert "virtual: not on PCI Express (Ferrule Fabric), no link to judge" in shown(found, page)
    assert "a place not reported" not in shown(found)


def test_a_disk_on_a_cable_has_no_verdict_of_its_own() -> None:
    """The link of its controller is not the disk's."""
    controller = device((2, 2), (2, 2), class_code=0x010601)
    found = audit(facts(port(), controller, drives=(drive("disk2", kind="sata", interconnect="SATA"),)))
    assert [one.verdict for one in data.check(found).drives] == [None]


@pytest.mark.parametrize("entry", ["", CARD])
def test_a_list_of_drives_that_could_not_be_read_claims_nothing(entry: str) -> None:
    """A controller is said to serve no drive only where the list of drives was read; else that is not known."""
    whole = facts(port(), device())
    gap = Gap("drives", Unread("which drives there are", "no answer in time", vital=True), entry, "nvme")
    found = audit(replace(whole, gaps=(gap,)))
    assert "drive-unclaimed" not in [one.rule for one in found.findings]
    assert f"whether the system has a drive at {CARD}" in [one.what for one in found.unread]
    assert "drive-unclaimed" in [one.rule for one in audit(whole).findings]


# --- Words -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fresh", "words"), [("start-up", "As of start-up or plug-in"), ("refreshed", "As of the last training or change")]
)
def test_how_old_a_status_is_stands_once(fresh: str, words: str) -> None:
    """Text says it once below the links, JSON at each link; a status of now needs no words."""
    ends = as_of(fresh, port(), device(), port("00:02.0"), device(address="02:00.0", parent="00:02.0"))
    found = audit(facts(*ends, drives=(drive(),)))
    for page in ("check", "inventory"):
        assert shown(found, page).count(words) == 1
    assert [one.status_as_of for one in data.check(found).links] == [fresh, fresh]
    assert [one.status_as_of for one in data.inventory(found).links] == [fresh, fresh]
    now = audit(facts(*as_of("live", *ends)))
    assert "As of" not in shown(now)
    assert [one.status_as_of for one in data.check(now).links] == ["live", "live"]


def test_a_temperature_that_no_drive_tells_is_not_known() -> None:
    """Where the platform gives no temperatures a drive has one all the same, which is said."""
    unread = (Unread("temperatures", "drives tell them elsewhere"),)
    found = audit(facts(port(), device(), drives=(drive(),), unread=unread))
    assert "temperature not known (not given by this platform)" in shown(found)
    assert [one.celsius for one in data.check(found).drives] == [None]
    assert "no temperature reported" in shown(audit(facts(port(), device(), drives=(drive(),))))


def test_links_of_another_age_are_named() -> None:
    """Where only some links are as of start-up, the line names them."""
    found = audit(facts(*as_of("live", port(), device()), port("00:02.0"), device(address="02:00.0", parent="00:02.0")))
    assert "may be old (00:02.0)." in shown(found)


def test_nothing_of_another_system_is_said() -> None:
    """Root, its registers and boot options of another kernel are no matter on this platform."""
    for ends in STALE.values():
        words = shown(audit(facts(*ends, drives=(INTERNAL,)))).lower()
        assert [word for word in ("root ", "/sys", "pci=", "kernel", "linux", "super-user") if word in words] == []


def test_a_switch_that_tunnels_is_no_carrier_of_drives() -> None:
    """A build sheet made from the machine has no bay behind a tunnel, and says why the drive there is left out."""
    found = audit(
        facts(
            port(can=(3, 4)),
            function("01:00.0", BRIDGE, PORT, registers=registers((3, 4), (3, 4), pcie.SWITCH_UPSTREAM_PORT)),
            port("02:00.0", (1, 4), "01:00.0", pcie.SWITCH_DOWNSTREAM_PORT, tunnelled=True),
            device((3, 4), (1, 4), "03:00.0", "02:00.0", tunnelled=True),
            drives=(drive("disk1", "03:00.0"),),
        )
    )
    sheet = from_audit(found, "a test")
    assert 'carrier = "switch"' not in sheet
    assert "[[drive]]" not in sheet
    assert "drive disk1: a link on its way is tunnelled or emulated" in sheet
