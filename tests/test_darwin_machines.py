"""What holds for every Darwin machine of `fixtures/`, whatever its release: ports, pairs, drives, forms.

What each of them is expected to show, link by link, is in its `about.toml`; see `tests/test_machines.py`.
"""

from __future__ import annotations

import io
import plistlib
from typing import TYPE_CHECKING, Any, Final

import msgspec
import pytest
from rich.console import Console

from agent.model.findings import Severity, Verdict
from agent.report import data, inventory_text, text
from knowledge import pcie
from probes import capture, collect
from tests.against import about
from tests.json_schema import problems
from tests.machines import FIXTURES
from tests.registry import DOWNSTREAM, ROOT_PORT, UPSTREAM, functions
from tests.registry_machines import DARWIN_MACHINES
from tests.test_machines import audited, machines_with, replayed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.audit import Audit
    from agent.model.judged import Judged
    from tests.registry import Pci

every_machine = pytest.mark.parametrize("name", sorted(DARWIN_MACHINES))
# Verdicts that say nothing of a rate: all that may be said of a port without a card.
VACANT: Final = {Verdict.EMPTY, Verdict.UNKNOWN, Verdict.DARK}


def described(name: str) -> tuple[Pci, ...]:
    """The PCI functions of a machine as its description has them."""
    return tuple(functions(DARWIN_MACHINES[name]().tower))


def printed(name: str) -> list[dict[str, Any]]:
    """Every PCI function of a capture as the registry printed it, read with plistlib alone."""
    kept = capture.parse((FIXTURES / name / "capture.json").read_bytes(), "capture.json")
    answer = kept.reads["registry pci"]
    assert isinstance(answer, str)
    return [one for one in _nodes(plistlib.loads(answer.encode())) if "vendor-id" in one]


def _nodes(trees: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    for tree in trees:
        yield tree
        yield from _nodes(tree.get("IORegistryEntryChildren", []))


@every_machine
def test_each_function_that_was_printed_is_one_function_of_the_facts(name: str) -> None:
    """As many functions are found as there are different entries with the keys of a PCI device."""
    assert len({one["IORegistryEntryID"] for one in printed(name)}) == len(audited(name).facts.functions)


@every_machine
def test_kinds_of_port_are_what_the_hardware_is(name: str) -> None:
    """Root ports, and upstream and downstream ports of switches, are taken for what they are, told or inferred."""
    kinds = (ROOT_PORT, UPSTREAM, DOWNSTREAM)
    expected = sorted(one.port for one in described(name) if one.port in kinds)
    found = audited(name).machine.kinds.values()
    assert expected == sorted(kind for kind in found if kind in kinds)


@every_machine
def test_a_link_begins_at_a_downstream_facing_port_and_ends_at_what_is_right_below(name: str) -> None:
    """No switch's upstream port is paired with its own downstream ports, and no conventional bridge with anything."""
    machine = audited(name).machine
    for link in machine.links:
        assert link.port is not None
        assert machine.kinds[link.port.address] in {pcie.ROOT_PORT, pcie.SWITCH_DOWNSTREAM_PORT}
        if link.device is not None:
            assert link.port.address == link.device.parent
            assert machine.kinds[link.device.address] not in {pcie.ROOT_PORT, pcie.SWITCH_DOWNSTREAM_PORT}


@every_machine
def test_as_many_links_as_there_are_ports_and_as_many_cards_as_stand_below_them(name: str) -> None:
    """Each downstream-facing port makes one link of the list, with a card where the hardware has one."""
    ports = [one for one in described(name) if one.port in {ROOT_PORT, DOWNSTREAM}]
    seen = audited(name).links
    assert len(ports) == len(seen)
    assert sum(bool(one.below) for one in ports) == sum(judged.device_address is not None for judged in seen)


@every_machine
def test_a_port_without_a_card_is_never_taken_for_a_link(name: str) -> None:
    """What a childless port reads, "x4 at 2.5 GT/s" mostly, becomes no rate and no verdict on a rate."""
    vacant = [judged for judged in audited(name).links if judged.device_address is None]
    assert vacant
    assert {judged.verdict for judged in vacant} <= VACANT
    assert [] == [judged.port_address for judged in vacant if _rated(judged)]


def _rated(judged: Judged) -> bool:
    return judged.now is not None or judged.best is not None or judged.mbps is not None or judged.link_up


def test_most_machines_have_a_childless_port_that_reads_as_if_it_were_a_link() -> None:
    """The trap that the test above looks at is set: port status with a rate, and nothing below."""
    trapped = [
        name
        for name in DARWIN_MACHINES
        if any(
            one["IOPCIExpressLinkStatus"] == 0x1041 and _nothing_below(one)
            for one in printed(name)
            if one["class-code"][1:3] == bytes((4, 6)) and "IOPCIExpressLinkStatus" in one
        )
    ]
    assert len(DARWIN_MACHINES) == len(trapped)


def _nothing_below(one: dict[str, Any]) -> bool:
    return not any("vendor-id" in below for below in _nodes(one.get("IORegistryEntryChildren", [])))


@machines_with(DARWIN_MACHINES, lambda found: any(path.drive.address is None for path in found.machine.paths))
def test_internal_storage_without_a_pci_function_is_never_a_fault(name: str) -> None:
    """A drive that hangs on no PCI function is told with its interconnect, has no hops and is no part of a finding."""
    found = audited(name)
    for path in found.machine.paths:
        if path.drive.address is None:
            assert path.drive.interconnect
            assert path.hops == ()
            assert [] == [
                one for one in found.findings if _about(path.drive.name, one.subject, one.headline, one.severity)
            ]


def _about(drive: str, subject: str, headline: str, severity: Severity) -> bool:
    return severity is not Severity.OK and (subject == drive or drive in headline)


def test_one_machine_has_internal_storage_without_a_pci_function() -> None:
    """The one drive of the test above hangs on the processor's own fabric."""
    found = [drive.name for drive in audited("tower-5-fabric-storage").facts.drives if drive.address is None]
    assert ["disk0"] == found


def displays(found: Audit) -> list[Judged]:
    """The links of display cards."""
    return [judged for judged in found.links if any(one.class_code == 0x030000 for one in judged.link.functions)]


@machines_with(DARWIN_MACHINES, displays)
def test_no_link_is_slow_for_a_display_card_or_its_audio_function(name: str) -> None:
    """Display cards lower their speed at rest, and what the registry holds may be that: never a fault."""
    for judged in displays(audited(name)):
        assert judged.verdict.severity is not Severity.FAULT


@every_machine
def test_the_json_of_check_is_as_its_schema_says(name: str) -> None:
    """What programs read holds to the JSON Schema that `lanewright schema check` prints, null addresses and all."""
    encoded = data.encode(data.check(audited(name)))
    schema = msgspec.json.schema(data.CheckData)
    assert [] == problems({"$ref": schema["$ref"]}, msgspec.json.decode(encoded), schema)


@every_machine
@pytest.mark.parametrize("width", [60, 100])
def test_texts_fit_the_terminal_and_hold_no_control_character(name: str, width: int) -> None:
    """Both reports render at any width, each line within it and printable."""
    for page in (
        text.check(audited(name), width, name),
        text.whole(audited(name), width, name),
        inventory_text.inventory(audited(name), width, name),
    ):
        output = io.StringIO()
        text.show(page, Console(file=output, width=width, color_system=None))
        assert [] == [line for line in output.getvalue().split("\n") if len(line) > width or not line.isprintable()]


@every_machine
def test_a_capture_without_serial_numbers_is_judged_the_same(name: str) -> None:
    """Redaction takes out serial numbers and users, and changes neither a verdict nor a rate nor an address."""
    setup = DARWIN_MACHINES[name]()
    hidden = capture.encode(
        platform="darwin",
        taken_at="2026-03-02T09:00:00+00:00",
        agent="0.1.0",
        answers=setup.answers(),
        samples=(),
        keep_serials=False,
    )
    assert b"HLA04417TWR" not in hidden
    assert b"edda" not in hidden
    assert [] == [
        drive.serial for drive in audited(name).facts.drives if drive.serial and str(drive.serial).encode() in hidden
    ]
    expected = [(one.device_address, one.verdict, one.now, one.best) for one in audited(name).links]
    assert expected == [(one.device_address, one.verdict, one.now, one.best) for one in replayed(hidden).links]


def test_machines_print_what_their_release_prints() -> None:
    """The builder holds to the releases: types from 10.9 on, `pcidebug` after 10.6, zero capabilities from 13.0."""
    oldest, typed, newest = (
        printed(name) for name in ("tower-1-untyped-carrier", "tower-2-narrow-drive", "tower-6-live")
    )
    assert not any({"IOPCIExpressCapabilities", "pcidebug"} & set(one) for one in oldest)
    assert all("pcidebug" in one for one in typed)
    assert any("IOPCIExpressSlotStatus" in one for one in typed)
    assert any("IOPCIExpressLinkCapabilities" not in one for one in typed)
    assert all("IOPCIExpressLinkCapabilities" in one for one in newest)
    assert any(one["IOPCIExpressLinkCapabilities"] == 0 for one in newest)
    assert any(one["IOPCIExpressLinkCapabilities"] < 0 for one in newest)
    assert any(one["IOPCIExpressLinkStatus"] == {} for one in newest if "IOPCIExpressLinkStatus" in one)


def test_every_machine_can_be_asked_live_as_its_capture_answers() -> None:
    """The facts of a machine asked directly and of its capture are the same."""
    for name, make in DARWIN_MACHINES.items():
        setup = make()
        assert collect(setup.reads()) == collect(setup.replay()), name


@pytest.mark.parametrize(
    ("name", "slot", "silence"),
    [
        ("tower-6-live", "6", "a card that does not answer"),
        ("bench-3-dark-slot", "J2", "a card, but has no link"),
    ],
)
def test_an_inventory_calls_no_slot_empty_in_which_a_card_is_detected(name: str, slot: str, silence: str) -> None:
    """A card that gives no link is told as such beside the slots that are empty; no more than its port says."""
    output = io.StringIO()
    text.show(inventory_text.inventory(audited(name), 100, name), Console(file=output, width=100, color_system=None))
    page = output.getvalue()
    assert f" {slot} detects {silence}" in page
    assert 1 == page.count("detects a card")


def test_a_drive_with_the_other_class_of_nvme_is_called_a_drive() -> None:
    """Rule 7 of the parsing rules: an NVMe controller's class may be 018002h as well as 010802h."""
    codes = {one.class_code for one in audited("tower-5-fabric-storage").facts.functions}
    assert {0x010802, 0x018002} <= codes
    output = io.StringIO()
    text.show(
        inventory_text.inventory(audited("tower-5-fabric-storage"), 100, ""),
        Console(file=output, width=100, color_system=None),
    )
    assert 2 == output.getvalue().count("  NVMe drive Ostrayne Reel 4 2TB\n")
    assert "storage controller" not in output.getvalue()


GTPS: Final = {1: "2.5", 2: "5", 3: "8", 4: "16", 5: "32", 6: "64"}


@every_machine
def test_tables_of_rates_are_what_the_raw_registers_say(name: str) -> None:
    """The hand-worked rates agree with the bits of the registers as printed, taken apart here by themselves.

    Source: PCI Express Base, Link Capabilities and Link Status: speed in bits 3:0, lanes in bits 9:4.
    """
    capabilities, status = "IOPCIExpressLinkCapabilities", "IOPCIExpressLinkStatus"
    expected = []
    for port, below in _pairs(printed(name)):
        if not port.get(capabilities) or not below.get(capabilities):
            continue
        both = [one[capabilities] & 0xFFFFFFFF for one in (port, below)]
        lanes = min(port.get("IOPCIExpressMaxLinkWidthOverride", 64), *(one >> 4 & 0x3F for one in both))
        best = f"{_speed(min(one & 0xF for one in both))} x{lanes}"
        now = below[status] if isinstance(below[status], int) and below[status] != 0xFFFF else 0
        words = f"{_speed(now & 0xF)} x{now >> 4 & 0x3F}" if now else "not read"
        expected.append(words if below.get("IOPCITunnelled") else f"{words} of {best}")
    assert sorted(expected) == sorted(about(name)["rates"].values())


def _speed(code: int) -> str:
    return f"{GTPS[code]} GT/s (Gen {code})"


def _pairs(every: list[dict[str, Any]]) -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    """Each bridge with the first function right below it, but for the upstream ports of switches.

    These are told by the device number that all switches of these machines have.
    """
    for one in every:
        below = [child for child in _nodes(one.get("IORegistryEntryChildren", [])) if "vendor-id" in child]
        if below and one["class-code"][1:3] == bytes((4, 6)) and one["device-id"][:2] != bytes((0x30, 0x08)):
            yield one, below[0]
