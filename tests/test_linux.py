"""The Linux probe: every wording of the kernel's files, every way in which a read can fail, and what is never asked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest

from agent.audit import audit
from agent.model.findings import Severity
from agent.model.link_errors import link_error_count
from agent.model.second_look import below_best
from knowledge import pcie
from probes.facts import BlockDevice, ErrorCounters, LinkAttributes
from probes.linux import collecting as linux
from probes.linux.values import integer, is_address
from probes.reads import Recorded, Recording
from probes.unread import Unread
from tests.build import DEVICES, TreeReads, build, edit, facts, record
from tests.judging import CARD, ENDS, PORT, judged_at, tower
from tests.parts import Disk, Function, Machine, Nvme, Slot, card, downstream_port, drive, root_port, switch
from tests.sysfs import NEW_WORDS, OLD_WORDS
from tests.tree import Failure

if TYPE_CHECKING:
    from probes.facts import Facts, PciFunction
    from tests.tree import Tree

PLACE: Final = f"{DEVICES}/{CARD}"
REAL: Final = "/sys/devices/pci0000:00/0000:00:01.0/0000:01:00.0"
SLEEPY: Final = {"config", "current_link_speed", "current_link_width", "max_link_speed", "max_link_width"}


def one_drive(**more: Any) -> Tree:  # noqa: ANN401 - fields of Function
    """A drive in slot 1, with its sensor."""
    return build(tower(drive((4, 4), Nvme(kelvin=323, sensors=(330,)), **more)))


def function_of(seen: Facts, address: str = CARD) -> PciFunction:
    """One function of the facts."""
    return next(one for one in seen.functions if one.address == address)


def asked(tree: Tree, *, privileged: bool = True) -> set[str]:
    """The keys of all questions that a run puts to the machine."""
    return set(record(tree, privileged=privileged)[0])


def link_attributes(**texts: str | None) -> LinkAttributes:
    """What becomes of these link attributes of a card."""
    found = function_of(facts(one_drive(attributes=texts))).link
    assert found is not None
    return found


# --- Words of the kernel -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("words", [NEW_WORDS, OLD_WORDS], ids=["since 5.8", "before"])
@pytest.mark.parametrize("ending", ["", "\n", " \n"])
def test_speeds_are_read_in_the_wording_of_every_kernel(words: tuple[str, ...], ending: str) -> None:
    """Old kernels wrote "8 GT/s", newer ones write "8.0 GT/s PCIe" (drivers/pci/probe.c pci_speed_string)."""
    expected = [1, 2, 3, 4, 5, 6]
    actual = [
        link_attributes(current_link_speed=f"{word}{ending}", max_link_speed=f"{word}{ending}") for word in words[1:]
    ]
    assert expected == [found.speed for found in actual]
    assert expected == [found.max_speed for found in actual]


@pytest.mark.parametrize(
    "text",
    [
        *("Unknown", "Unknown speed", "", " ", "0", "33 MHz PCI", "66 MHz PCI-X", "8x AGP", "20 GT/s", "8.0 GT/S PCIe"),
        *("8", "8.0", "8.0 GT/s PCIe x4", "-8.0 GT/s PCIe", "8.00 GT/s PCIe", "\x1b[31m8.0 GT/s PCIe"),
    ],
)
def test_other_words_are_no_speed(text: str) -> None:
    """What is no PCI Express speed is unread, with the text as it was; it is neither 0 nor a guess."""
    found = link_attributes(current_link_speed=text, max_link_speed=text)
    for figure in (found.speed, found.max_speed):
        assert isinstance(figure, Unread)
        assert text.strip()[:40] in figure.why
        assert not figure.needs_root


@pytest.mark.parametrize(
    ("text", "lanes"), [("1", 1), ("2", 2), ("4", 4), ("8", 8), ("12", 12), ("16\n", 16), ("32", 32)]
)
def test_widths_are_numbers_of_lanes(text: str, lanes: int) -> None:
    """Every width that a link can have is read (include/linux/pci.h enum pcie_link_width)."""
    found = link_attributes(current_link_width=text, max_link_width=text)
    assert (lanes, lanes) == (found.width, found.max_width)


@pytest.mark.parametrize(
    "text",
    ["255", "63", "3", "-4", "1_6", "+4", "4.0", "x4", "", "0x", "Unknown", "4 4", "\uff14", "9" * 20, "9" * 500],
)
def test_other_words_are_no_width(text: str) -> None:
    """255 is the kernel's word for an unknown width; what is no number of lanes is unread as well."""
    found = link_attributes(current_link_width=text, max_link_width=text)
    assert isinstance(found.width, Unread)
    assert isinstance(found.max_width, Unread)


def test_a_width_of_zero_is_no_link_and_no_ability() -> None:
    """A negotiated width of 0 is what a port without a link shows; a greatest width of 0 says nothing."""
    found = link_attributes(current_link_width="0", max_link_width="0")
    assert 0 == found.width
    assert isinstance(found.max_width, Unread)


def test_a_function_of_conventional_pci_has_no_link_attributes() -> None:
    """Where the kernel shows no link files there is no link to speak of: None, not unread."""
    described = Machine(name="bench-9", buses={"0000:00": [Function(kind="usb", at="14.0", conventional=True)]})
    assert function_of(facts(build(described)), "0000:00:14.0").link is None


def test_a_missing_attribute_beside_others_is_unread() -> None:
    """A kernel that shows the speed and not the width leaves the width unread."""
    found = link_attributes(current_link_width=None)
    assert isinstance(found.width, Unread)
    assert (4, 4, 4) == (found.speed, found.max_speed, found.max_width)


@pytest.mark.parametrize(
    ("text", "number"),
    [("0x010802", 0x10802), ("16", 16), ("-1", -1), (" 7 ", 7), ("0xffffffffffffffff", 2**64 - 1), (str(2**64), None)],
)
def test_numbers_are_read_as_the_kernel_writes_them(text: str, number: int | None) -> None:
    """Decimal or 0x, at most 64 bits; anything longer is no number of the kernel's."""
    found = integer(text, "text x")
    assert number == (None if isinstance(found, Unread) else found)


@pytest.mark.parametrize(
    ("text", "good"),
    [
        ("0000:00:00.0", True),
        ("10000:e0:06.0", True),
        ("ffffffff:ff:1f.7", True),
        ("0000:00:00.8", False),
        ("000:00:00.0", False),
        ("0000:00:00", False),
        ("0000:0:00.0", False),
        ("0000:00:0.0", False),
        ("0000:zz:00.0", False),
        ("0000:00:00.0 ", False),
        ("0000:00:00.0/..", False),
        ("0000:AB:00.0", False),  # the kernel writes small letters
        ("", False),
    ],
)
def test_addresses_have_one_form(text: str, good: bool) -> None:  # noqa: FBT001 - a column of the table
    """Domain (four digits or more), bus, device, function: Documentation/ABI/testing/sysfs-bus-pci."""
    assert good is is_address(text)


# --- Error counters ------------------------------------------------------------------------------------------------


def errors_of(**files: str | None) -> ErrorCounters | None:
    """What becomes of these counter files of a card."""
    return function_of(facts(one_drive(attributes=files))).errors


def test_counters_are_read_in_both_spellings() -> None:
    """The kernel writes short names, its ABI document shows long ones with spaces; both count alike.

    Sources: drivers/pci/pcie/aer.c aer_correctable_error_string; sysfs-bus-pci-devices-aer_stats.
    """
    short = (
        "RxErr 3\nBadTLP 1\nBadDLLP 0\nRollover 2\nTimeout 4\nNonFatalErr 9\nCorrIntErr 0\nHeaderOF 0\nTOTAL_ERR_COR 19"
    )
    long = (
        "Receiver Error 3\nBad TLP 1\nBad DLLP 0\nRELAY_NUM Rollover 2\nReplay Timer Timeout 4\n"
        "Advisory Non-Fatal 9\nCorrected Internal Error 0\nHeader Log Overflow 0\nTOTAL_ERR_COR 19"
    )
    counts = []
    for text in (short, long):
        function = function_of(facts(one_drive(attributes={"aer_dev_correctable": text})))
        assert function.errors is not None
        assert isinstance(function.errors.correctable, dict)
        assert [3, 1, 0, 2, 4, 9, 0, 0, 19] == list(function.errors.correctable.values())
        counts.append(link_error_count(function))
    assert [10, 10] == counts  # advisory errors and the total are no errors of the link


def test_lines_that_are_no_counter_are_left_out() -> None:
    """A line without a count, with a count that is no number, or endless, is no counter and harms no other."""
    text = "\n".join(
        [
            "RxErr 1",
            "",
            "BadTLP",
            " 5",
            "BadDLLP x",
            "Timeout -3",
            "Rollover " + "9" * 500,
            "dev_cor_errs_bit[4] 2",
            "TOTAL_ERR_COR 3",
        ]
    )
    found = errors_of(aer_dev_correctable=text)
    assert found is not None
    assert {"RxErr": 1, "dev_cor_errs_bit[4]": 2, "TOTAL_ERR_COR": 3} == found.correctable


def test_without_counter_files_nothing_is_known() -> None:
    """Missing counters are not "no errors": there are none to read, and nothing is made up (None)."""
    assert errors_of(aer_dev_correctable=None, aer_dev_fatal=None, aer_dev_nonfatal=None) is None
    some = errors_of(aer_dev_fatal=None)
    assert some is not None
    assert isinstance(some.fatal, Unread)
    assert isinstance(some.nonfatal, dict)


# --- Reads that fail -----------------------------------------------------------------------------------------------


def _files_asked() -> list[str]:
    """Every file of the drive's function that a run asks for, the directory and the function's own link included."""
    keys = {key for key in asked(one_drive()) if key.partition(" ")[2].startswith(PLACE)}
    return sorted(keys | {f"link {PLACE}", f"list {PLACE}"})


@pytest.mark.parametrize("errno", ["EIO", "EACCES", "ENODEV", "ENOENT", "EINVAL", "EBUSY"])
@pytest.mark.parametrize("key", _files_asked(), ids=lambda key: key.rpartition("/")[2])
def test_a_file_that_fails_costs_exactly_one_line(key: str, errno: str) -> None:
    """One failed read of a device is one line that names the device, and no other reading suffers."""
    tree = one_drive()
    answers, _ = record(tree)
    failing = {**answers, key: Unread(key, f"as the system says ({errno})", errno == "EACCES")}
    seen = linux.collect(Recorded(failing, "linux"))
    assert 1 == len(seen.unread)
    assert CARD in seen.unread[0].what
    assert f"({errno})" in seen.unread[0].why
    assert (errno == "EACCES") == seen.unread[0].needs_root
    found = audit(seen)
    assert [] == [str(one.verdict) for one in found.links if one.verdict.severity is Severity.FAULT]
    assert 2 == len(found.facts.functions)


def test_the_questions_of_a_device_are_the_ones_that_fail_above() -> None:
    """The list of files is the probe's own, not a shorter one."""
    names = {key.rpartition("/")[2] for key in _files_asked()}
    assert SLEEPY | {"vendor", "device", "class", "power_state", "driver", "aer_dev_fatal", CARD} <= names


@pytest.mark.parametrize(
    ("errno", "why", "needs_root"),
    [("EIO", "readings failed", False), ("EACCES", "readings failed", True), ("ENODEV", "went away", False)],
)
def test_a_device_of_which_everything_fails_costs_one_line(errno: str, why: str, needs_root: bool) -> None:  # noqa: FBT001
    """However many files fail, a device is one line; if root may read all of them, the line says so."""
    tree = one_drive()
    for name in tree.listed(REAL):
        if name not in {"nvme", "power", "subsystem", "driver"}:
            tree.fail(f"{REAL}/{name}", errno)
    seen = facts(tree)
    assert 1 == len(seen.unread)
    assert CARD == seen.unread[0].what
    assert why in seen.unread[0].why
    assert needs_root is seen.unread[0].needs_root
    assert "unknown" == judged_at(tree).verdict


@pytest.mark.parametrize("kept", ["the link", "the name", "an empty directory"])
def test_a_device_that_vanishes_between_listing_and_reading_costs_one_line(kept: str) -> None:
    """A drive that is pulled while the machine is read is one line; its port is judged all the same."""
    tree = one_drive()
    whole = record(tree)[0]
    tree.remove(REAL)
    tree.remove("/sys/class/nvme/nvme0")
    tree.remove("/sys/class/hwmon/hwmon1")
    if kept == "an empty directory":
        tree.directory(REAL)
    answers = dict(record(tree)[0])
    if kept == "the name":
        answers[f"link {PLACE}"] = Unread(f"link {PLACE}", "not there (ENOENT)")
    assert CARD in tree.listed(DEVICES)
    assert len(whole) > len(answers)
    seen = linux.collect(Recorded(answers, "linux"))
    assert (0 if kept == "an empty directory" else 1) == len(seen.unread)
    assert {PORT, CARD} == {one.address for one in seen.functions}
    assert 1 == len(audit(seen).links)


def test_a_device_that_does_not_answer_costs_one_line() -> None:
    """All bits of configuration space at 1 is the bus's answer for nobody, not a reading."""
    for size in (64, 256, 4096):
        tree = one_drive()
        tree.put(f"{REAL}/config", b"\xff" * size)
        seen = facts(tree)
        assert [f"bytes {PLACE}/config"] == [one.what for one in seen.unread]
        assert "does not answer" in seen.unread[0].why
        assert isinstance(function_of(seen).registers.read(pcie.LINK_STATUS, "current_link_speed"), Unread)


def test_a_virtual_function_does_answer() -> None:
    """Vendor and device identifier of a virtual function read FFFFh in its own registers; it is not gone.

    Source: PCI Express Base, SR-IOV, Vendor ID and Device ID of a virtual function.
    """
    seen = facts(build(tower(card("network", (4, 8), virtual=2, vendor=0xF1D0))))
    assert () == seen.unread
    assert [0xF1D0] * 3 == [one.vendor_id for one in seen.functions if one.address != PORT]
    assert [CARD, CARD] == [one.physical_function for one in seen.functions if one.physical_function]


@pytest.mark.parametrize("size", [0, 1, 2, 63, 65, 100, 127, 129, 255, 257, 300, 4095])
def test_a_short_read_costs_one_line(size: int) -> None:
    """A read that ends in the middle of configuration space is told; what was read of it still counts."""
    tree = one_drive()
    tree.put(f"{REAL}/config", tree.read(f"{REAL}/config")[:size])
    seen = facts(tree)
    assert [f"bytes {PLACE}/config"] == [one.what for one in seen.unread]
    assert not seen.unread[0].needs_root
    found = audit(seen)
    assert [] == [str(one.verdict) for one in found.links if one.verdict.severity is Severity.FAULT]
    told = [one.why for one in found.links if "ordinary user" in one.why]
    assert [] == told  # it was not a matter of rights


@pytest.mark.parametrize("size", [0xA0, 256, 0x600, 4096])
def test_whole_sizes_are_not_short(size: int) -> None:
    """Configuration space has 256 or 4096 bytes, of two odd makes 160 and 1536 (drivers/pci/quirks.c)."""
    tree = one_drive()
    tree.put(f"{REAL}/config", tree.read(f"{REAL}/config")[:size])
    assert () == facts(tree).unread


def test_what_only_root_gets_is_one_line_for_all_functions() -> None:
    """64 bytes (128 of a CardBus bridge) are what the kernel gives an ordinary user: one line, not one a device.

    Source: drivers/pci/pci-sysfs.c pci_read_config.
    """
    described = tower(switch((4, 8), [downstream_port((4, 4), [drive((4, 4))])]))
    seen = facts(build(described), privileged=False)
    assert 1 == len(seen.unread)
    assert "4 functions" in seen.unread[0].what
    assert seen.unread[0].needs_root
    tree = one_drive()
    tree.put(f"{REAL}/config", tree.read(f"{REAL}/config")[:128])
    one = facts(tree)
    assert ["configuration space past the first bytes of 1 function"] == [line.what for line in one.unread]
    assert one.unread[0].needs_root


def test_names_that_are_no_addresses_are_told_and_not_followed() -> None:
    """A file in the list of devices that is no PCI address is one line; nothing below it is asked."""
    tree = one_drive()
    for name in ("..hidden", "0000:01:00.0\x1b[31m", "0000:zz:00.0"):
        tree.texts(f"{DEVICES}/{name}", vendor="0xf1a0")
    seen = facts(tree)
    assert 3 == len(seen.unread)
    assert 2 == len(seen.functions)
    assert [] == [key for key in asked(tree) if "zz" in key or "hidden" in key]


@pytest.mark.parametrize("errno", ["ENOENT", "EACCES", "ENOTDIR"])
def test_without_a_list_of_devices_there_is_one_line(errno: str) -> None:
    """A machine without /sys/bus/pci gives no functions and the reason."""
    tree = build(Machine(name="bench-9", buses={}))
    tree.remove(DEVICES)
    tree.put(DEVICES, Failure(errno))
    seen = facts(tree)
    assert () == seen.functions
    assert [f"which PCI functions there are ({DEVICES})"] == [one.what for one in seen.unread]
    assert f"({errno})" in seen.unread[0].why


@pytest.mark.parametrize("name", ["model", "serial", "firmware_rev", "nvme0n1/size"])
@pytest.mark.parametrize("errno", ["EIO", "ENODEV"])
def test_a_drives_file_that_fails_costs_one_line(name: str, errno: str) -> None:
    """A drive whose model or size cannot be read is still there, and says what is missing."""
    tree = one_drive()
    tree.fail(f"{REAL}/nvme/nvme0/{name}", errno)
    seen = facts(tree)
    assert ["nvme0"] == [one.what for one in seen.unread]
    assert f"({errno})" in seen.unread[0].why
    assert ["nvme0"] == [one.name for one in seen.drives]


def test_a_temperature_that_fails_costs_one_line() -> None:
    """A sensor that gives no temperature is told once; the drive is not called cool."""
    tree = one_drive()
    tree.fail(f"{REAL}/nvme/nvme0/hwmon1/temp1_input", "EIO")
    found = audit(facts(tree))
    assert ["temperature of nvme0 (Composite)"] == [one.what for one in found.unread]
    assert isinstance(found.drives[0].celsius, Unread)


def test_a_kernel_slot_that_fails_costs_one_line() -> None:
    """A slot whose address cannot be read is still one, and told; its neighbours keep their places."""
    ports = [root_port(f"0{number}.0", (4, 4), slot=Slot(number=number, kernel_name=str(number))) for number in (1, 2)]
    tree = build(Machine(name="bench-9", buses={"0000:00": ports}))
    tree.fail("/sys/bus/pci/slots/1/address", "EIO")
    seen = facts(tree)
    assert ["1", "2"] == [slot.name for slot in seen.kernel_slots]
    assert [True, False] == [isinstance(slot.address, Unread) for slot in seen.kernel_slots]
    assert 1 == len(seen.unread)
    assert "slots/1" in seen.unread[0].what


# --- What is never asked -------------------------------------------------------------------------------------------


def _waking(tree: Tree, address: str = CARD) -> set[str]:
    """The questions of a run that wake a function in D3cold or talk to its drive."""
    place = f"{DEVICES}/{address}"
    return {
        key
        for key in asked(tree)
        if key.startswith(("nvme ", "text /sys/class/hwmon/hwmon1"))
        or (key.partition(" ")[2].startswith(f"{place}/") and key.rpartition("/")[2] in SLEEPY)
    }


def test_a_sleeping_drive_is_not_asked() -> None:
    """Of a function in D3cold neither configuration space nor link files are read, nor its drive, nor its sensor.

    Sources: drivers/pci/pci.c pci_config_pm_runtime_get (such a read resumes it); drivers/nvme/host/hwmon.c (each
    temperature is a command to the drive).
    """
    assert set() == _waking(one_drive(power_state="D3cold"))
    awake = _waking(one_drive())
    assert {"nvme identify /dev/nvme0", f"bytes {PLACE}/config", "text /sys/class/hwmon/hwmon1/temp1_input"} <= awake
    seen = facts(one_drive(power_state="D3cold"))
    assert () == seen.unread
    assert () == seen.sensors
    assert ["Ostrayne Reel 4 2TB"] == [one.model for one in seen.drives]
    assert isinstance(seen.drives[0].warning_celsius, Unread)


@pytest.mark.parametrize("state", ["D0", "D1", "D2", "D3hot", "unknown", "error"])
def test_any_other_power_state_is_read(state: str) -> None:
    """Only D3cold costs a wake-up; a function in D3hot answers to configuration reads."""
    assert _waking(one_drive(power_state=state)) == _waking(one_drive())


def old_kernel(status: str) -> Tree:
    """A card on a kernel without `power_state` files, by its runtime status."""
    tree = one_drive()
    tree.remove(f"{REAL}/power_state")
    tree.texts(f"{REAL}/power", runtime_status=status)
    return tree


def test_an_old_kernel_tells_sleep_by_the_runtime_status() -> None:
    """Kernels before 5.x have no power_state file; a suspended device may be in D3cold and is left alone."""
    assert set() == _waking(old_kernel("suspended"))
    assert _waking(old_kernel("active")) == _waking(one_drive())


@pytest.mark.parametrize("make", [lambda: old_kernel("suspended"), lambda: one_drive(power_state="D3cold")])
def test_later_looks_leave_a_sleeper_asleep(make: Any) -> None:  # noqa: ANN401 - a function
    """A link that is unknown because its card sleeps is looked at again, and still not woken."""
    tree = make()
    first = Recorded(record(tree)[0], "linux")
    again = below_best(linux.collect(first))
    assert CARD in again
    look = linux.look(TreeReads(tree), first, again)
    woken = {key for key in look.answers if key.partition(" ")[2].startswith(f"{PLACE}/")}
    assert set() == {key for key in woken if key.rpartition("/")[2] in SLEEPY}


def test_a_card_that_fell_asleep_before_a_later_look_is_left_asleep() -> None:
    """Between two looks a card may go to sleep; the second look sees that and asks no more."""
    tree = one_drive()
    first = Recorded(record(tree)[0], "linux")
    tree.texts(REAL, power_state="D3cold")
    look = linux.look(TreeReads(tree), first, ENDS)
    assert {f"text {PLACE}/power_state"} == {key for key in look.answers if f"{CARD}/" in key}
    assert f"bytes {DEVICES}/{PORT}/config" in look.answers


def test_a_later_look_asks_only_what_can_change() -> None:
    """Identity, greatest widths and names do not change while a machine runs; they come from the first reading."""
    tree = one_drive()
    first = Recorded(record(tree)[0], "linux")
    look = linux.look(TreeReads(tree), first, [CARD])
    names = {key.rpartition("/")[2] for key in look.answers}
    counters = {"aer_dev_correctable", "aer_dev_fatal", "aer_dev_nonfatal"}
    assert {"power_state", "config", "current_link_speed", "current_link_width", *counters} == names
    later = linux.collect(first, [(0.5, look)]).looks[0]
    assert [CARD] == list(later.functions)
    assert function_of(linux.collect(first)).class_code == later.functions[CARD].class_code


def test_no_threshold_of_an_nvme_drive_is_ever_asked() -> None:
    """Reading temp1_max or temp1_min sends Get Features to the drive; only Identify and Get Log Page are allowed.

    Source: drivers/nvme/host/hwmon.c nvme_get_temp_thresh.
    """
    tree = build(tower(Function(kind="sata", can=(3, 2), disks=[Disk()], below=[])))
    machine = Machine(
        name="bench-9",
        buses={
            "0000:00": [
                root_port("01.0", (4, 4), [drive((4, 4), Nvme(sensors=(320, 321)))]),
                Function(kind="sata", at="17.0", conventional=True, disks=[Disk()]),
            ]
        },
    )
    names = {key for key in asked(build(machine)) if key.startswith("text /sys/class/hwmon/")}
    of_nvme = {key.rpartition("/")[2] for key in names if "/hwmon1/" in key}
    assert {f"temp{number}_{what}" for number in (1, 2, 3) for what in ("input", "label")} <= of_nvme
    assert set() == {name for name in of_nvme if name.endswith(("_max", "_min", "_alarm"))}
    assert {"temp1_max"} == {key.rpartition("/")[2] for key in names if key.endswith("_max")}  # of the disk
    assert set() == {key for key in asked(tree) if key.endswith(("_min", "_alarm", "_lcrit"))}


def test_only_the_three_questions_are_put_to_a_drive() -> None:
    """Identify and two log pages, once each, and nothing else is sent."""
    found = sorted(key for key in asked(one_drive()) if key.startswith("nvme "))
    assert ["nvme identify /dev/nvme0", "nvme log-02 /dev/nvme0", "nvme log-03 /dev/nvme0"] == found


def test_no_file_that_does_something_is_opened() -> None:
    """Files that reset, rescan or enable, and product data that only root reads, are never asked."""
    tree = one_drive()
    harmful = (
        "reset",
        "remove",
        "rescan",
        "enable",
        "rom",
        "vpd",
        "resource0",
        "sriov_numvfs",
        "msi_bus",
        "d3cold_allowed",
    )
    tree.texts(REAL, **dict.fromkeys(harmful, "0"))
    tree.texts(f"{REAL}/nvme/nvme0", reset_controller="", rescan_controller="", dctype="")
    for key in asked(tree):
        assert key.rpartition("/")[2] not in {*harmful, "reset_controller", "rescan_controller"}


# --- Drives and sensors --------------------------------------------------------------------------------------------


def test_two_equal_drives_have_their_own_sensors() -> None:
    """Drives of one model, with chips of one name, are told apart by where their chips hang."""
    drives = [drive((4, 4), Nvme(kelvin=kelvin, serial="SAME")) for kelvin in (310, 340)]
    ports = [root_port(f"0{number}.0", (4, 4), [one]) for number, one in enumerate(drives, 1)]
    found = audit(facts(build(Machine(name="bench-9", buses={"0000:00": ports}))))
    assert {"nvme0": 36.85, "nvme1": 66.85} == {one.drive.name: one.celsius for one in found.drives}
    assert {"0000:01:00.0", "0000:02:00.0"} == {one.address for one in found.facts.sensors}


def test_the_number_of_a_chip_has_nothing_to_do_with_the_number_of_a_drive() -> None:
    """Chips are numbered as they come; the path of the chip tells whose it is."""
    tree = one_drive()
    tree.link("/sys/class/hwmon/hwmon0", f"{REAL}/nvme/nvme0/hwmon1")
    tree.remove("/sys/class/hwmon/hwmon1")
    tree.remove("/sys/class/nvme/nvme0")
    tree.link("/sys/class/nvme/nvme0", f"{REAL}/nvme/nvme0")
    assert ["nvme0", "nvme0"] == [one.drive for one in facts(tree).sensors]


def test_a_sensor_beside_the_controller_belongs_to_the_drive() -> None:
    """Kernels from 5.5 to 5.11 hang the chip on the PCI function (drivers/nvme/host/hwmon.c of those)."""
    tree = one_drive()
    old = f"{REAL}/nvme/nvme0/hwmon1"
    new = f"{REAL}/hwmon/hwmon1"
    for name in tree.listed(old):
        if name != "device":
            tree.put(f"{new}/{name}", tree.nodes[f"{old}/{name}"])
    tree.link(f"{new}/device", REAL)
    tree.remove(old)
    tree.remove("/sys/class/hwmon/hwmon1")
    tree.link("/sys/class/hwmon/hwmon1", new)
    assert [("nvme0", 49.85), ("nvme0", 56.85)] == [(one.drive, one.celsius) for one in facts(tree).sensors]


@pytest.mark.parametrize(
    ("name", "block"),
    [
        ("nvme0n1", "nvme0n1"),
        ("nvme0n12", "nvme0n12"),
        ("nvme0c0n1", "nvme0n1"),  # several paths: drivers/nvme/host/multipath.c
        ("nvme0c1n1", "nvme0n1"),
        ("nvme3c0n2", "nvme3n2"),  # the subsystem has another number than the controller
        ("nvme1n1", None),  # another controller's
        ("nvme00n1", None),
        ("ng0n1", None),  # the character device
        ("nvme0n", None),
        ("nvme0", None),
        ("nvme0n1p1", None),
        ("hwmon1", None),
        ("nvmen1", None),
        ("nvme0cn1", None),
    ],
)
def test_namespaces_are_known_by_their_names(name: str, block: str | None) -> None:
    """A namespace is named nvme<controller>n<number>, with several paths nvme<subsystem>c<controller>n<number>."""
    tree = one_drive()
    tree.remove(f"{REAL}/nvme/nvme0/nvme0n1")
    tree.texts(f"{REAL}/nvme/nvme0/{name}", size=2048)
    expected = () if block is None else (BlockDevice(block, 2048 * 512),)
    assert expected == facts(tree).drives[0].blocks


def test_disks_and_their_sensors_belong_together() -> None:
    """A disk's temperature is found by the chip's own device, not by its number (Documentation/hwmon/drivetemp.rst)."""
    disks = [Disk(port=port, celsius=celsius, serial=f"S{port}") for port, celsius in ((1, None), (2, 41), (3, 29))]
    described = Machine(
        name="bench-9", buses={"0000:00": [Function(kind="sata", at="17.0", conventional=True, disks=disks)]}
    )
    seen = facts(build(described))
    assert {("sdb", 41.0, 55.0, 60.0), ("sdc", 29.0, 55.0, 60.0)} == {
        (one.drive, one.celsius, one.warning_celsius, one.critical_celsius) for one in seen.sensors
    }
    assert [("sda", "sata", "0000:00:17.0", "S1"), ("sdb", "sata", "0000:00:17.0", "S2")] == [
        (one.name, one.kind, one.address, one.serial) for one in seen.drives[:2]
    ]
    assert [8_001_563_222_016] * 3 == [
        one.blocks[0].size_bytes for one in seen.drives if not isinstance(one.blocks, Unread)
    ]


def test_disks_of_a_usb_box_and_disks_of_no_controller_are_left_out() -> None:
    """Only drives behind a PCI controller's own ports are of this trade."""
    described = Machine(
        name="bench-9", buses={"0000:00": [Function(kind="sata", at="17.0", conventional=True, disks=[Disk()])]}
    )
    tree = build(described)
    usb = "/sys/devices/pci0000:00/0000:00:14.0/usb2/2-1/2-1:1.0/host6/target6:0:0/6:0:0:0/block/sdx"
    for name, place in (
        ("sdx", usb),
        ("sdy", "/sys/devices/platform/host7/block/sdy"),
        ("loop0", "/sys/devices/virtual/block/loop0"),
    ):
        tree.texts(place, size=100)
        tree.link(f"/sys/block/{name}", place)
    assert ["sda"] == [one.name for one in facts(tree).drives]


@pytest.mark.parametrize(
    ("text", "celsius"),
    [
        ("49850", 49.85),
        ("0", 0.0),
        ("-5150", -5.15),
        ("65261850", None),  # FFFFh kelvin: an unset threshold
        ("-273150", None),  # 0 kelvin
        ("nan", None),
        ("", None),
        ("1e3", None),
        ("999999", None),
    ],
)
def test_temperatures_that_cannot_be_are_absent(text: str, celsius: float | None) -> None:
    """An unset threshold comes out of the kernel's arithmetic as 65261850 or -273150: absent, not hot and not cold.

    Source: include/linux/units.h (kelvin x 1000 - 273150); drivers/nvme/host/hwmon.c.
    """
    tree = one_drive()
    tree.texts(f"{REAL}/nvme/nvme0/hwmon1", temp1_input=text, temp1_crit=text)
    sensor = facts(tree).sensors[0]
    assert celsius == (None if isinstance(sensor.celsius, Unread) else sensor.celsius)
    assert celsius == sensor.critical_celsius


def test_a_temperature_is_the_kernels_millidegrees() -> None:
    """323 K reads 49850 and is 49.85 degrees Celsius; the limits are the drive's own (343 K is 69.85)."""
    found = audit(facts(one_drive())).drives[0]
    assert (49.85, 69.85, 84.85) == (found.celsius, found.warning_celsius, found.critical_celsius)


@pytest.mark.parametrize("kelvin", [0, 0xFFFF])
def test_a_limit_that_a_drive_does_not_give_is_none(kelvin: int) -> None:
    """0 kelvin in Identify Controller means that there is no such limit (NVM Express Base, WCTEMP and CCTEMP)."""
    seen = facts(build(tower(drive((4, 4), Nvme(warning=kelvin, critical=kelvin)))))
    assert (None, None) == (seen.drives[0].warning_celsius, seen.drives[0].critical_celsius)


def test_a_drive_that_answers_short_has_unread_limits() -> None:
    """An Identify that ends before the limits leaves them unread."""
    tree = one_drive()
    tree.nvme["identify /dev/nvme0"] = tree.read(f"{REAL}/config")[:100]
    drive_ = facts(tree).drives[0]
    assert isinstance(drive_.warning_celsius, Unread)
    assert isinstance(drive_.critical_celsius, Unread)


def test_a_drive_over_a_network_hangs_on_no_function() -> None:
    """A controller that is no PCI device is a drive without an address, and is on no path."""
    tree = one_drive()
    place = "/sys/devices/virtual/nvme-fabrics/ctl/nvme7"
    tree.texts(place, model="Far", serial="F", firmware_rev="1", state="live")
    tree.link("/sys/class/nvme/nvme7", place)
    found = audit(facts(tree))
    assert [("nvme0", CARD, (PORT,)), ("nvme7", None, ())] == [
        (one.drive.name, one.drive.address, one.path) for one in found.drives
    ]


# --- The host ------------------------------------------------------------------------------------------------------


def test_without_udev_functions_have_no_names_and_nothing_is_missed() -> None:
    """Containers and rescue systems have no udev: numbers stand for names, and no line is spent on it."""
    described = tower(drive((4, 4)))
    described.udev = False
    seen = facts(build(described))
    assert (None, None) == (function_of(seen).vendor_name, function_of(seen).model_name)
    assert () == seen.unread
    named = facts(build(tower(drive((4, 4)))))
    assert ("Ostrayne", "Reel 4 drive controller") == (function_of(named).vendor_name, function_of(named).model_name)


def test_udev_is_asked_only_for_what_it_lists() -> None:
    """A function that udev does not know costs no question and no line."""
    tree = one_drive()
    assert tree.udev is not None
    tree.udev["pci"] = PORT
    assert {"udev pci", f"udev {PORT}"} == {key for key in asked(tree) if key.startswith("udev ")}
    assert function_of(facts(tree)).model_name is None


def test_without_firmware_tables_there_is_one_line() -> None:
    """A machine without SMBIOS says so once; slots then go by the kernel's names."""
    described = tower(drive((4, 4)))
    described.tables = False
    found = audit(facts(build(described)))
    assert ["slots described by the firmware (SMBIOS)"] == [one.what for one in found.unread]
    assert isinstance(found.facts.board_slots, Unread)
    assert not found.facts.board_slots.needs_root
    assert found.facts.host.maker is None


def test_an_ordinary_user_gets_the_machines_identity() -> None:
    """Makers, models and firmware versions below /sys/class/dmi/id are everybody's; serial numbers are not asked."""
    tree = one_drive()
    seen = facts(tree, privileged=False)
    assert ("Harrow Lane Archive", "4.12", "03/18/2025") == (
        seen.host.maker,
        seen.host.firmware_version,
        seen.host.firmware_date,
    )
    assert isinstance(seen.board_slots, Unread)
    assert seen.board_slots.needs_root
    assert [] == [key for key in asked(tree) if ("serial" in key and "/dmi/" in key) or "uuid" in key]


@pytest.mark.parametrize(
    ("text", "virtual"),
    [
        ("processor\t: 0\nflags\t\t: fpu hypervisor sse", True),
        ("processor\t: 0\nflags\t\t: fpu sse", False),
        ("processor\t: 0\nflags\t\t: fpu nohypervisor", False),
        ("processor\t: 0\nmodel name\t: hypervisor", None),
        ("processor\t: 0\nFeatures\t: fp asimd", None),  # another architecture does not tell
        ("", None),
    ],
)
def test_the_processor_tells_whether_it_is_a_guest(text: str, virtual: bool | None) -> None:  # noqa: FBT001 - a column
    """On x86 CPUID leaf 1 ECX bit 31 is shown as the flag "hypervisor"; where nothing tells, it is unread."""
    tree = one_drive()
    tree.put("/proc/cpuinfo", text)
    found = facts(tree).host.virtual
    assert virtual == (None if isinstance(found, Unread) else found)


@pytest.mark.parametrize("text", ["nan 1", "inf", "-1.0 2", "x", "", "1" * 400])
def test_an_uptime_that_is_none_is_unread(text: str) -> None:
    """What is no number of seconds is no uptime."""
    tree = one_drive()
    tree.put("/proc/uptime", text)
    assert isinstance(facts(tree).host.up_seconds, Unread)


def test_a_recording_holds_every_answer_and_replays_alike() -> None:
    """What is recorded gives the same facts again, failed reads included."""
    tree = one_drive()
    tree.fail(f"{REAL}/numa_node", "EIO")
    edit(tree, PORT, pcie.LINK_STATUS, link_bandwidth_management_status=1)
    recording = Recording(TreeReads(tree))
    assert linux.collect(recording) == linux.collect(Recorded(recording.answers, "linux"))
