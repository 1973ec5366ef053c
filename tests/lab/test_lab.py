"""lanewright on a real kernel: guests with known hardware say what was built, to root and to an ordinary user alike.

Expectations are typed in by hand from `racks`. What QEMU gives every device is from its documentation and source:
drives at 323 K with limits of 343 K and 373 K (hw/nvme/ctrl.c), endpoints of 2.5 GT/s x1 (hw/pci/pcie.c).
"""

from __future__ import annotations

import json
import re
import struct
import subprocess
import sys
import tomllib
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any, Final

import pytest
from msgspec import Struct

from tests.lab import copying
from tests.lab.boot import CHECKOUT, Guest, Rack, Result, lanewright, python
from tests.lab.edits import End, configurations, run_shown
from tests.lab.kernel import Missing, missing
from tests.lab.need import cannot
from tests.lab.racks import BENCH, GIBIBYTE, PASSED, PLAIN, TOWER
from tests.lab.record import recordings
from tests.test_quiet import STRACE, calls, offences

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

pytestmark = pytest.mark.lab

ROOT: Final = "root"
ORDINARY: Final = "ordinary"
both_users = pytest.mark.parametrize("user", [ROOT, ORDINARY])

# --- What was built --------------------------------------------------------------------------------------------

# Every function of the tower that `racks.TOWER` fits, by address, with the driver that the lab loads for it.
FITTED: Final = {
    "0000:00:03.0": "pcieport",
    "0000:00:04.0": "pcieport",
    "0000:00:05.0": "pcieport",
    "0000:00:06.0": "pcieport",
    "0000:00:07.0": "pcieport",
    "0000:00:08.0": "pcieport",
    "0000:00:09.0": "pcieport",
    "0000:00:0a.0": "nvme",
    "0000:01:00.0": "nvme",
    "0000:01:00.1": None,
    "0000:03:00.0": "pcieport",
    "0000:04:00.0": "pcieport",
    "0000:04:01.0": "pcieport",
    "0000:04:02.0": "pcieport",
    "0000:05:00.0": "nvme",
    "0000:06:00.0": "nvme",
    "0000:08:00.0": "e1000e",
    "0000:09:00.0": "virtio-pci",
    "0000:0a:00.0": "shpchp",
    "0000:0b:01.0": "virtio-pci",
}
# What the machine "q35" has by itself (QEMU, docs/config/q35-emulated.cfg), and the lab's two shared folders.
OF_THE_MACHINE: Final = {"0000:00:00.0", "0000:00:1f.0", "0000:00:1f.2", "0000:00:1f.3"}
SHARED_FOLDERS: Final = {"0000:00:01.0", "0000:00:02.0"}

# Port and card of every link. No driver tells an ordinary user whether 00:04.0 is empty; root reads its registers.
EMPTY_WITHOUT_DRIVER: Final = ("0000:00:04.0", None)
LINKS: Final[dict[tuple[str | None, str | None], str]] = {
    ("0000:00:03.0", "0000:01:00.0"): "virtual",
    EMPTY_WITHOUT_DRIVER: "empty",
    ("0000:00:05.0", "0000:03:00.0"): "virtual",
    ("0000:04:00.0", "0000:05:00.0"): "virtual",
    ("0000:04:01.0", "0000:06:00.0"): "virtual",
    ("0000:04:02.0", None): "empty",
    ("0000:00:06.0", "0000:08:00.0"): "virtual",
    ("0000:00:07.0", "0000:09:00.0"): "virtual",
    ("0000:00:08.0", "0000:0a:00.0"): "virtual",
    ("0000:00:09.0", None): "empty",
    (None, "0000:00:0a.0"): "virtual",
}

# Slots by port: from the firmware's description where root may read it (the first four), else from the kernel.
DESCRIBED: Final = {"0000:00:03.0": "M2_1", "0000:00:04.0": "PCIE2", "0000:00:05.0": "PCIE3", "0000:00:06.0": "PCIE4"}
NUMBERED: Final = {
    "0000:00:03.0": "1",
    "0000:00:05.0": "3",
    "0000:00:06.0": "4",
    "0000:00:07.0": "5",
    "0000:00:08.0": "6",
    "0000:00:09.0": "7",
    "0000:04:00.0": "11",
    "0000:04:01.0": "12",
    "0000:04:02.0": "13",
}

# Serial number, size and path (ports from the drive to the processor) of each drive.
DRIVES: Final = {
    "0000:01:00.0": ("HLA-SERIAL-0001", 1 * GIBIBYTE, ["0000:00:03.0"]),
    "0000:05:00.0": ("HLA-SERIAL-0002", 2 * GIBIBYTE, ["0000:04:00.0", "0000:00:05.0"]),
    "0000:06:00.0": ("HLA-SERIAL-0003", 3 * GIBIBYTE, ["0000:04:01.0", "0000:00:05.0"]),
    "0000:00:0a.0": ("HLA-SERIAL-0004", 4 * GIBIBYTE, []),
}
SECRETS: Final = (
    *(serial for serial, _, _ in DRIVES.values()),
    "HLA-SYSTEM-0001",
    "lab-guest-7",
    "02:48:4c:41:00:01",
    "02:48:4c:41:00:02",
)


# --- Guests and questions --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def boot() -> Iterator[Callable[[Rack], Guest]]:
    """Gives a running guest of a rack. All boot at once, in the background; each is ended with the module."""
    reason = missing()
    if reason is not None:
        cannot(reason)
    with ExitStack() as stack:
        try:
            guests = {rack.name: stack.enter_context(Guest(rack)) for rack in (TOWER, BENCH, PLAIN, PASSED)}
        except Missing as problem:
            cannot(str(problem))
        yield lambda rack: guests[rack.name]


@pytest.fixture(scope="module")
def tower(boot: Callable[[Rack], Guest]) -> Guest:
    """The tower, with the one virtual function of its first drive switched on and left without a driver."""
    guest = boot(TOWER)
    place = "/sys/bus/pci/devices/0000:01:00.0"
    done = guest.run(f"echo 0 >{place}/sriov_drivers_autoprobe && echo 1 >{place}/sriov_numvfs")
    assert (0, "") == (done.code, done.stderr), guest.console()
    return guest


def ask(guest: Guest, arguments: str, *, user: str = ROOT, code: int = 0) -> Result:
    """Run lanewright in a guest; it ends as expected, says nothing on standard error and never breaks."""
    result = guest.run(lanewright(arguments), ordinary=user == ORDINARY)
    assert (code, "") == (result.code, result.stderr), result.stdout
    return result


class Answers(Struct, frozen=True):
    """What one user got from the tower."""

    check: dict[str, Any]
    inventory: dict[str, Any]
    page: str
    list: str
    capture: bytes


@pytest.fixture(scope="module")
def answers(tower: Guest) -> Callable[[str], Answers]:
    """What root or an ordinary user gets from the tower; asked once."""
    kept: dict[str, Answers] = {}

    def of(user: str) -> Answers:
        if user not in kept:
            recorded = tower.run(lanewright("capture machine.json"), ordinary=user == ORDINARY)
            assert recorded.code == 0, recorded.stderr
            kept[user] = Answers(
                json.loads(ask(tower, "check --format json", user=user).stdout),
                json.loads(ask(tower, "inventory --format json", user=user).stdout),
                ask(tower, "check", user=user).stdout,
                ask(tower, "inventory", user=user).stdout,
                recorded.files["machine.json"],
            )
        return kept[user]

    return of


@pytest.fixture(scope="module")
def configs(tower: Guest) -> dict[str, bytes]:
    """The configuration space of each function of the tower."""
    return configurations(tower)


def verdicts(check: Mapping[str, Any]) -> dict[tuple[str | None, str | None], str]:
    """The verdict of each link, by its port and card."""
    return {(link["port"], link["device"]): link["verdict"] for link in check["links"]}


def rules(check: Mapping[str, Any]) -> set[str]:
    """The rules that speak up, but for the one that says what root would add."""
    return {one["rule"] for one in check["findings"] if one["severity"] != "ok"} - {"needs-root"}


def here(*arguments: str, code: int = 0) -> str:
    """What lanewright says on this machine, outside the guest."""
    done = subprocess.run(
        [sys.executable, "-m", "agent", *arguments], cwd=CHECKOUT, capture_output=True, text=True, check=False
    )
    assert (code, "") == (done.returncode, done.stderr), done.stdout
    return done.stdout


# --- What was built is what is found ---------------------------------------------------------------------------


@both_users
def test_every_function_is_listed(user: str, tower: Guest, answers: Callable[[str], Answers]) -> None:
    """The inventory holds what was fitted, with its driver, and exactly what the kernel lists."""
    found = {one["address"]: one["driver"] for one in answers(user).inventory["functions"]}
    assert FITTED.keys() | OF_THE_MACHINE | SHARED_FOLDERS == set(found)
    assert FITTED == {address: found[address] for address in FITTED}
    assert set(tower.run("ls /sys/bus/pci/devices").stdout.split()) == set(found)


@both_users
def test_every_link_has_its_verdict(user: str, answers: Callable[[str], Answers]) -> None:
    """Emulated links are virtual and empty ports empty; only what rests on root's registers is unknown to others."""
    expected = LINKS if user == ROOT else {**LINKS, EMPTY_WITHOUT_DRIVER: "unknown"}
    assert expected == verdicts(answers(user).check)


@both_users
def test_nothing_healthy_is_called_a_fault(user: str, answers: Callable[[str], Answers]) -> None:
    """No rule speaks up on a machine as it was built, and nothing but what root would add is unread."""
    check = answers(user).check
    assert set() == rules(check)
    assert (user == ROOT) == (check["unread"] == [])


@both_users
def test_every_drive_is_found_with_its_path(user: str, answers: Callable[[str], Answers]) -> None:
    """Each drive has its serial number, size and the ports on its way to the processor."""
    found = {one["address"]: (one["serial"], one["bytes"], one["path"]) for one in answers(user).inventory["drives"]}
    assert DRIVES == found


@both_users
def test_every_drive_tells_its_temperature(user: str, answers: Callable[[str], Answers]) -> None:
    """323 K is 49.85 degrees Celsius; the warning limit, 343 K, takes root; the critical one, 373 K, does not."""
    warning = 69.85 if user == ROOT else None
    expected = dict.fromkeys(DRIVES, (49.85, warning, 99.85))
    drives = answers(user).check["drives"]
    assert expected == {
        one["address"]: (one["celsius"], one["warning_celsius"], one["critical_celsius"]) for one in drives
    }


@both_users
def test_slots_are_named_by_the_best_that_can_be_read(user: str, answers: Callable[[str], Answers]) -> None:
    """Root gets the names printed on the board; an ordinary user the kernel's numbers; both are told which it is."""
    expected = NUMBERED | DESCRIBED if user == ROOT else NUMBERED
    named = {one["port"]: one["slot"] for one in answers(user).check["links"] if one["slot"] is not None}
    assert expected == named
    sources = {one["port"]: one["slot_named_by"] for one in answers(user).check["links"]}
    assert {"firmware slot description (SMBIOS)"} == {
        sources[port] for port in (DESCRIBED if user == ROOT else ())
    } or (user == ORDINARY)
    assert {"kernel slot name"} == {sources[port] for port in expected if user == ORDINARY or port not in DESCRIBED}


def test_slots_have_what_the_firmware_says_of_them(answers: Callable[[str], Answers]) -> None:
    """Kind, connector, wiring, generation and usage of each described slot are those of its structure."""
    wanted = ("name", "kind", "connector_lanes", "wired_lanes", "generation", "usage", "can_split")
    found = {tuple(one[key] for key in wanted) for one in answers(ROOT).inventory["slots"]}
    assert {
        ("M2_1", "m.2", 4, 4, 4, "in use", False),
        ("PCIE2", "card", 16, 8, 3, "free", False),
        ("PCIE3", "card", 16, 16, 4, "in use", True),
        ("PCIE4", "card", 1, 1, 2, "in use", False),
    } <= found


@both_users
def test_a_virtual_function_belongs_to_its_drive(user: str, answers: Callable[[str], Answers]) -> None:
    """It is listed with its physical function and the identity that its own registers do not hold; it is not judged."""
    functions = {one["address"]: one for one in answers(user).inventory["functions"]}
    virtual, physical = functions["0000:01:00.1"], functions["0000:01:00.0"]
    assert virtual["physical_function"] == "0000:01:00.0"
    assert virtual["vendor_id"] == physical["vendor_id"]
    assert "0000:01:00.1" not in {one["device"] for one in answers(user).check["links"]}


@both_users
def test_people_can_read_what_was_found(user: str, answers: Callable[[str], Answers]) -> None:
    """Both pages fit 80 columns and name every drive; the list names every function, and counts the virtual ones."""
    page, listed = answers(user).page, answers(user).list
    assert max(map(len, (page + listed).splitlines())) <= 80
    assert ["0000:01:00.1"] == [address for address in FITTED if address not in listed]
    assert re.search(r"\b1 virtual functions?\b", listed)
    assert [] == [one["name"] for one in answers(user).check["drives"] if one["name"] not in page]
    assert [] == [word for word in ("FAULT", "Traceback") if word in page + listed]


def test_a_plain_virtual_machine_is_told_so(boot: Callable[[Rack], Guest]) -> None:
    """Without any visible link `check` says so in a sentence, lists what it saw and ends with 0."""
    guest = boot(PLAIN)
    page = ask(guest, "check").stdout
    assert page.startswith("This is a virtual machine, which hides PCI Express links")
    assert [] == [one for one in guest.run("ls /sys/bus/pci/devices").stdout.split() if one not in page]
    assert {} == verdicts(json.loads(ask(guest, "check --format json", user=ORDINARY).stdout))


# --- The same machine, the same verdicts -----------------------------------------------------------------------


def judged(check: Mapping[str, Any]) -> list[dict[str, Any]]:
    """All that is said of links, but for how long after the first look the later ones came."""
    return [{**link, "looks": [look["now"] for look in link["looks"]]} for link in check["links"]]


@both_users
def test_a_capture_replays_as_the_machine_was(user: str, answers: Callable[[str], Answers], tmp_path: Path) -> None:
    """Replayed elsewhere, a capture gives the links, drives and findings that the machine itself gave."""
    live = answers(user).check
    (tmp_path / "machine.json").write_bytes(answers(user).capture)
    replayed = json.loads(here("check", "--format", "json", "--replay", str(tmp_path / "machine.json")))
    assert live["links"] == replayed["links"]
    assert live["findings"] == replayed["findings"]
    assert live["unread"] == replayed["unread"]
    assert [{**one, "serial": None} for one in live["drives"]] == [
        {**one, "serial": None} for one in replayed["drives"]
    ]


@both_users
def test_a_capture_keeps_no_secret(user: str, answers: Callable[[str], Answers]) -> None:
    """Serial numbers, host name and network addresses are nowhere in it, neither as text nor as bytes."""
    text = answers(user).capture.decode().lower()
    forms = {form for one in SECRETS for form in (one.lower(), one.encode().hex(), one.replace(":", "").lower())}
    assert [] == [form for form in sorted(forms) if form in text]


def test_copied_files_give_the_same_verdicts(tower: Guest, answers: Callable[[str], Answers], tmp_path: Path) -> None:
    """Below `--root`, on another machine, the same files give the same links, slots and drives; no other is asked."""
    program = python(f"-I -S {copying.__file__} tree && tar -cf tree.tar tree && rm -rf tree")
    copied = tower.run(program)
    assert (0, "") == (copied.code, copied.stderr)
    (tmp_path / "tree.tar").write_bytes(copied.files["tree.tar"])
    subprocess.run(["tar", "-xf", "tree.tar"], cwd=tmp_path, check=True)
    rooted = json.loads(here("check", "--format", "json", "--root", str(tmp_path / "tree")))
    live = answers(ROOT).check
    assert live["links"] == rooted["links"]
    # A drive's warning limit, health and firmware slots are asked of the drive itself, which is not there.
    asked = {"warning_celsius": None, "health": None, "firmware_slots": None}
    assert [{**one, **asked} for one in live["drives"]] == rooted["drives"]


# --- States that the emulator cannot make ----------------------------------------------------------------------

PORT: Final = "0000:00:03.0"
CARD: Final = "0000:01:00.0"
SILENT_PORT: Final = "0000:04:00.0"  # its capability reads speed 0, width 0 (QEMU, hw/pci-bridge/xio3130_downstream.c)
BEHIND_SILENT: Final = "0000:05:00.0"
GEN3_X4: Final = (3, 4)
GEN1_X4: Final = (1, 4)


class State(Struct, frozen=True):
    """Ends of a link as the kernel shall show them, and what is to be said of it.

    `mbps` is lanes x transfer rate x line encoding, of the published table (PCI Express Base; 8 GT/s x4 3,938 MB/s).
    `to_others` is the verdict for an ordinary user where it rests on registers that only root may read.
    """

    ends: tuple[End, ...]
    verdict: str
    rules: set[str]
    mbps: float | None
    code: int = 0
    to_others: str | None = None

    @property
    def link(self) -> tuple[str, str]:
        """Port and card."""
        return self.ends[0].address, self.ends[-1].address


def link(now: tuple[int, int], *, port: tuple[int, int] = GEN3_X4, target: int = 3, **more: Any) -> tuple[End, End]:  # noqa: ANN401 - fields of End
    """Both ends of a link that can do 8 GT/s x4 on its card's side."""
    return End(PORT, can=port, now=now, target=target, **more), End(CARD, can=GEN3_X4, now=now)


STATES: Final = {
    "full": State(link(GEN3_X4), "full", set(), 3938.5),
    "narrow": State(link((3, 2)), "narrow", {"link-narrow"}, 1969.2, 1),
    "narrow and slow": State(link((1, 1)), "narrow", {"link-narrow"}, 250.0, 1),
    "slow": State(link(GEN1_X4), "slow", {"link-slow"}, 1000.0, 1, "unknown"),
    "set slow": State(link(GEN1_X4, target=1), "set-slow", {"link-set-slow"}, 1000.0, 0, "unknown"),
    "resting": State(link(GEN1_X4, autonomous=True), "resting", {"link-resting"}, 1000.0, 0, "unknown"),
    "slot-limited": State(link((2, 4), port=(2, 4), target=2), "slot-limited", {"slot-limited"}, 2000.0),
    "frozen": State(
        (End(PORT, can=GEN3_X4, now=GEN1_X4, target=3), End(CARD, can=GEN3_X4, now=GEN1_X4, frozen=True)),
        "slow",
        {"link-slow"},
        1000.0,
        1,
        "unknown",
    ),
    "port that hides": State(
        (End(PORT, can=(4, 32), now=(3, 2), target=4), End(CARD, can=GEN3_X4, now=(3, 2))),
        "narrow",
        {"link-narrow"},
        1969.2,
        1,
    ),
    "port that says nothing": State(
        (End(SILENT_PORT, now=GEN3_X4), End(BEHIND_SILENT, can=GEN3_X4, now=GEN3_X4)), "full", set(), 3938.5
    ),
    "contradiction": State(
        (End(PORT, can=GEN3_X4, now=GEN3_X4), End(CARD, can=GEN3_X4, now=(3, 2))), "unknown", {"ends-contradict"}, None
    ),
}


def mbps(check: Mapping[str, Any], link: tuple[str, str]) -> float | None:
    """The rate of a link, to a tenth of a MB/s."""
    (found,) = (one["mbps"] for one in check["links"] if (one["port"], one["device"]) == link)
    return None if found is None else round(found, 1)


@pytest.mark.parametrize("name", STATES)
def test_root_is_told_what_a_link_does(name: str, tower: Guest, configs: dict[str, bytes]) -> None:
    """A link's verdict, rate, findings and exit status follow from what the kernel shows of both ends."""
    state = STATES[name]
    result = run_shown(tower, state.ends, configs, lanewright("check --format json --settle 0.2"))
    assert (state.code, "") == (result.code, result.stderr), result.stdout
    check = json.loads(result.stdout)
    assert {**LINKS, state.link: state.verdict} == verdicts(check)
    assert state.rules == rules(check)
    assert state.mbps == mbps(check, state.link)


# The rest differs only in registers that an ordinary user does not see: for them it is the state "slow" once more.
@pytest.mark.parametrize("name", ["full", "narrow", "slow", "slot-limited", "contradiction"])
def test_an_ordinary_user_is_told_the_same(name: str, tower: Guest, configs: dict[str, bytes]) -> None:
    """Verdicts that rest on world-readable attributes are root's; the others are unknown and name root as the cure."""
    state = STATES[name]
    command = lanewright("check --format json --settle 0")
    result = run_shown(tower, state.ends, configs, command, ordinary=True)
    check = json.loads(result.stdout)
    expected = state.to_others or state.verdict
    assert (0 if state.to_others else state.code, "") == (result.code, result.stderr)
    assert {**LINKS, EMPTY_WITHOUT_DRIVER: "unknown", state.link: expected} == verdicts(check)
    assert state.mbps == mbps(check, state.link)
    (why,) = (one["why"] for one in check["links"] if one["device"] == state.link[1])
    assert (state.to_others is not None) == ("root" in why)


def test_a_drive_whose_port_is_not_visible_is_judged_by_its_own_end(boot: Callable[[Rack], Guest]) -> None:
    """A drive passed through to a guest is narrow by what it can do itself, which is said; as built it is virtual."""
    guest = boot(PASSED)
    assert {(None, "0000:00:05.0"): "virtual"} == verdicts(json.loads(ask(guest, "check --format json").stdout))
    ends = (End("0000:00:05.0", can=GEN3_X4, now=(3, 2)),)
    result = run_shown(guest, ends, configurations(guest), lanewright("check --format json --settle 0"))
    assert (1, "") == (result.code, result.stderr)
    check = json.loads(result.stdout)
    assert {(None, "0000:00:05.0"): "narrow"} == verdicts(check)
    assert "its port is not visible" in check["links"][0]["why"]


def test_a_card_without_a_link_is_dark(tower: Guest, configs: dict[str, bytes]) -> None:
    """Presence without a link is a fault, with the register it rests on."""
    ends = (End("0000:00:04.0", present=True),)
    result = run_shown(tower, ends, configs, lanewright("check --format json --settle 0"))
    assert (1, "") == (result.code, result.stderr)
    check = json.loads(result.stdout)
    assert {**LINKS, EMPTY_WITHOUT_DRIVER: "dark"} == verdicts(check)
    assert {"slot-dark"} == rules(check)
    (finding,) = (one for one in check["findings"] if one["rule"] == "slot-dark")
    # The kernel switched the slot's power off when it found it empty (drivers/pci/hotplug; Power Controller Control 1).
    assert {
        "0000:00:04.0 Slot Status: Presence Detect State": "1 (card present)",
        "0000:00:04.0 Slot Control: Power Controller Control": "1",
    } == {one["source"]: one["read"] for one in finding["evidence"]}


def test_drives_behind_a_switch_share_its_uplink(tower: Guest, configs: dict[str, bytes]) -> None:
    """Two drives of 8 GT/s x4 behind an uplink of 8 GT/s x4 get half each when both are read; the uplink decides."""
    ends = tuple(
        End(address, can=GEN3_X4, now=GEN3_X4, target=3)
        for pair in (
            ("0000:00:05.0", "0000:03:00.0"),
            ("0000:04:00.0", "0000:05:00.0"),
            ("0000:04:01.0", "0000:06:00.0"),
        )
        for address in pair
    )
    result = run_shown(tower, ends, configs, lanewright("check --format json --settle 0"))
    assert (0, "") == (result.code, result.stderr)
    check = json.loads(result.stdout)
    assert ["full"] * 3 == [one["verdict"] for one in check["links"] if one["port"] in {end.address for end in ends}]
    drives = {one["address"]: one for one in check["drives"]}
    for address in ("0000:05:00.0", "0000:06:00.0"):
        alone, together = drives[address]["alone_mbps"], drives[address]["together_mbps"]
        # Three quarters of the link rate in practice (common practice), never more than the link rate.
        assert 2953.8 == round(alone[0], 1)
        assert alone[0] < alone[1] < 3938.5
        assert [pytest.approx(rate / 2, rel=1e-6) for rate in alone] == together
        assert drives[address]["narrowest_hop"] == "0000:00:05.0"
    assert {"uplink-shared"} == rules(check)


def test_steps_for_a_narrow_link_come_with_cautions_and_gain(tower: Guest, configs: dict[str, bytes]) -> None:
    """A fault found live names what to do: reseating first, cautions before it, half of the lanes to be gained."""
    result = run_shown(tower, STATES["narrow"].ends, configs, lanewright("check --format json --settle 0"))
    (finding,) = (one for one in json.loads(result.stdout)["findings"] if one["rule"] == "link-narrow")
    assert (CARD, "fault") == (finding["subject"], finding["severity"])
    first = next(one for one in finding["steps"] if one["cautions"])
    assert first["action"] == "reseat"
    # Two lanes more at 8 GT/s: 2 x 984.615 MB/s, of which 128 of 152 bytes are payload (the guest's payload size).
    assert 1658.3 == round(first["gain_mbps"], 1)


def test_a_faulty_link_is_looked_at_again_and_the_looks_are_kept(
    tower: Guest, configs: dict[str, bytes], tmp_path: Path
) -> None:
    """The capture of a narrow link holds its later looks and replays to the same verdict and exit status."""
    command = lanewright("capture narrow.json --settle 0.5")
    result = run_shown(tower, STATES["narrow"].ends, configs, command)
    assert result.code == 0, result.stderr
    kept = json.loads(result.files["narrow.json"])
    assert 2 <= len(kept["samples"])
    assert [] == [one["offset"] for one in kept["samples"] if not 0 < one["offset"] < 60]
    keys = {key.split(" ", 1)[1] for one in kept["samples"] for key in one["reads"]}
    places = {f"/sys/bus/pci/devices/{address}/" for address in (PORT, CARD)}
    assert places == {key[: key.rindex("/") + 1] for key in keys}
    (tmp_path / "narrow.json").write_bytes(result.files["narrow.json"])
    replayed = json.loads(here("check", "--format", "json", "--replay", str(tmp_path / "narrow.json"), code=1))
    assert {**LINKS, (PORT, CARD): "narrow"} == verdicts(replayed)
    (shown,) = (one for one in replayed["links"] if one["device"] == CARD)
    assert [{"gtps": 8.0, "width": 2}] * len(kept["samples"]) == [look["now"] for look in shown["looks"]]


# --- What changes while one looks ------------------------------------------------------------------------------

NETWORK_PORT: Final = "0000:00:06.0"
NETWORK_CARD: Final = "0000:08:00.0"
BAD_PACKET: Final = 0x40  # PCI_ERR_COR_BAD_TLP


def test_errors_are_a_fault_if_they_rise_while_one_looks(tower: Guest, configs: dict[str, bytes]) -> None:
    """A few errors, put in by the kernel's own aer_inject driver, are no fault; more of them meanwhile are."""
    ends = tuple(End(address, can=(2, 1), now=(2, 1)) for address in (NETWORK_PORT, NETWORK_CARD))
    # struct aer_error_inj (drivers/pci/pcie/aer_inject.c): bus, device, function, uncorrectable, correctable, log.
    error = struct.pack("<BBBxIIIIIII", 8, 0, 0, 0, BAD_PACKET, 0, 0, 0, 0, 0)
    escaped = "".join(f"\\{byte:03o}" for byte in error)
    noise = f"(while :; do printf '{escaped}' >/dev/aer_inject; sleep 0.2; done) & noise=$!"
    first = f"printf '{escaped}' >/dev/aer_inject; sleep 0.5; {lanewright('check --format json --settle 0.5')}"
    result = run_shown(tower, ends, configs, first)
    assert (0, "") == (result.code, result.stderr)
    assert set() == rules(json.loads(result.stdout))
    command = f"{noise}; {lanewright('check --format json --settle 2')}; code=$?; kill $noise; exit $code"
    result = run_shown(tower, ends, configs, command)
    assert (1, "") == (result.code, result.stderr)
    check = json.loads(result.stdout)
    assert {"link-errors"} == rules(check)
    (finding,) = (one for one in check["findings"] if one["rule"] == "link-errors")
    assert (NETWORK_CARD, "fault") == (finding["subject"], finding["severity"])
    assert "full" == verdicts(check)[NETWORK_PORT, NETWORK_CARD]


def test_recordings_are_what_their_folder_says(boot: Callable[[Rack], Guest], tmp_path: Path) -> None:
    """Each guest recorded for `fixtures/` replays to the verdicts, rules and exit status that its about.toml names."""
    for folder, files in recordings(boot(BENCH)):
        about = tomllib.loads(files["about.toml"].decode())
        (tmp_path / folder).write_bytes(files["capture.json"])
        options = ("check", "--format", "json", "--replay", str(tmp_path / folder))
        check = json.loads(here(*options, code=about["exit"]))
        assert about["links"] == {one["device"]: one["verdict"] for one in check["links"]}
        assert set(about["rules"]) == rules(check)
        assert about["slots"] == {one["port"]: one["slot"] for one in check["links"]}


def test_a_pulled_drive_leaves_an_empty_port(boot: Callable[[Rack], Guest]) -> None:
    """After an orderly removal the port is empty, though the kernel still shows a speed; nothing is called a fault."""
    guest = boot(BENCH)
    before = json.loads(ask(guest, "check --format json").stdout)
    assert {("0000:00:04.0", "0000:01:00.0"): "virtual"} == verdicts(before)
    guest.unplug("first")
    assert "16.0 GT/s PCIe" == guest.run("cat /sys/bus/pci/devices/0000:00:04.0/current_link_speed").stdout.strip()
    for user in (ROOT, ORDINARY):
        check = json.loads(ask(guest, "check --format json", user=user).stdout)
        assert {("0000:00:04.0", None): "empty"} == verdicts(check)
        assert [] == check["drives"]
        assert set() == rules(check)


# --- Quiet toward the hardware ---------------------------------------------------------------------------------


@both_users
def test_a_live_check_only_reads(user: str, tower: Guest) -> None:
    """Traced on real drives, `check` opens nothing for writing, starts nothing, and sends root's one device command."""
    command = f"export PYTHONDONTWRITEBYTECODE=1; {lanewright('check', under=f'{STRACE} -o calls')} >/dev/null"
    result = tower.run(command, ordinary=user == ORDINARY)
    assert (0, "") == (result.code, result.stderr)
    traced = calls(result.files["calls"].decode())
    assert [] == offences(traced)
    sent = [call for call in traced if call.name == "ioctl" and "NVME_IOCTL_ADMIN_CMD" in call.arguments]
    assert (user == ROOT) == bool(sent)


def test_drives_get_no_command_but_identify_and_get_log_page(tower: Guest) -> None:
    """The kernel's own record of commands to the drives holds nothing else, temperatures by hwmon included."""
    tracing = "/sys/kernel/tracing"
    command = (
        f"mount -t tracefs tracefs {tracing}; echo 1 >{tracing}/events/nvme/nvme_setup_cmd/enable; "
        f"{lanewright('check')} >/dev/null; {lanewright('capture machine.json')} 2>/dev/null; "
        f"cat {tracing}/trace >trace; echo 0 >{tracing}/events/nvme/nvme_setup_cmd/enable; umount {tracing}"
    )
    result = tower.run(command)
    assert (0, "", "") == (result.code, result.stdout, result.stderr)
    # include/trace of drivers/nvme/host/trace.h: "nvme0: qid=0, ..., cmd=(nvme_admin_identify cns=1, ...)".
    sent = re.findall(r"(nvme\d+): .*?qid=(\d+),.*cmd=\((\w+)", result.files["trace"].decode())
    assert len(DRIVES) == len({drive for drive, _, _ in sent})
    assert {("0", "nvme_admin_identify"), ("0", "nvme_admin_get_log_page")} == {
        (queue, name) for _, queue, name in sent
    }


# --- Names -----------------------------------------------------------------------------------------------------


def test_names_are_there_where_udev_runs(tower: Guest, answers: Callable[[str], Answers]) -> None:
    """With udev's daemon a bridge has the name of the hardware database, without it its numbers; both only read."""
    assert "maker 1b36" in answers(ROOT).list
    result = tower.run(
        "export SYSTEMD_IGNORE_CHROOT=1; { /lib/systemd/systemd-udevd --daemon && "
        "udevadm trigger --action=add --subsystem-match=pci && udevadm settle; } 2>udev; "
        "udevadm info -q property -p /sys/bus/pci/devices/0000:00:04.0 >properties; "
        f"{lanewright('inventory', under=f'{STRACE} -o calls')}; udevadm control --exit; rm -rf /run/udev"
    )
    assert (0, "") == (result.code, result.stderr), result.files["udev"]
    properties = dict(line.partition("=")[::2] for line in result.files["properties"].decode().splitlines())
    assert properties["ID_MODEL_FROM_DATABASE"] in result.stdout
    assert "maker 1b36, model 000c" not in result.stdout
    assert [] == [one for one in offences(calls(result.files["calls"].decode())) if "__pycache__" not in one.arguments]
