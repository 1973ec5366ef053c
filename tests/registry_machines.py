"""The Darwin machines of `fixtures/`: older and newer towers of Harrow Lane Archive, one function each. All invented.

What is expected of each stands in its `about.toml`, written by hand; nothing here says what is right.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from msgspec import Struct
from msgspec.structs import replace

from probes.answers import failed
from probes.reads import Recorded, Recording
from tests.build import AGENT, MOMENT
from tests.registry import (
    DOWNSTREAM,
    ENDPOINT,
    INTEGRATED,
    LEGACY_ENDPOINT,
    ROOT_PORT,
    TO_PCI,
    UPSTREAM,
    Pci,
    Rate,
    Release,
    Tower,
)
from tests.registry_entries import Disk, Entry, ahci, nvme, other_block

if TYPE_CHECKING:
    from collections.abc import Callable

    from probes.reads import Answer
    from probes.unread import Unread

FIRST_TYPELESS: Final = Release(kernel="10.8.0")
WITH_TYPES: Final = Release(kernel="16.7.0")
LATER: Final = Release(kernel="18.7.0")
LAST_AT_START: Final = Release(kernel="19.6.0")
REFRESHED: Final = Release(kernel="22.6.0")
OTHER_PROCESSOR: Final = Release(kernel="23.5.0")
LIVE: Final = Release(kernel="25.0.0")

At = tuple[int, int, int]


class RegistryReads:
    """A Darwin machine that answers what its registry printer and psutil would, and nothing else."""

    platform = "darwin"

    def __init__(self, registry: dict[str, str | bytes | Unread], figures: dict[str, str]) -> None:
        """`registry` maps the names of the probe's questions to their answers, `figures` those of psutil."""
        self._registry = registry
        self._figures = figures

    def registry(self, name: str) -> str | bytes | Unread:
        """What the registry printer gives."""
        return self._registry.get(name, failed(f"registry {name}", "ENOENT"))

    def psutil(self, subject: str) -> str | Unread:
        """One figure of psutil."""
        return self._figures.get(subject, failed(f"psutil {subject}", "ENOSYS"))

    def text(self, path: str) -> str | Unread:
        """No file of a Darwin machine is read."""
        return failed(f"text {path}", "ENOENT")

    def data(self, path: str) -> bytes | Unread:
        """No file of a Darwin machine is read."""
        return failed(f"bytes {path}", "ENOENT")

    def names(self, path: str) -> tuple[str, ...] | Unread:
        """No directory of a Darwin machine is read."""
        return failed(f"list {path}", "ENOENT")

    def target(self, path: str) -> str | Unread:
        """No link of a Darwin machine is read."""
        return failed(f"link {path}", "ENOENT")

    def udev(self, subject: str) -> str | Unread:
        """There is no udev here."""
        return failed(f"udev {subject}", "ENOSYS")

    def nvme(self, subject: str) -> bytes | Unread:
        """No command is sent to a drive."""
        return failed(f"nvme {subject}", "ENOSYS")


class RegistrySetup(Struct, frozen=True):
    """A Darwin machine with its capture."""

    tower: Tower

    def reads(self) -> RegistryReads:
        """The machine as a probe would ask it."""
        return RegistryReads(dict(self.tower.answers()), self.tower.figures())

    def answers(self) -> dict[str, Answer]:
        """Every question that a run asks, with its answer."""
        from probes import collect

        recording = Recording(self.reads())
        collect(recording)
        return recording.answers

    def replay(self) -> Recorded:
        """The machine as a capture answers for it."""
        return Recorded(self.answers(), "darwin")

    def capture(self) -> bytes:
        """The machine's capture file."""
        from probes.capture import encode

        answers = self.answers()
        return encode(platform="darwin", taken_at=MOMENT, agent=AGENT, answers=answers, samples=(), keep_serials=True)


DARWIN_MACHINES: Final[dict[str, Callable[[], RegistrySetup]]] = {}


def machine(make: Callable[[], RegistrySetup]) -> Callable[[], RegistrySetup]:
    """Add a machine to the list under its function's name, with hyphens."""
    DARWIN_MACHINES[make.__name__.replace("_", "-")] = make
    return make


# --- Parts -------------------------------------------------------------------------------------------------------


def root_port(at: At, name: str, can: Rate, buses: tuple[int, int], below: list[Pci], **more: object) -> Pci:
    """A root port with the card below it."""
    return _fields(Pci(at=at, name=name, code=0x060400, port=ROOT_PORT, can=can, buses=buses, below=below), more)


def downstream(at: At, can: Rate, bus: int, below: list[Pci], **more: object) -> Pci:
    """A downstream port of a switch."""
    made = Pci(at=at, name="pci-bridge", code=0x060400, vendor=0xF1B2, device=0x0831, port=DOWNSTREAM)
    made.can, made.buses, made.below = can, (bus, bus), below
    return _fields(made, more)


def upstream(at: At, can: Rate, buses: tuple[int, int], below: list[Pci], **more: object) -> Pci:
    """The upstream port of a switch."""
    made = Pci(at=at, name="pci-bridge", code=0x060400, vendor=0xF1B2, device=0x0830, port=UPSTREAM)
    made.can, made.buses, made.below = can, buses, below
    return _fields(made, more)


def _fields(made: Pci, more: dict[str, object]) -> Pci:
    for name, value in more.items():
        assert hasattr(made, name)
        setattr(made, name, value)
    return made


def conventional(at: At, name: str, code: int, drivers: list[Entry] | None = None, **more: object) -> Pci:
    """A function without a link."""
    return _fields(Pci(at=at, name=name, code=code, device=0x7A00 | at[1], drivers=drivers or []), more)


def host_bridge() -> Pci:
    """The first function of the first bus."""
    return conventional((0, 0, 0), "TOP0", 0x060000)


def reel(at: At, can: Rate, disk: Disk | None, **more: object) -> Pci:
    """An NVMe drive, or the controller of one that the system does not claim."""
    made = Pci(at=at, name=f"pcif1c4,{0x3000 + can[0]:x}", code=0x010802, vendor=0xF1C4, device=0x3000 + can[0])
    made.port, made.can, made.subsystem = ENDPOINT, can, (0xF1C4, 0x0001)
    made.drivers = [nvme(disk)] if disk is not None else []
    return _fields(made, more)


def disk(number: int, model: str, serial: str, **more: Any) -> Disk:  # noqa: ANN401 - fields of Disk
    """A drive that the system calls `disk` and this number."""
    told = {"firmware": "RL3A1.07", "size": 2_000_398_934_016, **more}
    return Disk(media=f"disk{number}", model=model, serial=serial, **told)


def reel_2(number: int, serial: str) -> Disk:
    """A drive of the years of the first tower."""
    return disk(number, "Ostrayne Reel 2 400GB", serial, size=400_088_457_216, firmware="RL2C1.03")


def vault(number: int, serial: str) -> Disk:
    """A SATA disk of the towers."""
    return Disk(
        media=f"disk{number}",
        model="Holmsey Vault 8",
        serial=serial,
        firmware="HV31",
        size=8_001_563_222_016,
        interconnect="SATA",
        solid=False,
    )


def display(bus: int, can: Rate, now: Rate | None = None, **more: object) -> list[Pci]:
    """A display card with its audio function; both share one driver entry, which is printed under each."""
    shared = Entry(name="FrescadeFramebuffer", kind="FrescadeFramebuffer", kinds=("IOFramebuffer",))
    named = {"vendor": 0xF1E0, "subsystem": (0xF1E0, 0x0012), "drivers": [shared]}
    screen = Pci(at=(bus, 0, 0), name="display", code=0x030000, device=0x1200, model="Frescade 12")
    sound = Pci(at=(bus, 0, 1), name="pcif1e0,1201", code=0x040300, device=0x1201)
    for one in (screen, sound):
        one.port, one.can, one.now = LEGACY_ENDPOINT, can, now
        _fields(one, named)
    return [_fields(screen, more), sound]


def gigabit(at: At, can: Rate = (1, 1)) -> Pci:
    """The network controller on the board."""
    return Pci(at=at, name="ETH0", code=0x020000, vendor=0xF1D0, device=0x0101, port=ENDPOINT, can=can)


# --- Towers ------------------------------------------------------------------------------------------------------


@machine
def tower_1_untyped_carrier() -> RegistrySetup:
    """A first tower: no port types, no `pcidebug`; a switch carrier with three drives, a bridge to conventional PCI."""
    bays = [
        downstream(
            (4, 4 + bay, 0),
            (2, 4),
            5 + bay,
            [reel((5 + bay, 0, 0), (2, 4), reel_2(2 + bay, f"RL2-5000{bay}"))],
        )
        for bay in range(3)
    ]
    carrier = upstream((3, 0, 0), (2, 8), (4, 8), [*bays, downstream((4, 7, 0), (2, 4), 8, [])])
    scanner = Pci(at=(0xB, 0, 0), name="pcif1e8,35", code=0x040000, vendor=0xF1E8, device=0x0035, port=ENDPOINT)
    scanner.can, scanner.now, scanner.model = (2, 4), (1, 4), "Gate 35 scanner link"
    old_bus = Pci(at=(0xC, 0, 0), name="pci-bridge", code=0x060400, vendor=0xF1B6, device=0x0812, port=TO_PCI)
    old_bus.can, old_bus.buses = (1, 1), (0xD, 0xD)
    old_bus.below = [conventional((0xD, 0, 0), "CAM0", 0x0C0010)]
    behind = conventional((0, 0x1E, 0), "OLD0", 0x060401, buses=(0xE, 0xE))
    behind.below = [conventional((0xE, 0, 0), "pcif1e9,7", 0x070100)]
    sound = Pci(at=(0, 0x1B, 0), name="SND0", code=0x040300, device=0x7A1B, port=INTEGRATED)
    functions = [
        host_bridge(),
        root_port((0, 1, 0), "CPA0", (2, 16), (2, 2), display(2, (2, 16))),
        root_port((0, 3, 0), "CPA1", (2, 16), (3, 8), [carrier]),
        root_port((0, 7, 0), "CPA2", (2, 4), (9, 9), []),
        sound,
        root_port((0, 0x1C, 0), "HUB1", (1, 1), (0xA, 0xA), [gigabit((0xA, 0, 0))]),
        root_port((0, 0x1C, 1), "HUB2", (1, 4), (0xB, 0xB), [scanner]),
        root_port((0, 0x1C, 2), "HUB3", (1, 1), (0xC, 0xD), [old_bus]),
        behind,
        conventional((0, 0x1F, 2), "SATA", 0x010601, [ahci(vault(0, "HV31-50001"), vault(1, "HV31-50002"))]),
    ]
    return RegistrySetup(
        Tower(release=FIRST_TYPELESS, model="Grading tower 1A", bridges=[functions], build="lane 10-21")
    )


@machine
def tower_1_integrated() -> RegistrySetup:
    """A first tower whose chipset has PCI Express devices of its own: they tell no type, no speed and no lanes."""
    inside = [
        conventional((0, 0, 0), "TOP0", 0x060000, port=ENDPOINT, can=(2, 4), status=0),
        conventional((0, 0x13, 0), "INT0", 0x080020, port=INTEGRATED, can=(0, 0), status=0),
        conventional((0, 0x14, 0), "MON0", 0x088000, port=INTEGRATED, can=(0, 0), status=0x1000),
        conventional((0, 0x1B, 0), "SND0", 0x040300, port=INTEGRATED, can=(1, 1), status=0),
    ]
    functions = [
        *inside,
        root_port((0, 1, 0), "CPA0", (2, 16), (2, 2), display(2, (2, 16))),
        root_port((0, 3, 0), "CPA1", (2, 4), (3, 3), [reel((3, 0, 0), (2, 4), reel_2(1, "RL2-57001"), now=(2, 2))]),
        root_port((0, 7, 0), "CPA2", (2, 4), (5, 5), []),
        root_port((0, 0x1C, 0), "HUB1", (1, 1), (4, 4), [gigabit((4, 0, 0))]),
        conventional((0, 0x1F, 2), "SATA", 0x010601, [ahci(vault(0, "HV31-57002"))]),
    ]
    return RegistrySetup(
        Tower(release=FIRST_TYPELESS, model="Grading tower 1B", bridges=[functions], build="lane 10-22")
    )


@machine
def tower_2_latched_slot() -> RegistrySetup:
    """A later tower whose firmware left Slot Status 0053h: events of some time ago, and the card runs at its best."""
    functions = [
        host_bridge(),
        root_port(
            *((0, 1, 0), "CPB0", (3, 16), (1, 1), display(1, (3, 16), slot_name="Slot-1")),
            slot=1,
            power_controller=True,
            latched=0x0013,
        ),
        root_port(
            (0, 2, 0),
            "CPB1",
            (3, 8),
            (2, 2),
            [reel((2, 0, 0), (3, 4), disk(1, "Ostrayne Reel 3 2TB", "RL3-58001"))],
            slot=2,
        ),
        conventional((0, 0x17, 0), "SATA", 0x010601, [ahci(vault(0, "HV31-58002"))]),
        root_port((0, 0x1C, 0), "HUB1", (2, 1), (3, 3), [gigabit((3, 0, 0))], now=(1, 1)),
        root_port((0, 0x1C, 1), "HUB2", (2, 1), (4, 4), []),
    ]
    return RegistrySetup(Tower(release=WITH_TYPES, model="Grading tower 2C", bridges=[functions], build="lane 16-15"))


@machine
def tower_2_narrow_drive() -> RegistrySetup:
    """A later tower with names of slots: a drive lost two of its lanes, another sits in a slower slot."""
    narrow = reel((2, 0, 0), (3, 4), disk(1, "Ostrayne Reel 3 2TB", "RL3-51001"), now=(3, 2), slot_name="Slot-2")
    limited = reel((3, 0, 0), (3, 4), disk(2, "Ostrayne Reel 3 2TB", "RL3-51002"), now=(2, 4))
    functions = [
        host_bridge(),
        root_port((0, 1, 0), "CPB0", (3, 16), (1, 1), display(1, (3, 16), slot_name="Slot-1"), slot=1),
        root_port((0, 2, 0), "CPB1", (3, 8), (2, 2), [narrow], slot=2, now=(3, 2)),
        root_port((0, 3, 0), "CPB2", (2, 4), (3, 3), [limited], slot=3, now=(2, 4), slot_name="Slot-3"),
        root_port((0, 4, 0), "CPB3", (3, 8), (4, 4), [], slot=4, slot_name="Slot-4"),
        conventional((0, 0x14, 0), "USB0", 0x0C0330),
        root_port((0, 0x1C, 0), "HUB1", (2, 1), (5, 5), [gigabit((5, 0, 0))], now=(1, 1)),
        root_port((0, 0x1C, 1), "HUB2", (2, 1), (6, 6), []),
        root_port((0, 0x1C, 2), "HUB3", (2, 2), (7, 7), [], slot=9, hot_plug=0x20),
        conventional((0, 0x1F, 2), "SATA", 0x010601, [ahci(vault(0, "HV31-51003"))]),
    ]
    return RegistrySetup(Tower(release=WITH_TYPES, model="Grading tower 2A", bridges=[functions], build="lane 16-12"))


@machine
def tower_2_narrow_carrier() -> RegistrySetup:
    """The same kind of tower: the uplink of a switch carrier lost twelve lanes; four drives sit behind it."""
    bays = [
        downstream(
            (2, bay, 0),
            (3, 4),
            3 + bay,
            [reel((3 + bay, 0, 0), (3, 4), disk(1 + bay, "Ostrayne Reel 3 2TB", f"RL3-5200{1 + bay}"))],
            slot=101 + bay,
        )
        for bay in range(4)
    ]
    carrier = upstream((1, 0, 0), (3, 16), (2, 6), bays, now=(3, 4), slot_name="Slot-1")
    functions = [
        host_bridge(),
        root_port((0, 1, 0), "CPB0", (3, 16), (1, 6), [carrier], slot=1, now=(3, 4)),
        root_port((0, 2, 0), "CPB1", (3, 16), (7, 7), display(7, (3, 16), slot_name="Slot-2"), slot=2),
        conventional((0, 0x17, 0), "SATA", 0x010601, [ahci(vault(0, "HV31-52005"))]),
        root_port((0, 0x1C, 0), "HUB1", (2, 1), (8, 8), [gigabit((8, 0, 0))], now=(1, 1)),
        root_port((0, 0x1C, 4), "HUB5", (3, 4), (9, 9), [], slot=4),
    ]
    return RegistrySetup(Tower(release=LATER, model="Grading tower 2B", bridges=[functions]))


@machine
def tower_3_tunnelled_dock() -> RegistrySetup:
    """A desk dock on a cable, below a controller that tunnels: all below the tunnel is marked so."""
    kept = disk(1, "Ostrayne Reel 3 2TB", "RL3-53001", location="External")
    drive = reel((8, 0, 0), (3, 4), kept, now=(1, 4), tunnelled=True)
    dock = upstream(
        (6, 0, 0),
        (1, 4),
        (7, 9),
        [
            downstream((7, 0, 0), (1, 4), 8, [drive], tunnelled=True),
            downstream((7, 1, 0), (1, 4), 9, [], slot=35, hot_plug=0x20, tunnelled=True),
        ],
        tunnelled=True,
    )
    inside = Pci(at=(5, 0, 0), name="TNL0", code=0x088000, vendor=0xF1EC, device=0x0013, port=ENDPOINT, can=(1, 4))
    controller = upstream(
        (3, 0, 0),
        (3, 4),
        (4, 0x3F),
        [
            downstream((4, 0, 0), (1, 4), 5, [inside]),
            downstream((4, 1, 0), (1, 4), 6, [dock], slot=33, hot_plug=0x30, buses=(6, 0x20)),
            downstream((4, 4, 0), (1, 4), 0x21, [], slot=34, hot_plug=0x30, buses=(0x21, 0x3F)),
        ],
    )
    functions = [
        host_bridge(),
        root_port((0, 1, 0), "CPB0", (3, 16), (1, 1), display(1, (3, 16)), slot=1),
        conventional((0, 0x17, 0), "SATA", 0x010601, [ahci(vault(0, "HV31-53002"))]),
        root_port((0, 0x1C, 0), "HUB1", (2, 1), (2, 2), [gigabit((2, 0, 0))], now=(1, 1)),
        root_port((0, 0x1D, 0), "HUB9", (3, 4), (3, 0x3F), [controller]),
        root_port((0, 0x1D, 4), "HUB13", (3, 4), (0x40, 0x40), []),
    ]
    return RegistrySetup(Tower(release=LAST_AT_START, model="Grading tower 3A", bridges=[functions], build="lane 19-8"))


@machine
def tower_3_calm_display() -> RegistrySetup:
    """Registers that print as negative, zero capabilities, a slot wired with fewer lanes, a display card at rest."""
    kept = disk(1, "Ostrayne Reel 3 2TB", "RL3-54001")
    system = disk(0, "Quillmark Folio 1TB", "QF1-54002", size=1_000_204_886_016, firmware="QF-2.3.1")
    bays = [
        downstream((2, 0, 0), (3, 4), 3, [reel((3, 0, 0), (3, 4), kept, code=0x018002)], number=0x90, slot=101),
        downstream((2, 1, 0), (3, 4), 4, [], number=0x91, slot=102),
    ]
    carrier = upstream((1, 0, 0), (3, 16), (2, 4), bays, now=(3, 8), number=0x8F)
    slow = reel((6, 0, 0), (3, 4), system, now=(2, 4), vendor=0xF1C5, device=0x0210, name="pcif1c5,210")
    functions = [
        host_bridge(),
        root_port((0, 1, 0), "CPB0", (3, 16), (1, 4), [carrier], slot=1, number=0x81, override=8, now=(3, 8)),
        root_port(
            *((0, 2, 0), "CPB1", (3, 16), (5, 5), display(5, (3, 16), (1, 16), slot_name="Slot-2")),
            slot=2,
            number=0x82,
            now=(1, 16),
        ),
        root_port((0, 3, 0), "CPB2", (3, 4), (6, 6), [slow], slot=3, number=0x83, now=(2, 4)),
        conventional((0, 0x14, 0), "USB0", 0x0C0330),
        conventional((0, 0x16, 0), "MGT0", 0x078000),
        root_port((0, 0x1C, 0), "HUB1", (3, 1), (7, 7), [gigabit((7, 0, 0))], now=(1, 1)),
        root_port((0, 0x1D, 0), "HUB9", (3, 4), (8, 8), [], number=0x89, reports_active=True),
        conventional((0, 0x1F, 0), "LOW0", 0x060100),
        Pci(at=(0, 0x1F, 3), name="SND0", code=0x040300, device=0x7A1F, port=INTEGRATED),
    ]
    return RegistrySetup(Tower(release=REFRESHED, model="Grading tower 3B", bridges=[functions], build="lane 22-104"))


@machine
def tower_5_fabric_storage() -> RegistrySetup:
    """Another kind of processor: storage on its own fabric, and three host bridges that number their buses alike.

    The registry prints the second host bridge first; the ids of its entries tell which one is older.
    """
    system = disk(0, "Thornwick Onboard 1TB", "TWO-55001", size=1_000_555_581_440, firmware="TF-118.2")
    system = replace(system, interconnect="Thornwick Fabric")
    image = disk(4, "Disk Image", "", size=104_857_600, interconnect="Virtual Interface", location="File")
    scratch = [disk(2 + bay, "Ostrayne Reel 4 2TB", f"RL4-5500{2 + bay}", firmware="RL4B2.10") for bay in range(2)]
    bays = [
        downstream((2, 0, 0), (4, 4), 3, [reel((3, 0, 0), (4, 4), scratch[0])], slot=101),
        downstream((2, 1, 0), (4, 4), 4, [reel((4, 0, 0), (4, 4), scratch[1], code=0x018002)], slot=102),
    ]
    carrier = upstream((1, 0, 0), (4, 16), (2, 4), bays, slot_name="Slot-1", id=0x100000213)
    wires = [
        Pci(at=(1, 0, port), name=f"ETH{port}", code=0x020000, vendor=0xF1D0, device=0x1010, port=ENDPOINT, can=(3, 4))
        for port in range(2)
    ]
    for port, one in enumerate(wires):
        one.id = 0x100000211 + port
    bridges = [
        [root_port((0, 0, 0), "pcie1", (4, 16), (1, 4), [carrier], slot=1, id=0x100000202)],
        [root_port((0, 0, 0), "pcie0", (4, 4), (1, 1), wires, now=(3, 4), id=0x100000201)],
        [root_port((0, 0, 0), "pcie2", (3, 4), (1, 1), [], id=0x100000203)],
    ]
    fabric = [
        Entry(name="ans", kind="IOService", children=[nvme(system, controller="ThornwickFabricNVMeController")]),
        Entry(name="IOHDIXController", kind="IOHDIXController", children=[other_block(image, "IOHDIXHDDrive")]),
    ]
    tower = Tower(release=OTHER_PROCESSOR, model="Grading tower 5A", bridges=bridges, fabric=fabric, firmware=None)
    tower.build = "lane 23-55"
    return RegistrySetup(tower)


@machine
def tower_6_live() -> RegistrySetup:
    """The newest release: status is read live; one drive cannot be reached, one link is inactive, one slot is dark."""
    reels = [disk(number, "Ostrayne Reel 4 2TB", f"RL4-5600{1 + number}", firmware="RL4B2.10") for number in range(3)]
    functions = [
        host_bridge(),
        root_port((0, 1, 0), "CPB0", (5, 16), (1, 1), display(1, (4, 16)), slot=1, number=0xA1, now=(4, 16)),
        root_port((0, 2, 0), "CPB1", (4, 4), (2, 2), [reel((2, 0, 0), (4, 4), reels[1], status=0xFFFF)], slot=2),
        root_port((0, 3, 0), "CPB2", (4, 4), (3, 3), [reel((3, 0, 0), (4, 4), reels[2], status={})], slot=3),
        root_port((0, 4, 0), "CPB3", (4, 4), (4, 4), [reel((4, 0, 0), (4, 4), reels[0])], slot=4),
        root_port((0, 5, 0), "CPB4", (4, 8), (5, 5), [], slot=5, status={}),
        root_port((0, 6, 0), "CPB5", (4, 4), (6, 6), []),
        root_port((0, 7, 0), "CPB6", (4, 4), (8, 8), [], slot=6, hot_plug=0x20, present=True),
        root_port((0, 0x1C, 0), "HUB1", (3, 1), (7, 7), [gigabit((7, 0, 0), (2, 1))], now=(2, 1)),
    ]
    return RegistrySetup(Tower(release=LIVE, model="Grading tower 6A", bridges=[functions], build="lane 25-30"))
