"""What is read of a machine again and again, where a reading fails: why it failed, and what was there all the same.

What a file says where it is whole: Documentation/ABI/testing/sysfs-class-hwmon, sysfs-bus-pci (power_state,
current_link_speed) and sysfs-bus-pci-devices-aer_stats of the Linux kernel.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

from agent.commands.reach import unlisted
from probes import collect
from probes.counts import counts, of_devices
from probes.linux import counts as linux_counts
from probes.linux import watch as linux_watch
from probes.linux.watch import ErrorReader, LinkReader
from probes.samples import Counters
from probes.temperatures import Temperature, by_name
from probes.unread import Unread
from tests.build import TreeReads
from tests.failing import ERRORS, Failing, Fault, Sign
from tests.watched import FIRST, SECOND, STARTED, two_drives

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.tree import Tree

EIO: Final = "the device gave an input/output error (EIO)"
HWMON: Final = "/sys/class/hwmon"
ADDRESS: Final = "0000:01:00.0"
BOTH: Final = ("0000:00:01.0", ADDRESS)


def spoilt(key: str, how: str = "EIO") -> Failing:
    """The machine of two drives in which questions that begin so fail."""
    return Failing(Sign(), Fault(key, how))


def tree_of(change: Callable[[Tree], object]) -> TreeReads:
    """The machine of two drives with a change."""
    tree = two_drives()
    change(tree)
    return TreeReads(tree)


# --- Temperatures --------------------------------------------------------------------------------------------------


def test_a_list_of_temperatures_that_fails_is_told() -> None:
    """Where the list of temperatures fails none is known and each drive is told why; where there is none nothing is."""
    found = linux_watch.temperatures(spoilt(f"list {HWMON}"))
    why = Unread("which temperatures there are", EIO, code="EIO")
    assert ({}, (), why, why) == (found.drives, found.others, found.why("nvme0"), found.why(None))
    none = linux_watch.temperatures(tree_of(lambda tree: tree.remove(HWMON)))
    assert ({}, (), None, None) == (none.drives, none.others, none.why("nvme0"), none.why(None))


@pytest.mark.parametrize(("question", "owner"), [("text", "nvme0"), ("list", "nvme0"), ("link", None)])
@pytest.mark.parametrize("how", ["EIO", "ENOENT", "EACCES"])
def test_an_entry_whose_nature_cannot_be_read_is_lost(question: str, owner: str | None, how: str) -> None:
    """An entry of which name, content or place fails is lost, with whose it is where that is known; the rest is not."""
    place = f"{HWMON}/hwmon1"
    found = linux_watch.temperatures(spoilt(f"{question} {place}" + ("/name" if question == "text" else ""), how))
    assert (["nvme1"], ["acpitz"]) == (list(found.drives), [one.label for one in found.others])
    (lost,) = found.lost
    assert (owner, how in lost.unread.why, how == "EACCES") == (
        lost.drive,
        True,
        lost.unread.needs_root,
    )
    assert lost.unread.what.endswith("hwmon1")
    assert lost.unread == found.why("nvme0")
    assert (None if owner else lost.unread) == found.why("nvme1") == found.why(None)


def test_a_chip_of_a_drive_that_nothing_names_is_lost() -> None:
    """A sensor that says it is a disk's, and of which nothing tells the disk, is not passed over."""
    reads = tree_of(lambda tree: tree.texts("/sys/devices/virtual/thermal/thermal_zone0/hwmon0", name="drivetemp"))
    found = linux_watch.temperatures(reads)
    assert () == found.others
    assert [(None, "the temperatures at hwmon0")] == [(lost.drive, lost.unread.what) for lost in found.lost]


def test_a_temperature_whose_name_fails_has_another_and_is_read() -> None:
    """Where a label fails the temperature is called by its number, that is told, and its reading stands."""
    reads = spoilt(f"text {HWMON}/hwmon1/temp1_label")
    found = linux_watch.temperatures(reads)
    assert ["temp1", "Sensor 1"] == [one.label for one in found.drives["nvme0"]]
    assert [(True, EIO)] == [(lost.is_name, lost.unread.why) for lost in found.lost]
    assert found.why("nvme0") is None
    whole = linux_watch.temperatures(spoilt("none"))
    assert {"temp1", "temp2", "Composite", "Sensor 1"} == set(by_name(whole.drives["nvme0"]))


STATE: Final = "/sys/devices/somewhere/power/runtime_status"


@pytest.mark.parametrize(
    ("state", "answer"),
    [
        (None, 45.85),  # a device without a state of power never sleeps
        ("active", 45.85),
        ("unsupported", 45.85),
        ("suspended", "the device is asleep (D3cold) and was not woken"),
        ("", "whether its device sleeps could not be read: nothing was given"),
    ],
)
def test_a_device_that_may_sleep_is_not_woken(state: str | None, answer: float | str) -> None:
    """What sleeps, and what may for all that is known, is not asked, and that is said."""
    reads = spoilt("none")
    if state is not None:
        reads.tree.put(STATE, state)
    one = Temperature("x", f"{HWMON}/hwmon1/temp1_input", STATE)
    found = linux_watch.celsius_if_awake(reads, one, "other_1")
    assert (answer if isinstance(answer, float) else Unread("other_1", answer)) == found
    assert isinstance(answer, float) == (one.path in reads.asked)


def test_a_state_of_power_that_fails_wakes_nothing() -> None:
    """Where it cannot be read whether a device sleeps, it is left alone, and the reason is told."""
    reads = spoilt(f"text {STATE}")
    one = Temperature("x", f"{HWMON}/hwmon1/temp1_input", STATE)
    assert Unread("temperature", f"whether its device sleeps could not be read: {EIO}") == (
        linux_watch.celsius_if_awake(reads, one)
    )
    assert Unread("link", f"whether its device sleeps could not be read: {EIO}") == (
        LinkReader(spoilt(f"text {FIRST}/power_state"), ADDRESS).now()
    )


# --- Links and their errors ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["current_link_speed", "current_link_width"])
def test_a_link_that_fails_says_why(name: str) -> None:
    """A speed or a width that fails is told with the reason, also where the file went away after it was read once."""
    assert (4, 4) == LinkReader(spoilt("none"), ADDRESS).now()
    assert Unread("link", EIO, code="EIO") == LinkReader(spoilt(f"text {FIRST}/{name}"), ADDRESS).now()
    reads = TreeReads(two_drives())
    links = [LinkReader(reads, ADDRESS), LinkReader(reads, ADDRESS, known=True)]
    assert (4, 4) == links[0].now()
    reads.tree.remove(reads.tree.resolve(f"{FIRST}/{name}"))
    assert [Unread("link", "not there (ENOENT)", code="ENOENT")] * 2 == [link.now() for link in links]


def test_what_has_no_link_has_none() -> None:
    """A function without the files of a link, and a name that is no function, have no link: nothing failed."""
    reads = TreeReads(two_drives())
    for name in ("speed", "width"):
        reads.tree.remove(reads.tree.resolve(f"{FIRST}/current_link_{name}"))
    assert LinkReader(reads, ADDRESS).now() is None
    assert LinkReader(reads, "nowhere").now() is None


@pytest.mark.parametrize(
    ("speed", "width", "why"),
    [
        ("Unknown", "4", 'reads "Unknown", which is no speed of a link'),
        ("", "4", 'reads "", which is no speed of a link'),
        ("16.0 GT/s PCIe", "255", "reads 255 lanes"),
        ("16.0 GT/s PCIe", "", 'reads "", not a number'),
    ],
)
def test_a_link_of_nonsense_says_what_was_read(speed: str, width: str, why: str) -> None:
    """A speed or a width that is none is told with what was read."""
    reads = tree_of(lambda tree: tree.texts(tree.resolve(FIRST), current_link_speed=speed, current_link_width=width))
    found = LinkReader(reads, ADDRESS).now()
    assert isinstance(found, Unread)
    assert ("link", why) == (found.what, found.why)


@pytest.mark.parametrize("how", ["EIO", "EACCES", "ENODEV"])
def test_an_error_counter_that_fails_is_missing_from_no_sum(how: str) -> None:
    """Where one of several counters fails, at first or later, there is no sum, and the reason is told."""
    assert 0 == ErrorReader(spoilt("none"), BOTH).now()
    lost = ErrorReader(spoilt(f"text {ERRORS}", how), BOTH).now()
    assert isinstance(lost, Unread)
    assert ("errors", True) == (lost.what, how in lost.why)


def test_a_counter_that_is_not_there_belongs_to_no_sum() -> None:
    """A kernel that does not show a counter has none of it; one that was there and is not any more has failed."""
    reads = spoilt("none")
    place = reads.tree.resolve(f"{SECOND}/aer_dev_fatal")
    reads.tree.remove(place)
    errors = ErrorReader(reads, ("0000:02:00.0",))
    assert 0 == errors.now()
    reads.tree.remove(place.replace("fatal", "nonfatal"))
    assert Unread("errors", "not there (ENOENT)", code="ENOENT") == errors.now()
    assert ErrorReader(reads, ()).now() is None


def test_a_file_of_errors_without_a_total_says_what_was_read() -> None:
    """A file that ends in no total, as one that was cut, is told with what was read."""
    reads = tree_of(lambda tree: tree.put(tree.resolve(f"{SECOND}/aer_dev_fatal"), "Undefined 0\nDLP"))
    assert Unread("errors", 'reads "DLP", which is no total of errors') == ErrorReader(reads, ("0000:02:00.0",)).now()


# --- Drives --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("how", "root"), [("EIO", False), ("EACCES", True), ("ENODEV", False)])
def test_counters_that_fail_say_why(how: str, *, root: bool) -> None:
    """A log page that a drive does not give, or not to this user, is told with the reason."""
    assert isinstance(linux_watch.counters(spoilt("none"), "nvme0"), Counters)
    lost = linux_watch.counters(spoilt("nvme log-02", how), "nvme0")
    assert isinstance(lost, Unread)
    assert ("counters", True, root) == (lost.what, how in lost.why, lost.needs_root)


@pytest.mark.parametrize(("how", "gone"), [("EIO", False), ("EACCES", False), ("ENOENT", True), ("ENODEV", True)])
def test_a_drive_is_gone_only_where_its_folder_is(how: str, *, gone: bool) -> None:
    """A folder that is not there is that of a drive that is gone; one that cannot be looked up says nothing of it."""
    assert not linux_watch.drive_is_gone(spoilt("none"), "nvme0")
    assert gone == linux_watch.drive_is_gone(spoilt("link /sys/class/nvme/nvme0", how), "nvme0")


def test_lists_of_drives_that_fail_are_told() -> None:
    """A list of drives that fails is told by what stands in it; one that is not there is of no such drives."""

    def lost(reads: TreeReads) -> list[tuple[str, str]]:
        return [(one.what, one.why) for one in unlisted(collect(reads, (), STARTED))]

    assert [] == lost(tree_of(lambda tree: tree.remove("/sys/class/nvme")))
    assert [("which NVMe drives there are (/sys/class/nvme)", EIO)] == lost(spoilt("list /sys/class/nvme"))
    (disks,) = lost(spoilt("list /sys/block"))
    assert ("(/sys/block)", EIO) == (disks[0].rpartition(" ")[2], disks[1])


# --- What is counted -----------------------------------------------------------------------------------------------


def test_a_table_that_fails_is_no_empty_table() -> None:
    """Where the table of counts fails, or has another form, that is told, and no device is said not to be counted."""
    lost = counts(spoilt("psutil disk_io_counters"))
    assert Unread("rates", EIO) == lost == of_devices(lost, ("nvme0n1",))
    found = counts(spoilt("none"))
    assert Unread("rates", "nvme9n1 is not among the block devices that are counted") == (
        of_devices(found, ("nvme0n1", "nvme9n1"))
    )


@pytest.mark.parametrize(
    ("key", "why"),
    [
        ("list /sys/block", EIO),
        ("list /sys/class/nvme/nvme0", EIO),
        ("text /sys/block/nvme0n1/queue/iostats", EIO),
    ],
)
def test_a_drive_is_counted_nowhere_unless_that_is_known(key: str, why: str) -> None:
    """Where it cannot be read under which name a drive is counted, or whether it is, no name is taken for it."""
    assert ("nvme0n1",) == linux_counts.counted(spoilt("none"), "nvme0", ("nvme0n1",))
    assert Unread("rates", why) == linux_counts.counted(spoilt(key), "nvme0", ("nvme0n1",))


def test_a_disk_has_no_paths() -> None:
    """A disk that is no NVMe drive has no other paths, whatever lists of them fail."""
    assert ("sda",) == linux_counts.counted(spoilt("list /sys/block"), "sda", ("sda",))
