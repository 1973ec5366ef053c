"""Readings of a real kernel that are made to fail, one by one, and what the program then says: `Family`, `orders`.

`python -m tests.lab.faults` prints the laws of `tests.lab.injection` that do not hold, by family and error.

Errors come from two places. What is a list, a link or a command to a drive fails in strace (`-P PATH -e inject=...`);
what is a file is covered by one that the kernel asks a program of ours for (`tests.lab.pieces`), which takes a third of
the time. One file of each kind is done by strace as well. Two guests share the work; `tests.lab.spoiling` does it.
"""

from __future__ import annotations

import json
import re
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from click.testing import CliRunner
from msgspec import Struct, field, structs

from agent.cli import main as program
from tests.lab.boot import Guest, Result, python
from tests.lab.edits import DEVICES, End, configurations, shown
from tests.lab.injection import Said, Spoilt, Violation, violations
from tests.lab.kernel import image
from tests.lab.racks import SPOILT, STRIPED

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

ROOT: Final = "root"
ORDINARY: Final = "ordinary"
USERS: Final = (ROOT, ORDINARY)
ERRORS: Final = ("EIO", "EACCES", "ENODEV", "EINTR")

CARD: Final = "0000:01:00.0"
PORT: Final = "0000:00:04.0"
SECONDS: Final = 1800.0
GUESTS: Final = 2

# --- What is there to fail -------------------------------------------------------------------------------------

# States of the guest that a run is made in. Each has at most one fault, so that nothing else keeps `check` from ending
# with 0: a link with two of its four lanes, a hot drive, a drive that warns of itself.
WELL: Final = "well"
NARROW: Final = "narrow"
HOT: Final = "hot"
WARNED: Final = "warned"
STATES: Final = (WELL, NARROW, HOT, WARNED)


class Family(Struct, frozen=True):
    """Readings of one kind. `key` is the one to be spoilt, as in a capture; `path` is where, if it does not say.

    `nth` is which of the calls at that path it is, 0 for all. `listing` tells that it lists functions, drives, sensors
    or sets, `refused` that the kernel gives it to the super-user only.
    """

    name: str
    key: str
    states: tuple[str, ...] = (WELL,)
    path: str = ""
    nth: int = 0
    listing: bool = False
    refused: bool = False

    @property
    def kind(self) -> str:
        """The kind of the question."""
        return self.key.partition(" ")[0]

    @property
    def place(self) -> str:
        """Where it is to fail."""
        return self.path or self.key.partition(" ")[2]


def _function(what: str, address: str) -> Iterator[Family]:
    place = f"{DEVICES}/{address}"
    yield Family(f"{what} directory", f"list {place}", (NARROW,))
    yield Family(f"{what} symlink", f"link {place}", (NARROW,))
    yield Family(f"{what} config", f"bytes {place}/config", (NARROW,))
    for name in ("current_link_speed", "current_link_width", "max_link_speed", "max_link_width", "class"):
        yield Family(f"{what} {name}", f"text {place}/{name}", (NARROW,))


def _files(what: str, folder: str, *names: str, state: str = WELL) -> Iterator[Family]:
    for name in names:
        yield Family(f"{what} {name}", f"text {folder}/{name}", (state,))


FAMILIES: Final = (
    Family("functions list", f"list {DEVICES}", (WELL, NARROW), listing=True),
    *_function("card", CARD),
    *_function("port", PORT),
    *_files(
        *("card", f"{DEVICES}/{CARD}"),
        *("vendor", "device", "subsystem_vendor", "subsystem_device", "revision", "numa_node", "power_state"),
        state=NARROW,
    ),
    *_files(
        *("port", f"{DEVICES}/{PORT}"),
        *("aer_dev_correctable", "aer_dev_nonfatal", "aer_dev_fatal"),
        state=NARROW,
    ),
    Family("card driver link", f"link {DEVICES}/{CARD}/driver", (NARROW,)),
    Family("card udev", f"udev {CARD}", (NARROW,), path=f"/sys/devices/pci0000:00/{PORT}/{CARD}/uevent"),
    Family("nvme list", "list /sys/class/nvme", (WELL, WARNED), listing=True),
    Family("nvme symlink", "link /sys/class/nvme/{drive}", (NARROW,)),
    Family("nvme directory", "list /sys/class/nvme/{drive}", (WELL, HOT)),
    *_files("nvme", "/sys/class/nvme/{drive}", "model", "firmware_rev", "serial", "state", "{drive}n1/size"),
    Family("nvme Identify", "nvme identify /dev/{drive}", (HOT,), path="/dev/{drive}", nth=1, refused=True),
    Family("nvme log 02h", "nvme log-02 /dev/{drive}", (WARNED,), path="/dev/{drive}", nth=2, refused=True),
    Family("nvme log 03h", "nvme log-03 /dev/{drive}", (WELL,), path="/dev/{drive}", nth=3, refused=True),
    Family("block list", "list /sys/block", listing=True),
    Family("disk symlink", "link /sys/block/sda", listing=True),
    *_files("disk", "/sys/block/sda", "device/model", "device/rev", "size"),
    Family("disk vpd_pg80", "bytes /sys/block/sda/device/vpd_pg80"),
    Family("set directory", "list /sys/block/md127/md", listing=True),
    *_files("set", "/sys/block/md127", "md/level", "md/raid_disks", "md/array_state", "md/dev-{drive}n1/slot", "size"),
    Family("hwmon list", "list /sys/class/hwmon", (WELL, HOT), listing=True),
    Family("hwmon symlink", "link /sys/class/hwmon/{sensor}", (WELL, HOT), listing=True),
    Family("hwmon directory", "list /sys/class/hwmon/{sensor}", (WELL, HOT), listing=True),
    *_files("hwmon", "/sys/class/hwmon/{sensor}", "name", "temp1_input", "temp1_crit", "temp1_label", state=HOT),
    Family("slots list", "list /sys/bus/pci/slots", (NARROW,)),
    Family("slot directory", "list /sys/bus/pci/slots/{slot}", (NARROW,)),
    *_files("slot", "/sys/bus/pci/slots/{slot}", "address", "adapter", state=NARROW),
    Family("dmi/id list", "list /sys/class/dmi/id"),
    *_files("dmi/id", "/sys/class/dmi/id", "sys_vendor", "product_name", "product_version"),
    *_files("dmi/id", "/sys/class/dmi/id", "bios_vendor", "bios_version", "bios_date", "bios_release"),
    Family("DMI table", "bytes /sys/firmware/dmi/tables/DMI", (NARROW,), refused=True),
    *_files("proc", "/proc", "cpuinfo", "uptime", "sys/kernel/hostname", "sys/kernel/osrelease"),
    Family("psutil memory", "psutil virtual_memory.total", path="/proc/meminfo"),
    Family("psutil processors", "psutil cpu_count", path="/sys/devices/system/cpu/online"),
)
# Asked of udev, which looks at the list of functions.
WITH_OTHERS: Final = frozenset({"udev pci"})
BY_NAME: Final = {family.name: family for family in FAMILIES}

# Calls by the kind of a question: where permission is refused, and where all else goes wrong.
CALLS: Final = {"list": ("openat", "getdents64"), "link": ("readlink", "readlink"), "nvme": ("openat", "ioctl")}
FILE_CALLS: Final = ("openat", "read")
# Files that are spoilt by strace as well, and that are interrupted: the interpreter asks again after that (PEP 475).
ALSO_TRACED: Final = ("nvme model", "card config")
INTERRUPTED: Final = (*ALSO_TRACED, "proc cpuinfo")
# Families that meet every error in every test; the others meet EIO, and as root EACCES, which alone of all errors is a
# matter of rights. To the program any other error is like EIO but for its words.
ALWAYS: Final = (*INTERRUPTED, "functions list", "nvme list", "hwmon symlink", "nvme log 02h")
OF_SOME: Final = frozenset({"ENODEV", "EINTR"})
# Readings that are cut to so many bytes and thereby to nothing that they could mean, beside those cut to nothing.
CUT: Final = {"card config": 100, "card current_link_speed": 5, "card class": 4, "DMI table": 30, "disk vpd_pg80": 3}
# Readings that come in pieces of so many bytes, which changes nothing, or break off after the first.
PIECES: Final = {
    "card config": 512,
    "DMI table": 64,
    "proc cpuinfo": 100,
    "nvme model": 5,
    "card current_link_width": 1,
    "card current_link_speed": 4,
    "hwmon temp1_input": 2,
}


class Order(Struct, frozen=True):
    """One run to be made, as `tests.lab.spoiling` reads it; `error`, `family` and `state` are for those who judge.

    `commands` are places in its list of commands: `check` is the first, `capture` the second.
    """

    family: str
    user: str
    state: str
    error: str
    path: str = "/"
    calls: tuple[str, ...] = ()
    when: str = ""
    served: dict[str, str | int] | None = None
    cut: int | None = None
    commands: tuple[int, ...] = (0, 1)
    cold: bool = False
    drive: str = CARD
    shown: dict[str, str] = field(default_factory=dict)

    @property
    def ordinary(self) -> bool:
        """Whether it is an ordinary user's."""
        return self.user == ORDINARY

    @property
    def whole(self) -> bool:
        """Whether nothing is spoilt."""
        return not (self.calls or self.served) and self.cut is None

    @property
    def often(self) -> bool:
        """Whether it belongs to every test."""
        if self.error in OF_SOME:
            return self.user == ROOT and self.family in ALWAYS
        return self.user == ROOT or self.error != "EACCES"

    @property
    def effort(self) -> int:
        """How long it takes, in runs without strace: one under strace takes three times as long."""
        return len(self.commands) * (10 if self.cold else 3 if self.calls else 1)


def orders(*, complete: bool = True) -> list[Order]:
    """What is to be run beside the whole runs: everything, or what a test has the time for."""
    made = [order for user in USERS for family in FAMILIES for order in _of(user, family)]
    return [order for order in made if complete or order.often]


def whole_orders() -> list[Order]:
    """The runs to hold the others against."""
    return [Order("", user, state, "") for user in USERS for state in STATES if (user, state) != (ROOT, HOT)]


def cold_orders() -> list[Order]:
    """A whole run of each user that is a process from its first instruction on."""
    return [Order("", user, WELL, "", cold=True) for user in USERS]


def _of(user: str, family: Family) -> Iterator[Order]:
    """All orders of a family: each error by the means for its kind, then readings cut short or in pieces.

    The emulated drive itself says that it is cool, to the super-user alone: with both readings it cannot be hot.
    """
    for state in dict.fromkeys(WELL if (user, state) == (ROOT, HOT) else state for state in family.states):
        if family.kind in CALLS:
            yield from (_traced(user, family, state, error) for error in ERRORS)
        elif not (user == ORDINARY and family.refused):
            yield from _served(user, family, state)
            yield from _short(user, family, state)


def _commands(user: str, family: Family, error: str) -> tuple[int, ...]:
    """Of the two commands `check` is not always run, as the capture says what it would have said; strace takes time."""
    live = family.listing if family.kind in CALLS else user == ROOT
    return (0, 1) if error == "EIO" and live else (1,)


def _traced(user: str, family: Family, state: str, error: str) -> Order:
    """An error put in by strace."""
    opening, later = CALLS.get(family.kind, FILE_CALLS)
    call = opening if error == "EACCES" or (family.refused and user == ORDINARY) else later
    again = error == "EINTR" and call in {"openat", "read"}
    when = str(family.nth) if family.nth else "1" if again else ""
    commands = _commands(user, family, error)
    return Order(family.name, user, state, error, path=family.place, calls=(call,), when=when, commands=commands)


def _served(user: str, family: Family, state: str) -> Iterator[Order]:
    """Errors of a file that covers the kernel's."""
    faults: dict[str, dict[str, str | int]] = {"EIO": {"start": "EIO"}, "EACCES": {"opening": "EACCES"}}
    if user == ROOT:
        faults["ENODEV"] = {"start": "ENODEV"}
    if family.name in INTERRUPTED:
        faults["EINTR"] = {"start": "EINTR", "times": 1}
    for error, fault in faults.items():
        commands = _commands(user, family, error)
        yield Order(family.name, user, state, error, path=family.place, served=fault, commands=commands)
    if family.name in ALSO_TRACED:
        yield from (_traced(user, family, state, error) for error in ERRORS)


def _short(user: str, family: Family, state: str) -> Iterator[Order]:
    """Readings that end too early, or come in pieces; as root, since what covers a file is open to everybody."""
    if user == ORDINARY:
        return
    for name, cut in (("empty", 0), ("cut", CUT.get(family.name))):
        if cut is not None:
            yield Order(family.name, user, state, name, path=family.place, cut=cut, commands=(1,))
    if family.name in PIECES:
        size = PIECES[family.name]
        yield Order(family.name, user, state, "pieces", path=family.place, served={"size": size}, commands=(1,))
        broken: dict[str, str | int] = {"size": size, "later": "EIO"}
        yield Order(family.name, user, state, "EIO after a piece", path=family.place, served=broken, commands=(1,))


# --- Runs in guests --------------------------------------------------------------------------------------------


class Outcome(Struct, frozen=True):
    """What an order led to, and how long it took. `void` says why it proves nothing, "" where it does.

    `check` and `capture` are what the two commands gave; the first is not always run.
    """

    order: Order
    check: Said | None
    capture: Said
    names: dict[str, str]
    void: str
    seconds: float = 0.0


def run_guests(wanted: Sequence[Order]) -> list[list[Outcome]]:
    """Share orders among guests; what each gave, its own whole runs first: the kernel numbers as luck has it."""
    shares: list[list[Order]] = [cold_orders(), *([] for _ in range(GUESTS - 1))]
    for order in sorted(wanted, key=lambda one: one.effort, reverse=True):
        min(shares, key=lambda share: sum(one.effort for one in share)).append(order)
    image()  # made once, before all guests want it at the same time
    with ThreadPoolExecutor(GUESTS) as pool:
        return list(pool.map(lambda share: run_guest([*whole_orders(), *share]), shares))


def run_guest(wanted: Sequence[Order]) -> list[Outcome]:
    """Carry out orders in a guest of their own; those with a drive that warns of itself come last."""
    with Guest(SPOILT) as guest:
        made = guest.run(STRIPED)
        assert (0, "") == (made.code, made.stderr), guest.console()
        configs = configurations(guest)
        found = _carried_out(guest, configs, [order for order in wanted if order.state != WARNED])
        guest.set_property("first", "smart_critical_warning", 0x04)  # reliability: NVM Express Base, log page 02h
        return found + _carried_out(guest, configs, [order for order in wanted if order.state == WARNED])


def _carried_out(guest: Guest, configs: Mapping[str, bytes], wanted: Sequence[Order]) -> list[Outcome]:
    files: dict[str, bytes] = {}
    told = []
    for order in wanted:
        covers = _shown(order, configs)
        names = {path: f"shown-{order.state}-{order.user}-{number}" for number, path in enumerate(covers)}
        files.update({names[path]: content for path, content in covers.items()})
        told.append({**structs.asdict(order), "ordinary": order.ordinary, "shown": names})
    files["orders"] = json.dumps(told).encode()
    done = guest.run(python("-m tests.lab.spoiling orders told"), files=files, seconds=SECONDS)
    assert (0, "") == (done.code, done.stderr), done.stdout
    return [_outcome(order, done, number) for number, order in enumerate(wanted)]


def _shown(order: Order, configs: Mapping[str, bytes]) -> dict[str, bytes]:
    """What the kernel is to show in a state, by path."""
    if order.state == HOT:
        return {"/sys/class/hwmon/{sensor}/temp1_input": b"101850\n"}
    if order.state != NARROW:
        return {}
    ends = (End(PORT, can=(3, 4), now=(3, 2), target=3), End(CARD, can=(3, 4), now=(3, 2)))
    files = shown(ends, configs, ordinary=order.ordinary)
    counted = {f"{DEVICES}/{PORT}/aer_dev_correctable": b"RxErr 40000\nBadTLP 7\nTOTAL_ERR_COR 40007\n"}
    return {f"{DEVICES}/{name.removeprefix('shown/')}": content for name, content in files.items()} | counted


def _outcome(order: Order, done: Result, number: int) -> Outcome:
    told = json.loads(done.files[f"told/{number}.json"])
    if "problem" in told:
        return Outcome(order, None, Said(None, None, ""), {}, told["problem"])
    runs = dict(zip(order.commands, (_said(one) for one in told["runs"]), strict=True))
    return Outcome(order, runs.get(0), runs[1], told["names"], void(order, told), told["seconds"])


def _said(run: Mapping[str, Any]) -> Said:
    try:
        document = json.loads(run["out"])
    except ValueError:
        document = None
    return Said(run["code"], document, run["err"])


def void(order: Order, told: Mapping[str, Any]) -> str:
    """Why nothing is proved by what an order led to, "" where something is: each of its runs met what was put in."""
    if order.calls:
        hit = {line.split()[0] for line in told["injected"]}
        return "" if len(hit) == len(order.commands) else f"strace put the error into {len(hit)} runs: {told}"
    if order.served is not None:
        wanted = "r" if set(order.served) <= {"size"} else "e"
        met = told["served"].count(wanted)
        least = len(order.commands) if order.served.get("times", 2) != 1 else 1
        pieces = wanted == "e" or met > 2 * least
        return "" if met >= least and pieces else f"the file was asked for {told['served']!r}"
    return ""


# --- Judgement -------------------------------------------------------------------------------------------------


class Case(Struct, frozen=True):
    """An order with what is wrong with what it led to."""

    order: Order
    void: str
    violations: tuple[Violation, ...]


def wholes_of(outcomes: Iterable[Outcome]) -> dict[tuple[str, str], Outcome]:
    """The whole runs of a guest by user and state."""
    return {(one.order.user, one.order.state): one for one in outcomes if one.order.whole and not one.order.cold}


def judged(outcomes: Sequence[Outcome], folder: Path) -> list[Case]:
    """The outcomes of one guest, each held against its whole run; `folder` is for captures."""
    wholes = wholes_of(outcomes)
    said = {key: replayed("check", one.capture, folder) for key, one in wholes.items()}
    cases = []
    for outcome in outcomes:
        order = outcome.order
        if order.whole:
            continue
        key = order.user, order.state
        found = [] if outcome.void else violations(said[key], _spoilt(wholes[key], outcome, folder))
        cases.append(Case(order, outcome.void, tuple(found)))
    return cases


def _spoilt(whole: Outcome, outcome: Outcome, folder: Path) -> Spoilt:
    """A spoilt run with what is made of its capture on this side: its page, and the two comparisons."""
    error = outcome.order.error.partition(" ")[0]
    live = outcome.check
    compared: tuple[Said, ...] = ()
    if outcome.capture.document is None:  # nothing was read, and that is said
        check = live or outcome.capture
    else:
        again = replayed("check", outcome.capture, folder)
        check = again if live is None else structs.replace(live, text=again.text)
        compared = (compare(whole, outcome, folder), compare(outcome, whole, folder))
    family = BY_NAME[outcome.order.family]
    harmless = outcome.order.error == "pieces"
    return Spoilt(check, compared, error if error in ERRORS else None, family.listing, harmless)


def replayed(command: str, capture: Said, folder: Path) -> Said:
    """What a command says of a capture: its JSON, and its page as the text."""
    path = written(capture, folder, "replayed.json")
    found = here(command, "--replay", str(path), "--format", "json")
    return structs.replace(found, text=here(command, "--replay", str(path)).text)


def compare(before: Outcome, after: Outcome, folder: Path) -> Said:
    """What `compare` says of the captures of two outcomes."""
    paths = [str(written(one.capture, folder, name)) for one, name in ((before, "before.json"), (after, "after.json"))]
    return here("compare", *paths, "--format", "json")


def written(capture: Said, folder: Path, name: str) -> Path:
    """A capture as a file."""
    path = folder / name
    path.write_text(json.dumps(capture.document), encoding="utf-8")
    return path


def here(*words: str) -> Said:
    """What the program says on this side, in this process."""
    done = CliRunner().invoke(program, list(words), env={"NO_COLOR": "1", "COLUMNS": "100"})
    errors = done.stderr
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        errors += f"Traceback (most recent call last): {done.exception!r}"
    document = json.loads(done.stdout) if done.stdout.startswith("{") else None
    return Said(done.exit_code, document, errors, done.stdout)


# --- What was asked --------------------------------------------------------------------------------------------

NUMBERED: Final = re.compile(r"(nvme|hwmon|slots/|md|c)\d+|[0-9a-f]{4}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-9a-f]")


def general(key: str) -> str:
    """A key without the numbers of drives, sensors, slots and functions."""
    return NUMBERED.sub(lambda found: f"{found[1] or 'address '}#", key)


def asked_in_vain(outcomes: Iterable[Outcome]) -> set[str]:
    """Kinds of reading that the whole machine was asked for and no family spoils."""
    found = set()
    for outcome in outcomes:
        if outcome.order.whole and outcome.capture.document is not None:
            spoilt = {general(family.key.format(**outcome.names)) for family in FAMILIES}
            found |= {general(key) for key in outcome.capture.document["reads"]} - spoilt
    return found - WITH_OTHERS


def never_asked(outcomes: Iterable[Outcome]) -> set[str]:
    """Families whose reading is not among those that the program asked of the whole machine as root."""
    found = set()
    for outcome in outcomes:
        if outcome.order.whole and outcome.order.user == ROOT and outcome.capture.document is not None:
            keys = set(outcome.capture.document["reads"])
            found |= {family.name for family in FAMILIES if family.key.format(**outcome.names) not in keys}
    return found


# --- The table -------------------------------------------------------------------------------------------------


def table(cases: Iterable[Case]) -> Iterator[str]:
    """A line for each family, error, user and state whose laws do not all hold."""
    for case in sorted(cases, key=lambda one: (FAMILIES.index(BY_NAME[one.order.family]), one.order.error)):
        if case.void:
            yield f"{case.order.family} | {case.order.error} | {case.order.user} | void | {case.void}"
        for one in case.violations:
            order = case.order
            yield f"{order.family} | {order.error} | {order.user} | {order.state} | law {one.law} | {one.words}"


def main() -> int:
    """Run everything and print the table."""
    guests = run_guests(orders())
    with tempfile.TemporaryDirectory() as place:
        cases = [case for outcomes in guests for case in judged(outcomes, Path(place))]
    for line in table(cases):
        sys.stdout.write(f"{line}\n")
    missing = {*asked_in_vain(guests[0]), *never_asked(guests[0])}
    sys.stdout.write(f"{len(cases)} cases; spoilt by no family or asked by nobody: {sorted(missing)}\n")
    return any(case.violations or case.void for case in cases)


if __name__ == "__main__":
    sys.exit(main())
