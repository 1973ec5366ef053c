"""What one end of a link can do and what a link runs at, by each of the readings that may tell, agree or fail."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest
from msgspec.structs import replace

from agent.model.abilities import Ability, Agreed, Trouble, ability, port_ability, read
from agent.model.findings import Evidence, Rate
from knowledge import pcie
from probes.decode import NOT_GIVEN, Registers
from probes.facts import LinkAttributes
from probes.unread import Unread
from tests.kept import CARD, PORT, device, number, port, registers

if TYPE_CHECKING:
    from probes.facts import PciFunction

ROOT: Final = Unread("link", "root may read more", needs_root=True)
GONE: Final = Unread("link", NOT_GIVEN)
BROKEN: Final = Unread("link", "the device gave an error")
SAME: Final = "the same from every source"
ATTRIBUTES: Final = f"{CARD} attributes max_link_speed, max_link_width"


def end(code: int, width: int, vector: int | None = None, link: LinkAttributes | None = None) -> PciFunction:
    """A card with these codes in Link Capabilities, a supported-speeds vector and attributes."""
    given = {pcie.LINK_CAPABILITIES: number(pcie.LINK_CAPABILITIES, max_link_speed=code, maximum_link_width=width)}
    if vector is not None:
        given[pcie.LINK_CAPABILITIES_2] = number(pcie.LINK_CAPABILITIES_2, supported_link_speeds_vector=vector)
    return device(registers=Registers.of(given), link=link)


def attributes(
    speed: int | Unread = GONE, width: int | Unread = GONE, most: int | Unread = GONE, widest: int | Unread = GONE
) -> LinkAttributes:
    """What the platform says beside the registers: rate now, and the most of it."""
    return LinkAttributes(speed, width, most, widest)


# --- What an end can do --------------------------------------------------------------------------------------------


def test_a_rate_takes_a_speed_and_a_width() -> None:
    """An end of which either is not known has no rate."""
    assert Rate(3, 4) == Ability(frozenset({1, 3}), 4).rate
    assert [None, None] == [Ability(frozenset({3}), 0).rate, Ability(frozenset(), 4).rate]


@pytest.mark.parametrize(
    ("vector", "speeds", "fastest_named", "source"),
    [
        (None, {1, 2, 3}, 0, "Link Capabilities"),
        (0, {1, 2, 3}, 0, "Link Capabilities"),
        (0b0111, {1, 2, 3}, 3, "Link Capabilities and supported-speeds vector"),
        (0b0101, {1, 3}, 3, "Link Capabilities and supported-speeds vector"),
        (0b1111, {1, 2, 3}, 4, "Link Capabilities and supported-speeds vector"),
        (0b1000, {1, 2, 3}, 4, "Link Capabilities and supported-speeds vector"),
    ],
)
def test_speeds_are_those_of_the_vector_up_to_the_maximum(
    vector: int | None, speeds: set[int], fastest_named: int, source: str
) -> None:
    """A vector is cut at Max Link Speed; where it names none, all speeds up to that count, as the kernel has it.

    Source: drivers/pci/pci.c pcie_get_supported_speeds.
    """
    found = ability(end(3, 4, vector))
    assert (frozenset(speeds), 4, fastest_named, "") == (found.speeds, found.width, found.fastest_named, found.problem)
    assert (Evidence(f"{CARD} {source}", "up to 8 GT/s (Gen 3) x4", SAME),) == found.evidence


@pytest.mark.parametrize(("code", "width"), [(0, 4), (8, 4), (15, 4), (3, 0), (3, 3), (3, 63)])
def test_codes_that_name_no_speed_or_width_are_no_ability(code: int, width: int) -> None:
    """Reserved codes (PCI Express Base, Link Capabilities Register) leave the end unknown, and are shown as read."""
    found = ability(end(code, width))
    assert (None, False) == (found.rate, found.needs_root)
    assert f"Link Capabilities of {CARD} read speed code {code}, width {width}" == found.problem
    shown = Evidence(f"{CARD} Link Capabilities", f"speed code {code}, width {width}", "a speed and a width")
    assert (shown,) == found.evidence


@pytest.mark.parametrize(
    ("link", "rate"),
    [
        (attributes(most=3, widest=4), Rate(3, 4)),
        (attributes(most=3, widest=ROOT), None),
        (attributes(most=ROOT, widest=4), None),
        (None, None),
    ],
    ids=["both", "speed alone", "width alone", "neither"],
)
def test_attributes_speak_for_registers_that_are_out_of_reach(link: LinkAttributes | None, rate: Rate | None) -> None:
    """Where the registers are root's, both attributes together tell what an end can do; one alone does not."""
    out_of_reach = {pcie.LINK_CAPABILITIES: ROOT, pcie.LINK_CAPABILITIES_2: ROOT}
    found = ability(device(registers=Registers.of(out_of_reach), link=link))
    assert (rate, rate is None) == (found.rate, found.needs_root)
    if rate is None:
        assert f"Link Capabilities of {CARD}: {ROOT.why}" == found.problem
        assert (Evidence(f"{CARD} Link Capabilities", ROOT.why, "readable"),) == found.evidence
    else:
        assert (frozenset({1, 2, 3}), "") == (found.speeds, found.problem)
        assert (Evidence(ATTRIBUTES, "up to 8 GT/s (Gen 3) x4", SAME),) == found.evidence


@pytest.mark.parametrize(
    ("most", "widest", "agrees"),
    [
        (3, 4, True),
        (4, 4, True),  # kernels before 6.13 name the fastest of the vector (drivers/pci/pci.c)
        (2, 4, False),
        (5, 4, False),
        (3, 8, False),
        (4, 8, False),
    ],
)
def test_registers_and_attributes_must_agree(most: int, widest: int, agrees: bool) -> None:  # noqa: FBT001 - a column of the table
    """Where they differ, the end keeps what its registers say, is called torn, and both readings are shown."""
    found = ability(end(3, 4, 0b1111, attributes(most=most, widest=widest)))
    assert Rate(3, 4) == found.rate
    assert ("" if agrees else f"register and attribute of {CARD} contradict each other") == found.problem
    sources = [f"{CARD} Link Capabilities and supported-speeds vector", *([] if agrees else [ATTRIBUTES])]
    assert sources == [one.source for one in found.evidence]


@pytest.mark.parametrize(
    ("wired", "width", "told"),
    [(1, 1, "1 lane wired"), (4, 4, "4 lanes wired"), (16, 16, ""), (32, 16, ""), (3, 16, ""), (BROKEN, 16, "")],
)
def test_a_port_has_no_more_lanes_than_are_wired(wired: int | Unread, width: int, told: str) -> None:
    """Fewer wired lanes than the port has limit it, and say so; more, or a number that no link has, change nothing."""
    found = port_ability(port(wired_lanes=wired))
    assert width == found.width
    shown = [(one.read, one.expected) for one in found.evidence if "MaxLinkWidthOverride" in one.source]
    assert ([(told, "x16")] if told else []) == shown
    assert Evidence(f"{PORT} Link Capabilities", "up to 8 GT/s (Gen 3) x16", SAME) == found.evidence[0]


# --- What a link runs at -------------------------------------------------------------------------------------------


def now(rate: tuple[int, int] | Unread, link: LinkAttributes | None = None) -> PciFunction:
    """A card whose Link Status and attributes say this."""
    return device(registers=registers((3, 4), rate, pcie.ENDPOINT), link=link)


def upper(rate: tuple[int, int] | Unread) -> PciFunction:
    """A port whose Link Status says this."""
    return port(registers=registers((3, 16), rate, pcie.ROOT_PORT), link=None)


RUNNING: Final = f"{CARD} attributes current_link_speed, current_link_width"


@pytest.mark.parametrize(
    ("device_says", "port_says", "sources"),
    [
        (now((3, 4)), None, (f"{CARD} Link Status",)),
        (now((3, 4)), upper((3, 4)), (f"{CARD} Link Status", f"{PORT} Link Status")),
        (now((3, 4)), upper(BROKEN), (f"{CARD} Link Status",)),
        (now(BROKEN), upper((3, 4)), (f"{PORT} Link Status",)),
        (now((3, 4), attributes(3, 4)), None, (f"{CARD} Link Status", RUNNING)),
        (now(BROKEN, attributes(3, 4)), None, (RUNNING,)),
        (now((3, 4), attributes(3, BROKEN)), None, (f"{CARD} Link Status",)),
        (now((3, 4), attributes(BROKEN, 4)), None, (f"{CARD} Link Status",)),
        (None, upper((3, 4)), (f"{PORT} Link Status",)),
    ],
)
def test_readings_that_agree_are_named_the_cards_first(
    device_says: PciFunction | None, port_says: PciFunction | None, sources: tuple[str, ...]
) -> None:
    """Every reading that gives a speed and a width counts; one that failed is passed over while another tells."""
    assert Agreed(Rate(3, 4), sources) == read(port_says, device_says)


@pytest.mark.parametrize(
    ("device_says", "port_says", "why"),
    [
        (now((3, 4), attributes(2, 4)), None, f"register and attribute of {CARD} contradict each other"),
        (now((3, 4), attributes(3, 2)), upper((3, 4)), f"register and attribute of {CARD} contradict each other"),
        (now((3, 4)), upper((3, 2)), "the readings of its two ends contradict each other"),
        (now((3, 4), attributes(3, 4)), upper((1, 4)), "the readings of its two ends contradict each other"),
    ],
)
def test_readings_that_differ_say_who_contradicts_whom(
    device_says: PciFunction, port_says: PciFunction | None, why: str
) -> None:
    """One end that contradicts itself is named; else the two ends contradict each other. All readings are shown."""
    found = read(port_says, device_says)
    assert isinstance(found, Trouble)
    assert (why, True, False) == (found.why, found.contradicts, found.needs_root)
    count = 1 + (device_says.link is not None) + (port_says is not None)
    assert ["the same from every reading"] * count == [one.expected for one in found.evidence]


@pytest.mark.parametrize(
    ("function", "why", "shown", "needs_root"),
    [
        (now(BROKEN), BROKEN.why, [(f"{CARD} Link Status", BROKEN.why)], False),
        (now(ROOT), ROOT.why, [(f"{CARD} Link Status", ROOT.why)], True),
        (
            now((0, 4)),
            "reads speed code 0, width 4",
            [(f"{CARD} Link Status", "reads speed code 0, width 4")],
            False,
        ),
        (
            now((3, 3)),
            "reads speed code 3, width 3",
            [(f"{CARD} Link Status", "reads speed code 3, width 3")],
            False,
        ),
        (
            now(ROOT, attributes(BROKEN, GONE)),
            ROOT.why,
            [(f"{CARD} Link Status", ROOT.why), (RUNNING, BROKEN.why)],
            True,
        ),
        (
            now(BROKEN, attributes(3, ROOT)),
            BROKEN.why,
            [(f"{CARD} Link Status", BROKEN.why), (RUNNING, ROOT.why)],
            True,
        ),
        (now(BROKEN, attributes(GONE, GONE)), BROKEN.why, [(f"{CARD} Link Status", BROKEN.why)], False),
    ],
)
def test_a_rate_that_nothing_tells_shows_every_reading_that_failed(
    function: PciFunction,
    why: str,
    shown: list[tuple[str, str]],
    needs_root: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """Each failed reading stands there with its reason, but none that the platform never gives; root may tell more."""
    found = read(None, function)
    assert isinstance(found, Trouble)
    assert (f"its rate could not be read: {why}", False, needs_root) == (found.why, found.contradicts, found.needs_root)
    assert shown == [(one.source, one.read) for one in found.evidence]


def test_a_device_without_power_is_not_asked() -> None:
    """In D3cold no reading counts, though some may be left over from before."""
    found = read(upper((3, 4)), replace(now((3, 4)), power_state="D3cold"))
    assert isinstance(found, Trouble)
    assert (Evidence(f"{CARD} power state", "D3cold", "D0"),) == found.evidence
    assert (False, False) == (found.needs_root, found.contradicts)
