"""Inputs that are small when packed and large in the work that they ask for. Test help only.

Captures are written answer by answer: a machine of `tests.parts` is walked by recursion, which depth would end.
"""

from __future__ import annotations

import gzip
import json
from typing import TYPE_CHECKING, Any, Final

from msgspec.structs import replace

from tests.boards import gigabit, reel_3, reel_4
from tests.parts import Function, Slot, downstream_port, root_port, switch
from tests.space import config_space

if TYPE_CHECKING:
    from collections.abc import Sequence

DEVICES: Final = "/sys/bus/pci/devices"
LINK_FILES: Final = ("current_link_speed", "current_link_width", "max_link_speed", "max_link_width")
SPEEDS: Final = {1: "2.5 GT/s PCIe", 3: "8.0 GT/s PCIe", 4: "16.0 GT/s PCIe"}
BRIDGE, DRIVE, NETWORK = "0x060400", "0x010802", "0x020000"
# The functions that a machine is made of here, each with its class code.
PARTS: Final = {
    "root": (root_port("00.0", (3, 4)), BRIDGE),
    "slot": (root_port("00.0", (3, 4), slot=Slot(number=1)), BRIDGE),
    "wide slot": (root_port("00.0", (4, 4), slot=Slot(number=2)), BRIDGE),
    "up": (switch((3, 4), []), BRIDGE),
    "down": (downstream_port((3, 4)), BRIDGE),
    "drive": (reel_3("RL3-1"), DRIVE),
    "fast drive": (replace(reel_4("RL4-1"), now=(3, 4)), DRIVE),
    "narrow drive": (replace(reel_3("RL3-2"), now=(3, 2)), DRIVE),
    "slow drive": (replace(reel_3("RL3-2"), now=(1, 4)), DRIVE),
    "network": (gigabit(), NETWORK),
}
COUNTED: Final = "RxErr 900\nBadTLP 7\nTOTAL_ERR_COR 907"

Answers = dict[str, dict[str, Any]]
Looks = list[tuple[float, Answers]]


def capture(answers: Answers, looks: Sequence[tuple[float, Answers]] = ()) -> bytes:
    """A capture file with these answers, packed."""
    file = {
        "format": "lanewright-capture",
        "version": 1,
        "platform": "linux",
        "taken_at": "2025-11-04T09:30:00+01:00",
        "agent": "0",
        "redacted": True,
        "reads": answers,
        "samples": [{"offset": offset, "reads": found} for offset, found in looks],
    }
    return gzip.compress(json.dumps(file, separators=(",", ":")).encode(), 9, mtime=0)


def address(number: int, domain: int = 0) -> str:
    """The address of the function of this number in a domain."""
    rest, function = divmod(number, 8)
    bus, device = divmod(rest, 32)
    return f"{domain:04x}:{bus:02x}:{device:02x}.{function}"


class Large:
    """A machine that grows function by function, in the domain that is the current one."""

    def __init__(self, *, errors: bool = False) -> None:
        """An empty machine, all of whose links count `errors` if they are to."""
        self.answers: Answers = {}
        self.domain = 0
        self._errors = errors
        self._in_domain = 0
        self._functions: list[str] = []
        self._drives: list[str] = []
        self._blocks: list[str] = []
        self._spaces = {kind: _space(function) for kind, (function, _) in PARTS.items()}

    def next_domain(self) -> None:
        """What follows is in another domain."""
        self.domain += 1
        self._in_domain = 0

    def add(self, kind: str, above: str | None = None) -> str:
        """One more function below another; gives its address."""
        here = address(self._in_domain, self.domain)
        self._in_domain += 1
        self._functions.append(here)
        place = f"{DEVICES}/{here}"
        function, code = PARTS[kind]
        now, can = function.now, function.can
        assert now is not None
        assert can is not None
        texts = {
            "class": code,
            "power_state": "D0",
            **dict(zip(LINK_FILES, (SPEEDS[now[0]], str(now[1]), SPEEDS[can[0]], str(can[1])), strict=True)),
        }
        if self._errors:
            texts["aer_dev_correctable"] = COUNTED
        root = f"pci{self.domain:04x}:00"
        self.answers[f"list {place}"] = {"list": ["config", *texts]}
        self.answers[f"link {place}"] = {"link": f"../../../devices/{root}/{f'{above}/' if above else ''}{here}"}
        self.answers[f"bytes {place}/config"] = {"hex": self._spaces[kind]}
        for name, text in texts.items():
            self.answers[f"text {place}/{name}"] = {"text": text}
        return here

    def drive(self, above: str, kind: str = "drive") -> str:
        """A drive below a port, with its driver's folder."""
        here = self.add(kind, above)
        name = f"nvme{len(self._drives)}"
        self._drives.append(name)
        place = f"/sys/class/nvme/{name}"
        self.answers[f"link {place}"] = {
            "link": f"../../devices/pci{self.domain:04x}:00/{above}/{here}/nvme/{name}",
        }
        self.answers[f"list {place}"] = {"list": ["model", "state"]}
        self.answers[f"text {place}/model"] = {"text": "Ostrayne Reel 3 2TB"}
        self.answers[f"text {place}/state"] = {"text": "live"}
        return here

    def silent(self, drives: int, disks: int) -> None:
        """Drives and disks of which nothing is told but their names."""
        self._drives += [f"nvme{len(self._drives) + number}" for number in range(drives)]
        self._blocks += [f"sd{number}" for number in range(disks)]

    def finished(self) -> Answers:
        """The answers, with the lists of all that was added."""
        return {
            f"list {DEVICES}": {"list": self._functions},
            "list /sys/class/nvme": {"list": self._drives},
            "list /sys/block": {"list": self._blocks},
            **self.answers,
        }


def _space(function: Function) -> str:
    """The first 256 bytes of configuration space of a part, as its registers say them."""
    function.at, function.address = "00.0", "0000:00:00.0"
    function.now = function.now or function.can
    function.payload_now = 256
    return config_space(function).hex()[:512]


# --- Machines --------------------------------------------------------------------------------------------------


def chain(switches: int) -> Large:
    """Switches below each other, a drive at the end."""
    made = Large()
    here = made.add("root")
    for _ in range(switches):
        here = made.add("down", made.add("up", here))
    made.drive(here)
    return made


def ladder(switches: int, domains: int = 1, kind: str = "drive", *, errors: bool = False) -> Large:
    """Switches below each other in each domain, each with a drive at a port of its own."""
    made = Large(errors=errors)
    for _ in range(domains):
        here = made.add("root")
        for _ in range(switches):
            up = made.add("up", here)
            made.drive(made.add("down", up), kind)
            here = made.add("down", up)
        made.next_domain()
    return made


def brush(switches: int, drives: int, domains: int = 1, kind: str = "drive") -> Large:
    """Switches below each other in each domain, all drives below the last one."""
    made = Large()
    for _ in range(domains):
        here = made.add("root")
        for _ in range(switches):
            here = made.add("down", made.add("up", here))
        up = made.add("up", here)
        for _ in range(drives):
            made.drive(made.add("down", up), kind)
        made.next_domain()
    return made


def wide(ports: int, domains: int = 1, kinds: Sequence[tuple[str, str]] = (("root", "drive"),)) -> Large:
    """Ports in each domain with a drive each, or with nothing (""), port and drive of these kinds in turn."""
    made = Large()
    for _ in range(domains):
        for number in range(ports):
            port, drive = kinds[number % len(kinds)]
            here = made.add(port)
            if drive:
                made.drive(here, drive)
        made.next_domain()
    return made


def looked_at(looks: int, functions: int, domains: int = 1, files: Sequence[str] = ("current_link_speed",)) -> Looks:
    """So many later looks at the first functions of each domain, each with an answer of its own for these files."""
    answers = {"current_link_speed": SPEEDS[1], "current_link_width": "4", "power_state": "D0"}
    return [
        (
            number + 1.0,
            {
                f"text {DEVICES}/{address(place, domain)}/{name}": {"text": answers[name]}
                for domain in range(domains)
                for place in range(functions)
                for name in files
            },
        )
        for number in range(looks)
    ]
