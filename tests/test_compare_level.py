"""Two machines made equally blind: what one side lost is lost on both, and what both read stays as each has it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest
from msgspec.structs import replace

from agent.audit import audit
from agent.compare.doubts import Doubts
from agent.compare.level import levelled
from probes.decode import Registers
from probes.facts import BlockDevice, Gap, KernelSlot, LinkAttributes, Look, Sensor, StripeSet
from probes.smbios import WHAT
from probes.unread import Unread
from tests import kept
from tests.test_compare_small import function, host, of_drive, of_set

if TYPE_CHECKING:
    from collections.abc import Callable

    from probes.facts import Facts

    Edit = Callable[[Facts], Facts]

LOST: Final = Unread("what was asked for", "the device gave an error", vital=True)
SMALL: Final = replace(LOST, vital=False, small=True)
ROOT: Final = Unread("what was asked for", "given to the super-user only", needs_root=True)
AWAY: Final = "00:1f.6"  # a function that is no part: the virtual one of a device of the board
NET: Final = "00:1f.5"
FIGURES: Final = LinkAttributes(3, 4, 3, 4)
WHOLE: Final = bytes(range(256)) * 2
LISTS: Final = ("functions", "looks", "drives", "kernel_slots", "board_devices", "sensors", "stripes")


def sensor(drive: str | Unread | None, label: str = "Composite", **more: Any) -> Sensor:  # noqa: ANN401 - fields of Sensor
    """A sensor of a drive, or of the board."""
    return replace(Sensor("chip", label, drive, None, 40.0, 70.0, 80.0), **more)


def machine() -> Facts:
    """A tower that tells everything: an NVMe drive, two disks, sensors, slots, two sets, a second look."""
    port, card = kept.port(), kept.device(link=FIGURES)
    net = kept.function(NET, kept.NETWORK, virtual_functions=(AWAY,))
    virtual = kept.function(AWAY, kept.NETWORK, physical_function=NET)
    disks = [
        kept.drive(name, None, kind="sata", serial=name * 2, blocks=(BlockDevice(name, 1000),))
        for name in ("disk1", "disk2")
    ]
    return replace(
        kept.facts(port, card, net, virtual, drives=(kept.drive(), *disks)),
        board_slots=(),
        kernel_slots=(KernelSlot("1", "0000:01:00", occupied=True), KernelSlot("2", "0000:02:00", occupied=False)),
        sensors=(sensor("disk0"), sensor("disk1"), sensor(None, "inlet"), sensor(LOST, "outlet")),
        stripes=tuple(
            StripeSet(name, "raid0", 1, None, (disk,), (disk,), (), "clean", 0, 1000)
            for name, disk in (("md0", "disk1"), ("md1", "disk2"))
        ),
        looks=tuple(Look(offset, {card.address: card}) for offset in (0.5, 1.0)),
    )


MACHINE: Final = machine()


def gap(of: Any, entry: str = "", kind: str = "") -> Edit:  # noqa: ANN401 - one of the words of `Listed`
    """A list, or an entry of it, that could not be read."""
    return lambda seen: replace(seen, gaps=(*seen.gaps, Gap(of, LOST, entry, kind)))


def without(which: str, *names: str) -> Edit:
    """Records of a list that are not there, by their names or drives; all of them where none is named."""
    return lambda seen: replace(
        seen,
        **{
            which: tuple(
                one
                for one in getattr(seen, which)
                if names and {getattr(one, "name", None), _drive(one)}.isdisjoint(names)
            )
        },
    )


def _drive(one: object) -> object:
    found = getattr(one, "drive", None)
    return found if isinstance(found, str) else None


def all_of(*edits: Edit) -> Edit:
    """One edit after the other."""

    def edit(seen: Facts) -> Facts:
        for one in edits:
            seen = one(seen)
        return seen

    return edit


def looked(**fields: Any) -> Edit:  # noqa: ANN401 - fields of PciFunction
    """The card is another way in the second look."""

    def edit(seen: Facts) -> Facts:
        first, second = seen.looks
        cards = {address: replace(one, **fields) for address, one in second.functions.items()}
        return replace(seen, looks=(first, replace(second, functions=cards)))

    return edit


def of_sensor(number: int, **fields: Any) -> Edit:  # noqa: ANN401 - fields of Sensor
    """One sensor is another way."""

    def edit(seen: Facts) -> Facts:
        found = list(seen.sensors)
        found[number] = replace(found[number], **fields)
        return replace(seen, sensors=tuple(found))

    return edit


def of_slot(**fields: Any) -> Edit:  # noqa: ANN401 - fields of KernelSlot
    """The first slot of the kernel is another way."""
    return lambda seen: replace(seen, kernel_slots=(replace(seen.kernel_slots[0], **fields), *seen.kernel_slots[1:]))


def table(slots: object) -> Edit:
    """The firmware's table of slots is another."""
    return lambda seen: replace(seen, board_slots=slots)


def failing(seen: Facts, *more: Unread) -> Facts:
    """A machine on which something could not be read, and says so."""
    return replace(seen, unread=(LOST, *more))


def level(before: Facts, after: Facts) -> tuple[Facts, Facts]:
    """Both, equally blind, without what they say of it."""
    first, second = levelled(audit(before), audit(after), Doubts())
    return replace(first.facts, unread=()), replace(second.facts, unread=())


def counts(seen: Facts) -> tuple[int, ...]:
    """How many records each list has."""
    return tuple(len(getattr(seen, which)) for which in LISTS)


FULL: Final = counts(MACHINE)

# What one side lost, and how many records of `LISTS` are left to compare.
SPOILT: Final[dict[str, tuple[Edit, tuple[int, ...]]]] = {
    "a text of the host": (host(kernel=LOST), FULL),
    "the list of functions": (all_of(gap("functions"), without("functions"), without("looks")), (0, 0, 3, 2, 0, 4, 2)),
    "a driver": (function(kept.CARD, driver=LOST), FULL),
    "a driver of a function that is no part": (function(AWAY, driver=LOST), FULL),
    "a figure of the link": (function(kept.CARD, link=replace(FIGURES, speed=LOST)), FULL),
    "configuration space": (function(kept.CARD, registers=Registers(LOST)), FULL),
    "a driver in a later look": (looked(driver=LOST), FULL),
    "the list of NVMe drives": (
        all_of(gap("drives", kind="nvme"), without("drives", "disk0"), without("sensors", "disk0")),
        (4, 2, 2, 2, 0, 3, 2),
    ),
    "the list of disks": (
        all_of(gap("drives", kind="disk"), without("drives", "disk1", "disk2"), without("sensors", "disk1")),
        (4, 2, 1, 2, 0, 3, 0),
    ),
    "both lists of drives": (
        all_of(
            gap("drives", kind="nvme"),
            gap("drives", kind="disk"),
            without("drives"),
            without("sensors", "disk0", "disk1"),
        ),
        (4, 2, 0, 2, 0, 2, 0),
    ),
    "one disk": (
        all_of(gap("drives", "disk1", "disk"), without("drives", "disk1"), without("sensors", "disk1")),
        (4, 2, 2, 2, 0, 3, 2),
    ),
    "the firmware of a drive": (of_drive("disk0", firmware=LOST), FULL),
    "the serial number that tells a drive": (of_drive("disk0", serial=LOST), FULL),
    "the size of a disk": (of_drive("disk1", blocks=(BlockDevice("disk1", LOST),)), FULL),
    "the list of slots": (all_of(gap("slots"), without("kernel_slots")), (4, 2, 3, 0, 0, 4, 2)),
    "whether a slot holds a card": (of_slot(occupied=LOST), FULL),
    "the firmware's table of slots": (table(LOST), FULL),
    "the list of sensors": (all_of(gap("sensors"), without("sensors")), (4, 2, 3, 2, 0, 0, 2)),
    "a temperature": (of_sensor(1, celsius=LOST), FULL),
    "the list of sets": (all_of(gap("stripe sets"), without("stripes")), (4, 2, 3, 2, 0, 4, 0)),
    "one set": (all_of(gap("stripe sets", "md0"), without("stripes", "md0")), (4, 2, 3, 2, 0, 4, 1)),
    "the state of a set": (of_set("md1", state=LOST), FULL),
    "the place of a member": (of_set("md0", members=(), blocks=(), unplaced=("disk1",)), FULL),
}


@pytest.mark.parametrize("words", SPOILT)
@pytest.mark.parametrize("turned", [False, True], ids=["lost after", "lost before"])
def test_what_one_side_lost_is_lost_on_both(words: str, turned: bool) -> None:  # noqa: FBT001 - a column of the table
    """The same machine, with one reading lost on one side: nothing is left that differs, and no more is taken away."""
    edit, left = SPOILT[words]
    assert edit(MACHINE) != MACHINE
    sides = (failing(edit(MACHINE)), MACHINE) if turned else (MACHINE, failing(edit(MACHINE)))
    first, second = level(*sides)
    assert first == second
    assert left == counts(first)


def test_of_one_sensor_that_was_not_followed_the_others_stay() -> None:
    """It may be that of any drive without one: of drives, those sensors stay that both sides have, and the board's."""
    spoilt = failing(all_of(gap("sensors", "hwmon2"), without("sensors", "disk1"))(MACHINE))
    for sides in ((MACHINE, spoilt), (spoilt, MACHINE)):
        for side in level(*sides):
            assert [("disk0", "Composite"), (None, "inlet")] == [(one.drive, one.label) for one in side.sensors]


def test_a_list_and_one_entry_of_it_lost_are_the_list_lost() -> None:
    """One sensor could not be followed before, and none be listed after."""
    before = failing(gap("sensors", "hwmon2")(MACHINE))
    after = replace(all_of(gap("sensors"), without("sensors"))(MACHINE), unread=(replace(LOST, why="another error"),))
    assert [(), ()] == [side.sensors for side in level(before, after)]


def test_a_broken_entry_of_the_firmwares_table_takes_the_table_from_both() -> None:
    """With an entry that makes no sense the rest of the table is no ground to stand on."""
    broken = failing(MACHINE, Unread(WHAT, "an entry ends too soon", small=True))
    for sides in ((MACHINE, broken), (broken, MACHINE)):
        assert [True, True] == [isinstance(side.board_slots, Unread) for side in level(*sides)]


def test_each_side_takes_what_the_other_lost() -> None:
    """The kernel's version was lost before, the product's name after: neither side has either."""
    before = failing(host(kernel=LOST)(MACHINE))
    after = replace(host(product=SMALL)(MACHINE), unread=(SMALL,))
    assert [(LOST, SMALL)] * 2 == [(side.host.kernel, side.host.product) for side in level(before, after)]


# What differs, though neither side lost it: another value, or a reading that is the super-user's or the system's.
DIFFERENT: Final[dict[str, Edit]] = {
    "another kernel": host(kernel="14.0"),
    "another driver": function(kept.CARD, driver="set-aside"),
    "another driver in a later look": looked(driver="set-aside"),
    "other firmware of a drive": of_drive("disk0", firmware="RL3A9.99"),
    "a slot that is empty now": of_slot(occupied=False),
    "a temperature": of_sensor(1, celsius=55.0),
    "a set that stopped": of_set("md1", state="inactive"),
    "a drive less": without("drives", "disk2"),
    "a set less": without("stripes", "md1"),
    "no figures of a link": function(kept.CARD, link=None),
    "figures that the platform does not give": function(kept.CARD, link=LinkAttributes(*(kept.NOT_TOLD,) * 4)),
    "a text for the super-user": host(product=ROOT),
    "a log for the super-user": of_drive("disk0", health=ROOT),
    "a table for the super-user": table(ROOT),
    "configuration space for the super-user": function(kept.CARD, registers=Registers(WHOLE[:64])),
}


@pytest.mark.parametrize("words", DIFFERENT)
def test_what_neither_side_lost_stays_different(words: str) -> None:
    """Something else was lost on one side: each side keeps what it has, in its place."""
    base = function(kept.CARD, registers=Registers(WHOLE))(MACHINE)
    other = DIFFERENT[words](base)
    assert base != other
    spoilt = host(name=LOST)
    for sides in ((base, other), (other, base)):
        before, after = sides
        found = level(before, failing(spoilt(after)))
        assert [spoilt(before), spoilt(after)] == list(found)


def _cards(before: object, after: object, what: str) -> list[object]:
    """A field of the card on both sides, levelled."""
    sides = (function(kept.CARD, **{what: value})(MACHINE) for value in (before, after))
    first, second = next(sides), failing(next(sides))
    return [getattr(one, what) for side in level(first, second) for one in side.functions if one.address == kept.CARD]


@pytest.mark.parametrize(
    ("before", "after", "shown"),
    [
        (FIGURES, replace(FIGURES, width=LOST), replace(FIGURES, width=LOST)),
        (None, replace(FIGURES, width=LOST), replace(FIGURES, width=LOST)),
        (replace(FIGURES, width=LOST), None, replace(FIGURES, width=LOST)),
        (None, None, None),
    ],
)
def test_a_link_that_may_have_figures_unread_has_none_to_tell(before: object, after: object, shown: object) -> None:
    """Where one side could not read whether there are figures, the other one's silence tells nothing either."""
    assert [shown, shown] == _cards(before, after, "link")


@pytest.mark.parametrize("known", [FIGURES, LinkAttributes(*(kept.NOT_TOLD,) * 4)])
def test_figures_of_a_link_that_one_side_does_not_have_stay(known: LinkAttributes) -> None:
    """No figures beside some that were read, or that the platform does not give: nothing was lost."""
    assert [None, known] == _cards(None, known, "link")
    assert [known, None] == _cards(known, None, "link")


@pytest.mark.parametrize(
    ("before", "after", "shown"),
    [
        (Registers(WHOLE), Registers(WHOLE[:100], "cut off", cut=True), [(100, "cut off")] * 2),
        (Registers(WHOLE[:100], "cut off", cut=True), Registers(WHOLE), [(100, "cut off")] * 2),
        (
            Registers(WHOLE[:100], "cut off", cut=True),
            Registers(WHOLE[:100], "ended", cut=True),
            [(100, "cut off"), (100, "ended")],
        ),
        (
            Registers(WHOLE[:64], "given to root"),
            Registers(WHOLE[:100], "ended", cut=True),
            [(64, "given to root"), (100, "ended")],
        ),
    ],
)
def test_configuration_space_is_compared_to_the_depth_of_both(
    before: Registers, after: Registers, shown: list[tuple[int, str]]
) -> None:
    """Where a read ended too soon the other side goes as deep, for its reason; of equal depth each has its own."""
    found = _cards(before, after, "registers")
    told = [
        (len(one.config), one.short_why)
        for one in found
        if isinstance(one, Registers) and isinstance(one.config, bytes)
    ]
    assert shown == told


def test_what_follows_from_a_lost_reading_is_not_said_beside_it() -> None:
    """A rule that could not tell, for want of a reading that is said itself, adds no doubt of its own."""
    follows = Unread("what a rule asked for", "what it goes by was not read", small=True)
    after = replace(audit(failing(host(kernel=LOST)(MACHINE))), unread=(LOST, follows))
    doubts = Doubts()
    levelled(audit(MACHINE), after, doubts)
    assert [(LOST.what, f"after: {LOST.why}")] == [(one.what, one.why) for one in doubts.result()]


def test_without_a_lost_reading_both_are_as_they_were() -> None:
    """What root alone is given is compared elsewhere, and with the same loss on both sides nothing is left to level."""
    for before, after in ((MACHINE, host(product=ROOT)(MACHINE)), (failing(MACHINE), failing(host(name="x")(MACHINE)))):
        sides = audit(before), audit(after)
        found = levelled(*sides, Doubts())
        assert [True, True] == [one is other for one, other in zip(sides, found, strict=True)]
