"""A tower whose parts and firmware say hostile things in every text they can give. Test help only."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tests.boards import bench_1, carrier, display, folio, reel_3, ten_gigabit
from tests.build import DEVICES, build
from tests.parts import Nvme

if TYPE_CHECKING:
    from tests.parts import Function
    from tests.tree import Tree

# One text for each way in which text can do harm where it is shown.
HOSTILE: Final = {
    "terminal": "\x1b[2J\x1b[31mFORMAT C\x1b]0;owned\x07\x1b[8m",
    "c1": "\x9b2J\x9d0;owned\x9c",
    "page": '"><script>alert(1)</script><img src=x onerror=alert(2)>&lt;',
    "markup": "[bold red]ALL FULL[/bold red] [link=http://example.invalid]click[/link] [/]",
    "markdown": "| a | b |\n|---|---|\n# heading\n![x](http://example.invalid/x.png) `code` **bold**",
    "lines": "first\r\nsecond\x0bthird\x0cfourth\x85fifth\u2028sixth",
    "direction": "\u202egnp.evird\u202c \u2066abc\u2069 \u200f",
    "invisible": "a\u200bb\ufeffc\u00add\u2060e",
    "long": "W" * 4000,
    "wide": "\u6f22\u5b57" * 60 + "\U0001f4be" * 40,
    "combining": "Z" + "\u0301\u0335" * 200,
    "percent": "%s%n%d {0} {__class__} ${HOME} `id` $(id) ;reboot",
    "path": "../../../../etc/passwd",
    "csv": "=cmd|' /C calc'!A0",
    "nul": "before\x00after",
    "empty": "",
    "blank": " \t ",
    "broken": b"\xff\xfe\xc3\x28 \xed\xa0\x80".decode("utf-8", "surrogateescape"),
}


def hostile() -> Tree:
    """The tower's tree."""
    texts = HOSTILE
    drives = []
    for model, serial, firmware in (
        ("terminal", "page", "c1"),
        ("page", "markup", "markup"),
        ("long", "long", "long"),
        ("direction", "nul", "percent"),
    ):
        nvme = Nvme(model=texts[model], serial=texts[serial], firmware=texts[firmware], state=texts["terminal"])
        drives.append(reel_3("", nvme=nvme, maker=texts["markdown"], model=texts["wide"]))
    system = folio("")
    system.drive = Nvme(model=texts["broken"], serial=texts["empty"] or " ", firmware=texts["blank"])
    screen = display(maker=texts["markup"], label=texts["page"], removable=texts["terminal"])
    lan = ten_gigabit()
    for one in lan:
        one.maker, one.model = texts["invisible"], texts["combining"]
    tower = bench_1({"SLOT1": [carrier((3, 16), drives)], "SLOT2": screen, "SLOT4": lan, "M2_1": [system]})
    _rename_slots(tower.buses["0000:00"])
    tower.name = texts["terminal"] + texts["page"]
    tower.kernel = texts["lines"]
    tower.maker, tower.product, tower.product_version = texts["page"], texts["terminal"], texts["long"]
    tower.board_maker, tower.board, tower.board_version = texts["markup"], texts["markdown"], texts["direction"]
    tower.firmware_maker, tower.firmware, tower.firmware_date = texts["csv"], texts["lines"], texts["percent"]
    tower.onboard = [(texts["terminal"], 5, lan[0])]
    for one in tower.buses["0000:00"]:
        for disk in one.disks:
            disk.model, disk.serial, disk.firmware = "\x1b[31m<b>x</b>", "\x1b]0;x\x07", "\x1b[2J"
    tree = build(tower)
    _more(tree)
    return tree


def _rename_slots(functions: list[Function]) -> None:
    """The firmware's and the kernel's names of slots."""
    names = {1: "terminal", 2: "page", 3: "long", 4: "markdown", 5: "broken", 6: "direction"}
    for function in functions:
        if function.slot is not None:
            key = names[function.slot.number]
            function.slot.name = HOSTILE[key].replace("\x00", "")
            function.slot.kernel_name = HOSTILE[key].replace("/", "\\").replace("\x00", "")[:200]


def _more(tree: Tree) -> None:
    """Texts that only the kernel or a driver writes."""
    texts = HOSTILE
    for name in tree.listed(DEVICES):
        if name.endswith(":00.0") and name.startswith("0000:0"):
            place = tree.resolve(f"{DEVICES}/{name}")
            tree.texts(place, power_state=texts["terminal"])
            tree.directory(f"/sys/bus/pci/drivers/{texts['page'].replace('/', '-')}")
            tree.link(f"{place}/driver", f"/sys/bus/pci/drivers/{texts['page'].replace('/', '-')}")
    for name in tree.listed("/sys/class/hwmon"):
        place = tree.resolve(f"/sys/class/hwmon/{name}")
        if "temp1_label" in tree.listed(place):
            tree.texts(place, temp1_label=texts["terminal"], temp2_label=texts["page"], temp2_input="nan")
    tree.put(f"{DEVICES}/\x1b[31m", texts["terminal"])
    tree.put(f"{DEVICES}/0000:zz:00.0", texts["page"])
