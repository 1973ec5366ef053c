"""What one end of a link can do, and what a link runs at by the readings of both ends. Judges nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct
from msgspec.structs import replace

from agent.model.findings import Evidence, Rate
from knowledge import pcie
from knowledge.rates import GTPS, WIDTHS, describe
from probes.decode import NOT_GIVEN, set_bits
from probes.unread import Unread, of

if TYPE_CHECKING:
    from probes.facts import PciFunction

SLOWEST: Final = 1
# The property that tells the lanes wired to a slot. Source: IOPCIFamily, IOPCIConfigurator.cpp (Darwin).
WIRED_LANES: Final = "IOPCIExpressMaxLinkWidthOverride"


class Ability(Struct, frozen=True):
    """What one end can do. `speeds` are the generations it supports; `problem` says what is wrong or unread.

    `fastest_named` is the fastest generation of the supported-speeds vector, 0 where there is none; it may lie above
    `speeds`, which end at the Max Link Speed.
    """

    speeds: frozenset[int]
    width: int
    problem: str = ""
    evidence: tuple[Evidence, ...] = ()
    needs_root: bool = False
    fastest_named: int = 0

    @property
    def rate(self) -> Rate | None:
        """The fastest speed at the greatest width, None if either is not known."""
        return Rate(max(self.speeds), self.width) if self.speeds and self.width else None


def rate_text(rate: Rate) -> str:
    """A rate for people: "8 GT/s (Gen 3) x4"."""
    return f"{describe(rate.speed)} x{rate.width}"


def speed_text(speed: int) -> str:
    """A speed for people: "8 GT/s (Gen 3)"."""
    return describe(speed)


# --- What an end can do ----------------------------------------------------------------------------------------


def ability(function: PciFunction) -> Ability:
    """What one end can do, by the supported-speeds vector and by the platform's attributes, which must agree."""
    told = _registered(function)
    attributes = function.link
    by_name = None
    if attributes is not None and isinstance(attributes.max_speed, int) and isinstance(attributes.max_width, int):
        by_name = Ability(
            frozenset(range(SLOWEST, attributes.max_speed + 1)),
            attributes.max_width,
            evidence=_says(
                f"{function.address} attributes max_link_speed, max_link_width",
                attributes.max_speed,
                attributes.max_width,
            ),
        )
    if told.rate is None:
        return by_name if by_name is not None else told
    # Kernels before 6.13 name the fastest speed of the vector even where Max Link Speed is lower (drivers/pci/pci.c).
    alike = {told.rate, Rate(told.fastest_named, told.width)}
    if by_name is not None and by_name.rate not in alike:
        return Ability(
            told.speeds,
            told.width,
            f"register and attribute of {function.address} contradict each other",
            (*told.evidence, *by_name.evidence),
        )
    return told


def port_ability(port: PciFunction) -> Ability:
    """What a downstream-facing port can do with the lanes that are wired to its slot, where the platform tells them."""
    can = ability(port)
    wired = port.wired_lanes
    if not isinstance(wired, int) or wired not in WIDTHS or wired >= can.width:
        return can
    told = Evidence(f"{port.address} {WIRED_LANES}", f"{wired} lane{'' if wired == 1 else 's'} wired", f"x{can.width}")
    return replace(can, width=wired, evidence=(*can.evidence, told))


def _registered(function: PciFunction) -> Ability:
    source = f"{function.address} Link Capabilities"
    code = function.registers.read(pcie.LINK_CAPABILITIES, "max_link_speed")
    width = function.registers.read(pcie.LINK_CAPABILITIES, "maximum_link_width")
    for figure in (code, width):
        if isinstance(figure, Unread):
            unread = (Evidence(source, figure.why, "readable"),)
            return Ability(
                frozenset(), 0, f"Link Capabilities of {function.address}: {figure.why}", unread, figure.needs_root
            )
    assert isinstance(code, int)
    assert isinstance(width, int)
    if code not in GTPS or width not in WIDTHS:
        read = f"speed code {code}, width {width}"
        return Ability(
            frozenset(),
            0,
            f"Link Capabilities of {function.address} read {read}",
            (Evidence(source, read, "a speed and a width"),),
        )
    vector = function.registers.read(pcie.LINK_CAPABILITIES_2, "supported_link_speeds_vector")
    speeds = frozenset(range(SLOWEST, code + 1))
    named = set_bits(vector, first=SLOWEST) if isinstance(vector, int) else ()
    speeds = frozenset(speed for speed in named if speed <= code) or speeds
    evidence = _says(f"{source} and supported-speeds vector" if named else source, max(speeds), width)
    return Ability(speeds, width, evidence=evidence, fastest_named=max(named, default=0))


def _says(source: str, speed: int, width: int) -> tuple[Evidence, ...]:
    return (Evidence(source, f"up to {describe(speed)} x{width}", "the same from every source"),)


# --- What the link runs at -------------------------------------------------------------------------------------


class Agreed(Struct, frozen=True):
    """All readings of a link say the same rate."""

    rate: Rate
    sources: tuple[str, ...]


class Trouble(Struct, frozen=True):
    """No rate: nothing could be read, or the readings contradict each other."""

    why: str
    evidence: tuple[Evidence, ...]
    needs_root: bool = False
    contradicts: bool = False


Reading = Agreed | Trouble


def rate_of(reading: Reading) -> Rate | None:
    """The rate of a reading, None where there was trouble."""
    return reading.rate if isinstance(reading, Agreed) else None


def read(port: PciFunction | None, device: PciFunction | None) -> Reading:
    """The rate that every reading of both ends agrees on; the device's end is asked first. One end is there."""
    if device is not None and device.power_state == "D3cold":
        state = Evidence(f"{device.address} power state", "D3cold", "D0")
        return Trouble("the device is asleep (D3cold) and was not woken", (state,))
    rates: list[tuple[str, Rate]] = []
    silent: list[Unread] = []
    for function in (device, port):
        if function is None:
            continue
        for source, speed, width in _sources(function):
            if isinstance(speed, int) and isinstance(width, int) and speed in GTPS and width in WIDTHS:
                rates.append((source, Rate(speed, width)))
            else:
                problem = next((value for value in (speed, width) if isinstance(value, Unread)), None)
                zero = Unread(source, f"reads speed code {speed}, width {width}")
                silent.append(of(source, problem) if problem is not None else zero)
    if not rates:
        evidence = tuple(Evidence(unread.what, unread.why, "a speed and a width") for unread in silent)
        why = f"its rate could not be read: {silent[0].why}"
        return Trouble(why, evidence, any(unread.needs_root for unread in silent))
    if len({rate for _, rate in rates}) > 1:
        evidence = tuple(Evidence(source, rate_text(rate), "the same from every reading") for source, rate in rates)
        return Trouble(_contradiction(rates), evidence, contradicts=True)
    return Agreed(rates[0][1], tuple(source for source, _ in rates))


def _never_given(*figures: int | Unread) -> bool:
    """Whether the platform has no such figures at all: then there is nothing to say of them."""
    return all(isinstance(figure, Unread) and figure.why == NOT_GIVEN for figure in figures)


def _contradiction(rates: list[tuple[str, Rate]]) -> str:
    """Who contradicts whom: register and attribute of one end, or the two ends."""
    by_end: dict[str, set[Rate]] = {}
    for source, rate in rates:
        by_end.setdefault(source.partition(" ")[0], set()).add(rate)
    torn = [end for end, found in by_end.items() if len(found) > 1]
    if torn:
        return f"register and attribute of {torn[0]} contradict each other"
    return "the readings of its two ends contradict each other"


def _sources(function: PciFunction) -> tuple[tuple[str, int | Unread, int | Unread], ...]:
    registers = function.registers
    found = [
        (
            f"{function.address} Link Status",
            registers.read(pcie.LINK_STATUS, "current_link_speed"),
            registers.read(pcie.LINK_STATUS, "negotiated_link_width"),
        )
    ]
    if function.link is not None and not _never_given(function.link.speed, function.link.width):
        source = f"{function.address} attributes current_link_speed, current_link_width"
        found.append((source, function.link.speed, function.link.width))
    return tuple(found)
