"""The machines of `fixtures/`: one function each. `python -m tests.machines` writes their captures anew.

Those that run Linux are here; those that run Darwin are in `tests/registry_machines.py`, and `CAPTURED` has them all.
What is expected of each stands in its `about.toml`, written by hand; nothing here says what is right.
All are invented: Harrow Lane Archive, a film-restoration studio, refits its towers bench-1, bench-2 and bench-3.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

from msgspec import Struct

from knowledge import pcie
from tests.boards import (
    REEL_3,
    bench_1,
    bench_2,
    bench_3,
    carrier,
    display,
    folio,
    gigabit,
    reel_3,
    reel_4,
    scanner,
    ten_gigabit,
)
from tests.build import MOMENT, build, capture_bytes, set_counters, set_link
from tests.hostile import hostile
from tests.parts import Function, Machine, Nvme, Slot, card, downstream_port, drive, root_port, switch
from tests.raid import Raid, put_set
from tests.registry_machines import DARWIN_MACHINES

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tests.parts import Fields
    from tests.tree import Tree

FIXTURES: Final = Path(__file__).parent.parent / "fixtures"


class Setup(Struct, frozen=True):
    """A machine, what it has become some seconds later, which functions are asked again then, and when it was read."""

    tree: Tree
    looks: Sequence[tuple[float, Tree]] = ()
    again: tuple[str, ...] = ()
    privileged: bool = True
    taken_at: str = MOMENT

    def capture(self) -> bytes:
        """The machine's capture file."""
        return capture_bytes(self.tree, self.looks, self.again, taken_at=self.taken_at, privileged=self.privileged)


MACHINES: Final[dict[str, Callable[[], Setup]]] = {}


def machine(make: Callable[[], Setup]) -> Callable[[], Setup]:
    """Add a machine to the list under its function's name, with hyphens."""
    MACHINES[make.__name__.replace("_", "-")] = make
    return make


def _port(tower: Machine, at: str) -> Function:
    """The root port of a tower at this place of its first bus."""
    return next(one for one in tower.buses["0000:00"] if one.at == at)


def _again(tree: Tree, *ends: str, offsets: tuple[float, ...] = (0.5, 1.0, 2.0)) -> Setup:
    """A machine on which nothing changes while it is looked at again."""
    return Setup(tree, [(offset, tree) for offset in offsets], ends)


# --- bench-1 ---------------------------------------------------------------------------------------------------


def _upgraded() -> Machine:
    """Four drives on a passive carrier in a split slot, a fifth on a switch carrier, display and network cards.

    The kernel shows the fifth drive as one that several controllers may share, under another name of its block device.
    """
    fifth = reel_4("RL4-10005")
    assert fifth.drive is not None
    fifth.drive.shared = True
    return bench_1(
        {
            "SLOT1": [reel_4("RL4-10001")],
            "SLOT1b": [reel_4("RL4-10002")],
            "SLOT1c": [reel_4("RL4-10003")],
            "SLOT1d": [reel_4("RL4-10004")],
            "SLOT2": display(),
            "SLOT3": [carrier((4, 4), [fifth], bays=2, down=(4, 4))],
            "SLOT4": ten_gigabit(),
            "M2_1": [folio("QF1-10001", (4, 4))],
        },
        split=True,
    )


@machine
def bench_1_upgraded() -> Setup:
    """An upgrade gone right, as root sees it."""
    return Setup(build(_upgraded()))


@machine
def bench_1_ordinary_user() -> Setup:
    """The same tower, as an ordinary user sees it."""
    return Setup(build(_upgraded()), privileged=False)


@machine
def bench_1_slot_limited() -> Setup:
    """A drive for 16 GT/s in the 8 GT/s slot, while SLOT3 is free."""
    fitted = {"SLOT2": display(), "SLOT4": [reel_4("RL4-11001")], "M2_1": [folio("QF1-11001", (4, 4))]}
    return Setup(build(bench_1(fitted)))


@machine
def bench_1_before() -> Setup:
    """The tower on the morning of its refit: its one scratch drive sits in the 8 GT/s slot."""
    fitted = {"SLOT2": display(), "SLOT4": [reel_4("RL4-16001")], "M2_1": [folio("QF1-16001", (4, 4))]}
    return Setup(build(bench_1(fitted)))


@machine
def bench_1_after() -> Setup:
    """The same tower two days later: that drive and three new ones on a carrier in SLOT1; the rest stayed."""
    rack = carrier((4, 16), [reel_4(f"RL4-1600{number}") for number in range(1, 5)], down=(4, 4))
    fitted = {"SLOT1": [rack], "SLOT2": display(), "M2_1": [folio("QF1-16001", (4, 4))]}
    return Setup(build(bench_1(fitted)), taken_at="2026-03-04T16:30:00+00:00")


@machine
def bench_1_switch_carrier() -> Setup:
    """Four 8 GT/s drives behind a packet switch whose uplink has eight lanes."""
    drives = [reel_3(f"RL3-1200{number}") for number in range(1, 5)]
    fitted = {"SLOT1": [carrier((3, 8), drives)], "SLOT2": display(), "M2_1": [folio("QF1-12001", (4, 4))]}
    return Setup(build(bench_1(fitted)))


@machine
def bench_1_stripe_set() -> Setup:
    """The scratch drives behind a packet switch run as one RAID 0; two of the disks are a mirror."""
    tree = bench_1_switch_carrier().tree.copy()
    put_set(tree, Raid(members=[f"nvme{number}n1" for number in range(4)], size=8_001_595_736_064))
    put_set(tree, Raid(name="md1", level="raid1", members=["sda1", "sdb1"], size=8_001_427_603_456))
    return Setup(tree)


def _payload_tower(*, accepts: int, port: int, device: int) -> Machine:
    """A tower whose SLOT3 port supports and uses these payload sizes, and whose drive there uses another."""
    scratch = reel_4("RL4-13001", payload_now=device)
    tower = bench_1({"SLOT2": display(), "SLOT3": [scratch], "M2_1": [folio("QF1-13001", (4, 4))]})
    above = _port(tower, "1b.0")
    above.payload, above.payload_now = accepts, port
    return tower


@machine
def bench_1_payload() -> Setup:
    """A boot option left packets at 128 bytes where port and drive support 512."""
    return Setup(build(_payload_tower(accepts=512, port=128, device=128)))


@machine
def bench_1_payload_mismatch() -> Setup:
    """A drive set to send packets of 512 bytes to a port set to 256."""
    return Setup(build(_payload_tower(accepts=256, port=256, device=512)))


@machine
def bench_1_tunnelled_dock() -> Setup:
    """A desk dock on a cable: its ports say 2.5 GT/s whatever the cable carries."""
    sign = 0x1234
    named: Fields = {"vendor": 0xF1EC, "maker": "Brackwater", "vendor_specific": sign, "vector": (1,)}
    dock = switch(
        (1, 4),
        [
            downstream_port(
                (1, 4), [reel_3("RL3-14001", removable="removable")], device=0x15, removable="removable", **named
            ),
            downstream_port(
                *(
                    (1, 4),
                    [card("usb", (1, 4), device=0x16, model="Dock USB controller", removable="removable", **named)],
                ),
                device=0x15,
                removable="removable",
                **named,
            ),
            downstream_port(
                (1, 4), slot=Slot(number=33, hot_plug=True), device=0x15, buses=8, removable="removable", **named
            ),
        ],
        device=0x14,
        model="Desk dock",
        removable="removable",
        **named,
    )
    tunnel = root_port(
        *("07.0", (1, 4), [dock]),
        slot=Slot(number=9, hot_plug=True, watts=0),
        device=0x466E,
        model="Tunnelling root port",
        vendor_specific=sign,
        vector=(1,),
        buses=16,
    )
    fitted = {"SLOT2": display(), "M2_1": [folio("QF1-14001", (4, 4))]}
    return Setup(build(bench_1(fitted, more=[tunnel])))


@machine
def bench_1_as_planned() -> Setup:
    """The tower as its build sheet has it."""
    return Setup(build(_upgraded()))


@machine
def bench_1_parts_missing() -> Setup:
    """Of what the build sheet has, a drive of each kind of place and the network card do not answer."""
    fitted: dict[str, list[Function]] = {
        "SLOT1": [reel_4("RL4-10001")],
        "SLOT1b": [reel_4("RL4-10002")],
        "SLOT1d": [reel_4("RL4-10004")],
        "SLOT2": display(),
        "SLOT3": [carrier((4, 4), [], bays=2, down=(4, 4))],
    }
    return Setup(build(bench_1(fitted, split=True)))


@machine
def bench_1_misplaced() -> Setup:
    """The build sheet's carrier and network card changed places, the system drive is another one, a drive is extra."""
    fitted: dict[str, list[Function]] = {
        **{f"SLOT1{part}": [reel_4(f"RL4-1000{number}")] for number, part in enumerate(("", "b", "c", "d"), 1)},
        "SLOT2": display(),
        "SLOT3": ten_gigabit(),
        "SLOT4": [carrier((4, 4), [reel_4("RL4-10005")], bays=2, down=(4, 4))],
        "M2_1": [reel_4("RL4-10009")],
        "M2_2": [reel_4("RL4-10010")],
    }
    return Setup(build(bench_1(fitted, split=True)))


@machine
def bench_1_need_broken() -> Setup:
    """The system drive and the first reel changed places: the machine starts from a slot that is split."""
    fitted: dict[str, list[Function]] = {
        **{f"SLOT1{part}": [reel_4(f"RL4-1000{number}")] for number, part in ((2, "b"), (3, "c"), (4, "d"))},
        "SLOT1": [folio("QF1-10001", (4, 4))],
        "SLOT2": display(),
        "SLOT3": [carrier((4, 4), [reel_4("RL4-10005")], bays=2, down=(4, 4))],
        "SLOT4": ten_gigabit(),
        "M2_1": [reel_4("RL4-10001")],
    }
    return Setup(build(bench_1(fitted, split=True)))


@machine
def bench_1_rate_below() -> Setup:
    """Four drives share the uplink that the build sheet has for two."""
    return bench_1_switch_carrier()


@machine
def bench_1_half_carrier() -> Setup:
    """Two of four drives on a passive carrier in a split slot answer; nothing is felt where the others should be."""
    fitted: dict[str, list[Function]] = {
        "SLOT1": [reel_4("RL4-15001")],
        "SLOT1b": [reel_4("RL4-15002")],
        "SLOT2": display(),
        "SLOT3": [carrier((4, 4), [reel_4("RL4-15005")], bays=2, down=(4, 4))],
        "M2_1": [folio("QF1-15001", (4, 4))],
    }
    return Setup(build(bench_1(fitted, split=True)))


# --- bench-2 ---------------------------------------------------------------------------------------------------


@machine
def bench_2_worn_riser() -> Setup:
    """A riser lost half the lanes of a carrier's uplink; two drives sit behind it."""
    up = carrier((3, 8), [reel_3("RL3-20001"), reel_3("RL3-20002")], bays=2)
    up.now = (3, 4)
    tower = bench_2({"PCIE1": [up], "PCIE2": ten_gigabit()})
    port = _port(tower, "01.0")
    port.now = (3, 4)
    port.registers[pcie.LINK_STATUS] = {"link_bandwidth_management_status": 1}
    return _again(build(tower), port.address, up.address)


@machine
def bench_2_lanes_taken() -> Setup:
    """PCIE1 has half of its lanes, as the board gives the others to PCIE2, which is filled. M2A takes none of PCIE3."""
    shown = display()
    for function in shown:
        function.now = (3, 8)
    tower = bench_2({"PCIE1": shown, "PCIE2": ten_gigabit(), "PCIE3": [reel_3("RL3-20101")]})
    port = _port(tower, "01.0")
    port.now = (3, 8)
    return _again(build(tower), port.address, shown[0].address)


@machine
def bench_2_slow_link() -> Setup:
    """A drive's link fell back to 5 GT/s; nobody set it so, and nothing sleeps."""
    slow = reel_3("RL3-21001")
    tower = bench_2({"PCIE3": [slow], "PCIE2": ten_gigabit()})
    port = _port(tower, "03.0")
    port.now = (2, 4)
    port.registers[pcie.LINK_STATUS] = {"link_bandwidth_management_status": 1}
    return _again(build(tower), port.address, slow.address)


@machine
def bench_2_lane_errors() -> Setup:
    """A scratch carrier fell back to 5 GT/s: two lanes show errors, and equalization at 8 GT/s failed in phase 2."""
    up = carrier((3, 8), [reel_3("RL3-22001")], bays=1)
    tower = bench_2({"PCIE2": [up], "PCIE1": display((3, 16))})
    port = _port(tower, "02.0")
    port.now = (2, 8)
    failed = {
        "equalization_8gt_complete": 1,
        "equalization_8gt_phase_1_successful": 1,
        "link_equalization_request_8gt": 1,
    }
    port.registers = {
        pcie.LINK_STATUS: {"link_bandwidth_management_status": 1},
        pcie.LINK_STATUS_2: failed,
        pcie.LANE_ERROR_STATUS: {"lanes": 0b0110_0000},
    }
    return _again(build(tower), port.address, up.address)


@machine
def bench_2_noisy_link() -> Setup:
    """A drive's link runs as it should but makes errors, more with every look; its neighbour made a few long ago."""
    noisy = reel_3("RL3-23001", counters={"RxErr": 41, "BadTLP": 12})
    calm = folio("QF1-23001")
    calm.counters = {"RxErr": 2}
    tower = bench_2({"PCIE3": [noisy], "M2A": [calm]})
    port = _port(tower, "03.0")
    port.counters = {"BadDLLP": 33, "Timeout": 4}
    tree = build(tower)
    looks = []
    for offset, step in ((0.5, 1), (1.0, 2), (2.0, 5)):
        later = tree.copy()
        set_counters(later, noisy.address, {"RxErr": 41 + 3 * step, "BadTLP": 12 + step})
        set_counters(later, port.address, {"BadDLLP": 33 + 2 * step, "Timeout": 4})
        looks.append((offset, later))
    above = _port(tower, "1b.0")
    return Setup(tree, looks, (port.address, noisy.address, above.address, calm.address))


@machine
def bench_2_unsplit_slot() -> Setup:
    """A passive carrier with four drives in a slot that was not split: one answers."""
    return Setup(build(bench_2({"PCIE1": [reel_3("RL3-24001")], "PCIE2": ten_gigabit()})))


@machine
def bench_2_power_fault() -> Setup:
    """A hot-plug bay cut the power of its card; its latch is open."""
    words = {"PCIE2": {"hot_plug": True, "power_controller": True, "latch": True, "adapter": True}}
    tower = bench_2({"PCIE1": display((3, 16))}, words=words)
    port = _port(tower, "02.0")
    port.registers = {
        pcie.SLOT_CONTROL: {"power_controller_control": 1},
        pcie.SLOT_STATUS: {"presence_detect_state": 1, "power_fault_detected": 1, "mrl_sensor_state": 1},
    }
    return Setup(build(tower))


@machine
def bench_2_hot_drive() -> Setup:
    """A drive without air: above its warning temperature, and it has throttled."""
    log = {"critical_warning": 2, "warning_minutes": 37, "light_throttles": 12, "light_throttle_seconds": 1804}
    hot = Nvme(model=REEL_3, serial="RL3-25001", firmware="RL3A1.07", kelvin=347, sensors=(359, 344), log=log)
    return Setup(build(bench_2({"PCIE3": [reel_3("", nvme=hot)], "PCIE2": ten_gigabit()})))


def _worn(number: int, **log: int) -> Function:
    """A drive whose health log differs from the usual in these figures."""
    nvme = Nvme(model=REEL_3, serial=f"RL3-2900{number}", firmware="RL3A1.07", kelvin=313, log=log)
    return reel_3("", nvme=nvme)


@machine
def bench_2_failing_drives() -> Setup:
    """The old scratch drives, kept for a last look: each fails or ages in its own way; links are as they should be.

    The kernel shows no temperature of the one in PCIE3; that in M2A has been given new firmware.
    """
    scratch = [
        _worn(1, critical_warning=0x01, available_spare=4, percentage_used=103, data_units_written=2_400_000_000),
        _worn(2, critical_warning=0x04, media_errors=3, error_log_entries=11),
        _worn(3, critical_warning=0x08, percentage_used=92),
        _worn(4, critical_warning=0x10, unsafe_shutdowns=121, power_cycles=300),
    ]
    hot = {"critical_warning": 0x02, "warning_minutes": 4_020, "critical_minutes": 1}
    throttled = {"light_throttles": 9_000, "heavy_throttles": 2, "light_throttle_seconds": 188_000}
    unsensed = Nvme(
        model=REEL_3,
        serial="RL3-29005",
        firmware="RL3A1.07",
        kelvin=347,
        sensed=False,
        log={**hot, **throttled, "heavy_throttle_seconds": 95},
    )
    system = folio("QF1-29001")
    assert system.drive is not None
    system.drive.slots, system.drive.next_slot = ("QF-2.3.1", "QF-2.4.0", ""), 2
    fitted = {"PCIE1": [carrier((3, 16), scratch)], "PCIE3": [reel_3("", nvme=unsensed)], "M2A": [system]}
    return Setup(build(bench_2(fitted)))


@machine
def bench_2_bare_switch() -> Setup:
    """A switch carrier of four places behind which no drive answers, in a slot that runs as it should."""
    return Setup(build(bench_2({"PCIE1": [carrier((3, 16), [])], "PCIE2": ten_gigabit()})))


@machine
def bench_2_planned_unsplit() -> Setup:
    """The build sheet has four drives on a passive carrier; its slot was not split, so one answers."""
    return bench_2_unsplit_slot()


@machine
def bench_2_below_plan() -> Setup:
    """All links are as built, and two of them less than the build sheet promises."""
    fitted = {"PCIE2": [carrier((3, 16), [reel_3("RL3-28001"), reel_3("RL3-28002")], bays=2)]}
    return Setup(build(bench_2(fitted)))


@machine
def bench_2_other_sets() -> Setup:
    """Sets that share no link: a mirror on links of its own, one of a level without rates, one that does not run."""
    fitted = {"PCIE1": [reel_3("RL3-27001")], "PCIE2": [reel_3("RL3-27002")], "PCIE3": [reel_3("RL3-27003")]}
    tree = build(bench_2(fitted, words={"PCIE1": {"can_split": False}}))
    put_set(tree, Raid(name="md10", level="raid1", members=["nvme0n1p2", "nvme1n1p2"], size=999_000_000_000))
    put_set(tree, Raid(name="md11", level="raid6", members=["sda2", "sdb2", "nvme2n1p1", "loop3"], size=4_000_000_000))
    put_set(tree, Raid(name="md12", level="", members=["nvme3n1p3"], state="inactive"))
    lost = Raid(name="md13", level="raid5", members=["nvme0n1p3", "nvme1n1p3"], places=3, idle={"nvme2n1p3": "faulty"})
    put_set(tree, lost)
    return Setup(tree)


@machine
def bench_2_dead_drive() -> Setup:
    """A drive that the kernel gave up, and one that no driver claims; both links are as they should be."""
    dead = Nvme(model=REEL_3, serial="RL3-26001", firmware="RL3A1.07", kelvin=0, state="dead")
    unclaimed = card("nvme", (3, 4), vendor=0xF1C4, device=0x3110, maker="Ostrayne", model="Reel 3 drive controller")
    return Setup(build(bench_2({"PCIE3": [reel_3("", nvme=dead)], "PCIE2": [unclaimed]})))


@machine
def bench_2_noted_parts() -> Setup:
    """Second-hand parts of which field notes say something: a SATA card, and a drive with a firmware that has a fault.

    Vendor and device are numbers of the kernel's quirk tables; the names are invented as everywhere.
    """
    sata = card("sata", (3, 2), vendor=0x1B21, device=0x1164, maker="Emberfold", model="Six-way SATA card")
    nvme = Nvme(model="Emberfold Leaf 512GB", serial="EL5-21101", firmware="22301111", kelvin=311)
    leaf = drive((3, 4), nvme, vendor=0x14A4, device=0x22F1, maker="Emberfold", model="Leaf drive controller")
    return Setup(build(bench_2({"PCIE2": [sata], "PCIE3": [leaf]})))


# --- bench-3 ---------------------------------------------------------------------------------------------------


@machine
def bench_3_set_slow() -> Setup:
    """A slot set to 5 GT/s in the firmware setup; an older kernel with its own wording."""
    fitted = {"J1": [carrier((3, 8), [reel_3("RL3-30001")], bays=1)], "J2": [scanner()]}
    tower = bench_3(*(fitted,), ports={"J1": {"target": 2, "now": (2, 8)}}, kernel="5.4.284", old_words=True)
    return Setup(build(tower))


@machine
def bench_3_swap_wanted() -> Setup:
    """A one-lane network card holds the sixteen-lane slot while a drive makes do with 5 GT/s."""
    return Setup(build(bench_3({"J1": [gigabit()], "J2": [reel_3("RL3-31001")], "J3": [gigabit()]})))


@machine
def bench_3_dark_slot() -> Setup:
    """The scanner's card is felt in its slot, but no link comes up."""
    tower = bench_3({"J1": display((3, 16))})
    port = _port(tower, "1c.0")
    port.registers = {
        pcie.SLOT_STATUS: {"presence_detect_state": 1},
        pcie.LINK_STATUS: {"link_bandwidth_management_status": 1},
    }
    return Setup(build(tower))


@machine
def bench_3_idle() -> Setup:
    """A display card at rest, its audio function with it."""
    tower = bench_3({"J1": display((3, 16)), "J2": [scanner()]})
    port = _port(tower, "01.0")
    port.now = (1, 16)
    port.registers[pcie.LINK_STATUS] = {"link_autonomous_bandwidth_status": 1}
    tree = build(tower)
    woken = tree.copy()
    ends = (port.address, *(one.address for one in port.below))
    set_link(woken, ends, (2, 16))
    return Setup(tree, [(0.5, tree), (1.0, woken), (2.0, tree)], ends)


@machine
def bench_3_two_ends() -> Setup:
    """Port and drive carrier say different widths of the same link."""
    up = carrier((3, 8), [reel_3("RL3-32001")], bays=1)
    up.now = (3, 4)
    tower = bench_3({"J1": [up], "J2": [scanner()]}, ports={"J1": {"now": (3, 8)}})
    return _again(build(tower), "0000:00:01.0", up.address)


@machine
def bench_3_asleep() -> Setup:
    """The scanner's card sleeps without power and is left asleep; its port sleeps lightly."""
    sleeper = scanner()
    sleeper.power_state = "D3cold"
    tower = bench_3({"J1": display((3, 16)), "J2": [sleeper]}, ports={"J2": {"power_state": "D3hot", "now": (1, 0)}})
    return Setup(build(tower))


# --- Other machines --------------------------------------------------------------------------------------------


@machine
def guest_passthrough() -> Setup:
    """A virtual machine of the studio's server: emulated devices, and one real drive passed through."""
    emulated: Fields = {
        "vendor": 0x1AF4,
        "subsystem": (0x1AF4, 0x1100),
        "maker": "Emulated",
        "vector": (1,),
        "counters": None,
    }
    port: Fields = {"vendor": 0x1B36, "device": 0x000C, "maker": "Emulated", "model": "Emulated root port"}
    functions = [
        Function(kind="host bridge", at="00.0", vendor=0x1B36, device=0x29C0, maker="Emulated", model="Host bridge"),
        Function(
            kind="display",
            at="01.0",
            conventional=True,
            vendor=0x1B36,
            device=0x0100,
            maker="Emulated",
            model="Display",
        ),
        root_port(
            *("02.0", (4, 32), [card("network", (1, 1), device=0x1041, model="Emulated network card", **emulated)]),
            slot=Slot(number=0, hot_plug=True, kernel_name="0", adapter=True),
            **port,
        ),
        root_port("02.1", (4, 32), slot=Slot(number=1, hot_plug=True), now=(4, 32), **port),
        drive((4, 4), Nvme(serial="RL4-40001"), at="05.0", payload_now=256),
        Function(kind="isa bridge", at="1f.0", vendor=0x1B36, device=0x2918, maker="Emulated", model="Bridge"),
        Function(
            kind="sata", at="1f.2", conventional=True, vendor=0x1B36, device=0x2922, maker="Emulated", model="SATA"
        ),
    ]
    return Setup(
        build(
            Machine(
                name="ingest-guest",
                buses={"0000:00": functions},
                virtual=True,
                maker="Emulated",
                product="Virtual machine",
                board_maker="Emulated",
                board="",
                firmware_maker="Emulated",
                firmware="1.16",
                firmware_date="04/01/2014",
                firmware_release="0.0",
                processors=4,
                memory=8_589_934_592,
            )
        )
    )


@machine
def guest_plain() -> Setup:
    """A small virtual machine: conventional emulated devices on one bus, no link, no firmware tables, no identity."""
    named: Fields = {"vendor": 0x1AF4, "subsystem": (0x1AF4, 0x1100), "maker": "Emulated", "conventional": True}
    functions = [
        Function(kind="host bridge", at="00.0", device=0x0D57, model="Host bridge", **named),
        Function(kind="network", at="01.0", device=0x1041, model="Emulated network card", **named),
        Function(kind="communication", at="02.0", device=0x1043, model="Emulated console", **named),
    ]
    return Setup(
        build(
            Machine(
                name="catalogue-guest",
                buses={"0000:00": functions},
                virtual=True,
                tables=False,
                identity=False,
                udev=False,
                processors=2,
                memory=2_147_483_648,
            )
        )
    )


@machine
def hostile_names() -> Setup:
    """A tower whose parts and firmware say hostile things in every name they can give."""
    return Setup(hostile())


def hall_server(functions: int = 2000) -> Setup:
    """The studio's server in the hall, as large as machines come; made when it is needed and not kept.

    Root buses with switch carriers of eight drives and network cards of 120 virtual functions each, until there
    are `functions` of them.
    """
    buses: dict[str, list[Function]] = {}
    count = number = 0
    while count < functions:
        drives = [reel_3(f"RL3-9{number:02d}{bay:02d}") for bay in range(8)]
        lan = card(
            *("network", (3, 8)),
            vendor=0xF1D0,
            device=0x2020,
            maker="Linnhaven",
            model="LN-20 network card",
            virtual=min(120, max(0, functions - count - 21)),
        )
        buses[f"{number:04x}:00"] = [
            Function(kind="host bridge", at="00.0", device=0x2020, maker="Thornwick", model="Host bridge"),
            root_port("01.0", (3, 16), [carrier((3, 16), drives, bays=8)], slot=Slot(number=2 * number + 1)),
            root_port("02.0", (3, 8), [lan], slot=Slot(number=2 * number + 2)),
        ]
        count += 21 + lan.virtual
        number += 1
    return Setup(build(Machine(name="hall", buses=buses, product="Hall server", processors=128)))


class Captured(Protocol):
    """A machine of any platform, as far as its capture goes."""

    def capture(self) -> bytes:
        """The machine's capture file."""


CAPTURED: Final[dict[str, Callable[[], Captured]]] = {**MACHINES, **DARWIN_MACHINES}


# --- Writing ---------------------------------------------------------------------------------------------------


def write(name: str, folder: Path = FIXTURES) -> Path:
    """Write the capture of one machine and give its place."""
    place = folder / name / "capture.json"
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_bytes(CAPTURED[name]().capture())
    return place


if __name__ == "__main__":
    for chosen in sys.argv[1:] or sorted(CAPTURED):
        write(chosen)
