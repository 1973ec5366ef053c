"""The promise: whatever a machine answers, there are facts, an audit, JSON and text, soon, and never an exception.

Machines are made well and then spoilt by Hypothesis: bytes of configuration space, words of attributes, whole trees,
recorded answers. What is held afterwards are laws of the design that no reading may break.
"""

from __future__ import annotations

import io
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from agent.audit import audit
from agent.model.findings import Severity, Verdict
from agent.model.second_look import below_best
from agent.report import data, inventory_text, text
from probes.capture import encode, parse, recorded
from probes.linux import collecting as linux
from probes.reads import Live, Recorded, Recording
from probes.unread import Unread
from tests.boards import bench_1, carrier, display, folio, reel_3
from tests.build import DEVICES, TreeReads, build, record
from tests.judging import CARD, PORT, tower
from tests.parts import Disk, Function, Machine, Nvme, Slot, card, drive, root_port
from tests.spent import seconds, within
from tests.tree import Directory, Failure, Link, Node, Tree

if TYPE_CHECKING:
    from agent.model.judged import Judged
    from probes.facts import Facts
    from probes.reads import Answer, Reads

PATIENCE: Final = 10.0  # seconds of processor time for one machine; usual are some hundredths
MOMENT: Final = "2026-03-02T09:00:00Z"
PLACE: Final = f"{DEVICES}/{CARD}"
REAL: Final = "/sys/devices/pci0000:00/0000:00:01.0/0000:01:00.0"


def small() -> Machine:
    """A machine with one of each: a carrier with a switch, a display card, a network card, a disk, free slots."""
    slots = [
        root_port(
            "01.0", (4, 16), [carrier((3, 8), [reel_3("A"), reel_3("B")], bays=3)], slot=Slot(number=1, name="SLOT1")
        ),
        root_port("02.0", (4, 16), display(), slot=Slot(number=2, name="SLOT2", kernel_name="2", adapter=True)),
        root_port("03.0", (3, 4), [card("network", (3, 4), virtual=2)], slot=Slot(number=3), now=(2, 4)),
        root_port("04.0", (3, 4), slot=Slot(number=4, hot_plug=True, power_controller=True, latch=True)),
        root_port("05.0", (3, 4)),
        Function(kind="sata", at="17.0", conventional=True, disks=[Disk()]),
        Function(kind="system peripheral", at="1a.0"),
    ]
    return Machine(name="bench-9", buses={"0000:00": slots})


SMALL: Final = build(small())
ANSWERS: Final = record(SMALL)[0]
PAIR: Final = build(tower(drive((4, 4), Nvme(sensors=(320,))), now=(3, 4)))


# --- What holds for every machine ----------------------------------------------------------------------------------


def _lawful(judged: Judged) -> bool:
    """Whether a verdict is one that its own figures allow."""
    now, best, can = judged.now, judged.best, judged.device_can
    match judged.verdict:
        case Verdict.NARROW:
            return now is not None and best is not None and now.width < best.width
        case Verdict.SLOW | Verdict.SET_SLOW | Verdict.RESTING:
            return now is not None and best is not None and now.speed < best.speed and now.width >= best.width
        case Verdict.FULL:
            return now is not None and now == can
        case Verdict.SLOT_LIMITED:
            return now is not None and can is not None and now == best and now != can
        case Verdict.DARK | Verdict.EMPTY:
            return judged.link.device is None
        case Verdict.VIRTUAL | Verdict.UNKNOWN:
            return True


def hold(seen: Facts) -> None:
    """Facts give an audit, JSON and text; the laws of the design hold for them."""
    found = audit(seen)
    assert len(found.machine.links) == len(found.links)
    assert [] == [one.link.key for one in found.links if not _lawful(one)]
    assert [] == [one.link.key for one in found.links if not (one.why and one.evidence)]
    keys = [one.link.key for one in found.links]
    assert len(keys) == len(set(keys))
    ranks = [one.severity.rank for one in found.findings]
    assert ranks == sorted(ranks)
    faults = {one.subject for one in found.findings if one.severity is Severity.FAULT}
    for one in found.links:
        if one.verdict.severity is Severity.FAULT:
            assert faults & {one.port_address, one.device_address}
    for form, kind in ((data.check(found), data.CheckData), (data.inventory(found), data.InventoryData)):
        encoded = data.encode(form)
        assert [] == [line for line in encoded.decode("utf-8").split("\n") if not line.isprintable()]
        assert form == msgspec.json.decode(encoded, type=kind)
    for page in (
        text.check(found, 80, "this machine"),
        text.whole(found, 80, "this machine"),
        inventory_text.inventory(found, 80, "this machine"),
    ):
        output = io.StringIO()
        text.show(page, Console(file=output, width=80, color_system=None))
        lines = output.getvalue().split("\n")
        assert [] == [line for line in lines if not line.isprintable() or cell_len(line) > 80]


def hold_soon(reads: Reads) -> Facts:
    """Collect and hold, within bounds; and once more from a capture, which must give the same facts."""
    recording = Recording(reads)
    with within(PATIENCE):
        seen = linux.collect(recording, (), MOMENT)
        hold(seen)
    assert seen == linux.collect(Recorded(recording.answers, "linux"), (), MOMENT)
    form: dict[str, Any] = {"platform": "linux", "taken_at": MOMENT, "agent": "0.1.0", "samples": []}
    kept = parse(encode(**form, answers=recording.answers, keep_serials=True), "x")
    assert seen == linux.collect(recorded(kept)[0], (), MOMENT)
    shared = parse(encode(**form, answers=recording.answers, keep_serials=False), "x")
    hold(linux.collect(recorded(shared)[0], (), MOMENT))
    return seen


# --- Configuration space -------------------------------------------------------------------------------------------


@st.composite
def spoilt(draw: st.DrawFn, good: bytes) -> bytes:
    """Bytes that begin as configuration space and go wrong somewhere: pieces replaced, cut, or all made up."""
    kind = draw(st.sampled_from(("pieces", "pieces", "pieces", "cut", "any", "one value")))
    if kind == "any":
        return draw(st.binary(max_size=4200))
    if kind == "one value":
        return bytes([draw(st.sampled_from((0x00, 0xFF, 0x01, 0x10, 0x40)))]) * draw(
            st.sampled_from((1, 64, 256, 4096))
        )
    made = bytearray(good)
    for _ in range(draw(st.integers(1, 12))):
        # The header, the lists and above all the PCI Express capability (at 70h here) are where it hurts.
        place = draw(st.one_of(*[st.integers(0x70, 0xA3)] * 4, st.integers(0, 0xBF), st.integers(0x100, 0x2FF)))
        piece = draw(st.binary(min_size=1, max_size=2))
        made[place : place + len(piece)] = piece
    return bytes(made[: draw(st.integers(0, 4096))]) if kind == "cut" else bytes(made)


LINK_FILES: Final = ("current_link_speed", "current_link_width", "max_link_speed", "max_link_width")
GOOD_PORT: Final = PAIR.read(f"{DEVICES}/{PORT}/config")
GOOD_CARD: Final = PAIR.read(f"{PLACE}/config")


@pytest.mark.long
@settings(max_examples=150)
@given(spoilt(GOOD_PORT), spoilt(GOOD_CARD), st.booleans(), st.booleans())
@example(b"", b"", True, True)  # noqa: FBT003 - an example
@example(b"\xff" * 4096, GOOD_CARD, True, False)  # noqa: FBT003 - an example
@example(GOOD_CARD, GOOD_PORT, False, True)  # noqa: FBT003 - an example
def test_any_bytes_as_configuration_space(port: bytes, fitted: bytes, privileged: bool, files: bool) -> None:  # noqa: FBT001
    """Whatever both ends of a link hold in configuration space, with link files or without, the laws hold."""
    tree = PAIR.copy()
    for address, config in ((PORT, port), (CARD, fitted)):
        place = tree.resolve(f"{DEVICES}/{address}")
        tree.put(f"{place}/config", config)
        for name in () if files else LINK_FILES:
            tree.remove(f"{place}/{name}")
    hold_soon(TreeReads(tree, privileged=privileged))


@settings(max_examples=60)
@given(spoilt(GOOD_PORT), spoilt(GOOD_CARD), st.floats(0, 600))
def test_any_bytes_in_a_later_look(port: bytes, fitted: bytes, offset: float) -> None:
    """A later look may read anything; the earlier one stays what it was, and the laws hold over both."""
    first = Recorded(record(PAIR)[0], "linux")
    later = PAIR.copy()
    later.put(later.resolve(f"{DEVICES}/{PORT}/config"), port)
    later.put(f"{REAL}/config", fitted)
    look = linux.look(TreeReads(later), first, below_best(linux.collect(first)))
    hold(linux.collect(first, [(offset, look)], MOMENT))


# --- Words of attributes -------------------------------------------------------------------------------------------

SPEEDS: Final = st.sampled_from(
    (
        *("2.5 GT/s PCIe", "5.0 GT/s PCIe", "8.0 GT/s PCIe", "16.0 GT/s PCIe", "32.0 GT/s PCIe", "64.0 GT/s PCIe"),
        *("128.0 GT/s PCIe", "8 GT/s", "Unknown", "Unknown speed", "66 MHz PCI-X", "", "0"),
    )
)
LANES: Final = st.sampled_from(("0", "1", "2", "4", "8", "12", "16", "32", "255", "3", "-1", "", "x4", "9" * 19))
ANY_WORDS: Final = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
SPEED_WORDS: Final = st.one_of(SPEEDS, SPEEDS, ANY_WORDS)
LANE_WORDS: Final = st.one_of(LANES, LANES, ANY_WORDS)


GOOD_SPEEDS: Final = st.sampled_from([f"{rate} GT/s PCIe" for rate in ("2.5", "5.0", "8.0", "16.0", "32.0", "64.0")])
GOOD_LANES: Final = st.sampled_from(("1", "2", "4", "8", "16"))
ENDS_OF_A_LINK: Final = st.one_of(
    st.lists(st.tuples(SPEED_WORDS, LANE_WORDS, SPEED_WORDS, LANE_WORDS), min_size=2, max_size=2),
    # Both ends say the same of the link, as they mostly do.
    st.tuples(GOOD_SPEEDS, GOOD_LANES, *[st.tuples(GOOD_SPEEDS, GOOD_LANES)] * 2).map(
        lambda drawn: [(drawn[0], drawn[1], *most) for most in drawn[2:]]
    ),
)


@pytest.mark.long
@settings(max_examples=200)
@given(ENDS_OF_A_LINK, st.booleans())
def test_any_words_as_link_attributes(ends: list[tuple[str, str, str, str]], privileged: bool) -> None:  # noqa: FBT001
    """Whatever the link files of both ends say, agreed or not with the registers, the link is judged by the laws."""
    tree = PAIR.copy()
    for address, words in zip((PORT, CARD), ends, strict=True):
        tree.texts(tree.resolve(f"{DEVICES}/{address}"), **dict(zip(LINK_FILES, words, strict=True)))
    hold_soon(TreeReads(tree, privileged=privileged))


@pytest.mark.long
@settings(max_examples=60)
@given(st.dictionaries(st.sampled_from(sorted(SMALL.listed(f"{DEVICES}/0000:03:00.0"))), ANY_WORDS, min_size=1))
def test_any_words_in_the_files_of_a_drive(files: dict[str, str]) -> None:
    """Class, identifiers, counters, power state, labels: no word of them stops the audit."""
    tree = SMALL.copy()
    place = tree.resolve(f"{DEVICES}/0000:03:00.0")
    for name, words in files.items():
        if isinstance(tree.nodes[f"{place}/{name}"], str | bytes):
            tree.put(f"{place}/{name}", words)
    hold_soon(TreeReads(tree))


@settings(max_examples=60)
@given(
    st.binary(max_size=4100),
    st.dictionaries(st.sampled_from(("temp1_input", "temp1_crit", "temp1_label", "name")), ANY_WORDS),
)
def test_any_answer_of_a_drive(identify: bytes, sensor: dict[str, str]) -> None:
    """Whatever a drive returns to Identify and its sensor says, the drive is shown."""
    tree = PAIR.copy()
    tree.nvme["identify /dev/nvme0"] = identify
    tree.texts(f"{REAL}/nvme/nvme0/hwmon1", **sensor)
    seen = hold_soon(TreeReads(tree))
    assert ["nvme0"] == [one.name for one in seen.drives]


# --- Trees ---------------------------------------------------------------------------------------------------------

PATHS: Final = sorted(path for path in SMALL.nodes if path != "/")
NODES: Final = st.one_of(
    st.builds(Failure, st.sampled_from(("EIO", "EACCES", "ENODEV", "ENOENT", "EINVAL", "EOWNERDEAD"))),
    st.builds(
        Link, st.sampled_from((".", "..", "../..", "/", "/sys", "nowhere", "self", "../../../../../../etc/passwd"))
    ),
    st.just(Directory()),
    st.binary(max_size=80),
    ANY_WORDS,
    st.none(),
)


def change(tree: Tree, path: str, node: Node | None) -> None:
    """Replace what is at `path`, with all below it; None takes it away."""
    if path not in tree.nodes:
        return
    tree.remove(path)
    if isinstance(node, Directory):
        tree.directory(path)
    elif node is not None:
        tree.put(path, node)


@st.composite
def broken_trees(draw: st.DrawFn) -> Tree:
    """A machine's tree in which anything may have become anything else."""
    tree = SMALL.copy()
    for path in draw(st.lists(st.sampled_from(PATHS), min_size=1, max_size=8)):
        change(tree, path, draw(NODES))
    return tree


@pytest.mark.long
@settings(max_examples=80)
@given(broken_trees(), st.booleans())
def test_any_broken_tree_is_a_machine(tree: Tree, privileged: bool) -> None:  # noqa: FBT001
    """Files that fail, vanish or turn into something else cost lines, not the audit."""
    hold_soon(TreeReads(tree, privileged=privileged))


NAMES: Final = st.sampled_from(
    (
        *(
            "sys",
            "bus",
            "pci",
            "devices",
            "slots",
            "class",
            "nvme",
            "nvme0",
            "nvme0n1",
            "hwmon",
            "hwmon0",
            "block",
            "sda",
        ),
        *("0000:00:01.0", "0000:01:00.0", "10000:e0:06.0", "config", "current_link_speed", "max_link_width", "vendor"),
        *("power_state", "driver", "physfn", "virtfn0", "firmware", "dmi", "tables", "DMI", "id", "address", "device"),
        *(
            "temp1_input",
            "temp1_label",
            "name",
            "model",
            "size",
            "proc",
            "cpuinfo",
            "uptime",
            "kernel",
            "hostname",
            "\x1b",
        ),
    )
)
PLACES: Final = st.sampled_from(
    (
        "sys/bus/pci/devices",
        "sys/bus/pci/devices/0000:00:01.0",
        "sys/bus/pci/devices/0000:01:00.0",
        "sys/bus/pci/slots",
        "sys/class/nvme",
        "sys/class/nvme/nvme0",
        "sys/class/hwmon/hwmon0",
        "sys/block",
        "sys/firmware/dmi/tables",
        "sys/class/dmi/id",
        "proc",
        "",
    )
)
FILES: Final = st.one_of(
    st.tuples(st.just("file"), st.one_of(st.binary(max_size=70), ANY_WORDS.map(str.encode), SPEEDS.map(str.encode))),
    st.tuples(
        st.just("link"), st.sampled_from((b"..", b"../0000:00:01.0", b"/etc/passwd", b"../../../../..", b"name", b"."))
    ),
    st.tuples(st.just("folder"), st.just(b"")),
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(PLACES, NAMES, FILES), max_size=25))
def test_any_directory_as_root(entries: list[tuple[str, str, tuple[str, bytes]]]) -> None:
    """Any small tree on a disk, links that lead out of it included, is read as a machine with little to tell."""
    with tempfile.TemporaryDirectory() as folder:
        for place, name, (kind, content) in entries:
            _make(Path(folder, place), name, kind, content)
        hold_soon(Live(folder))


def _make(above: Path, name: str, kind: str, content: bytes) -> None:
    """Put a file, link or folder below `above`, unless something is in the way."""
    try:
        above.mkdir(parents=True, exist_ok=True)
        if kind == "link":
            (above / name).symlink_to(content.decode())
        elif kind == "folder":
            (above / name).mkdir()
        else:
            (above / name).write_bytes(content)
    except OSError:
        pass


@settings(max_examples=8, suppress_health_check=[HealthCheck.too_slow])
@given(broken_trees())
def test_a_broken_tree_below_a_root_is_one_in_memory(tree: Tree) -> None:
    """On a disk, too, files may have become anything; the audit comes to its end."""
    with tempfile.TemporaryDirectory() as folder:
        tree.write_below(Path(folder))
        hold_soon(Live(folder))


# --- Recorded answers ----------------------------------------------------------------------------------------------

REPLIES: Final = st.one_of(
    ANY_WORDS,
    st.binary(max_size=300),
    st.lists(st.one_of(ANY_WORDS, NAMES), max_size=5).map(tuple),
    st.builds(Unread, ANY_WORDS, ANY_WORDS, st.booleans()),
)
KEYS: Final = st.one_of(
    st.sampled_from(sorted(ANSWERS)), st.builds("{} {}".format, st.sampled_from(("text", "list", "link")), ANY_WORDS)
)


@pytest.mark.long
@settings(max_examples=120)
@given(st.dictionaries(KEYS, REPLIES, min_size=1, max_size=12), st.lists(KEYS, max_size=12))
def test_any_answers_are_a_machine(changed: dict[str, Answer], missing: list[str]) -> None:
    """A capture may hold any answer to any question, of any form, and lack any other."""
    answers = {key: answer for key, answer in (ANSWERS | changed).items() if key not in missing or key in changed}
    with within(PATIENCE):
        hold(linux.collect(Recorded(answers, "linux"), (), MOMENT))


@settings(max_examples=60)
@given(st.permutations(sorted(SMALL.listed(DEVICES))), st.lists(st.integers(0, 30), min_size=17, max_size=17))
def test_any_place_of_any_function(order: list[str], above: list[int]) -> None:
    """Functions may be said to hang below any other, in rings or in no order; every walk over them ends."""
    answers = dict(ANSWERS)
    for address, number in zip(order, above, strict=False):
        parent = order[number] if number < len(order) else "pci0000:00"
        answers[f"link {DEVICES}/{address}"] = f"../../../devices/pci0000:00/{parent}/{address}"
    with within(PATIENCE):
        hold(linux.collect(Recorded(answers, "linux"), (), MOMENT))


# --- Growth --------------------------------------------------------------------------------------------------------


def _chain(length: int) -> Facts:
    """So many root ports and bridges, each said to hang below the one before, with a drive at the end."""
    answers = dict(ANSWERS)
    addresses = [f"{number:04x}:00:01.0" for number in range(length)]
    source = f"{DEVICES}/0000:00:01.0"
    names = ANSWERS[f"list {source}"]
    assert isinstance(names, tuple)
    for number, address in enumerate(addresses):
        place = f"{DEVICES}/{address}"
        answers |= {
            key.replace(source, place): answer
            for key, answer in ANSWERS.items()
            if f"{source}/" in key or key.endswith(source)
        }
        answers[f"link {place}"] = f"../../../devices/pci0000:00/{addresses[max(number - 1, 0)]}/{address}"
    answers[f"list {DEVICES}"] = tuple(addresses)
    return linux.collect(Recorded(answers, "linux"), (), MOMENT)


def test_a_chain_of_ports_costs_no_more_than_its_square() -> None:
    """A hostile capture may hang hundreds of ports below each other; the audit still ends soon."""
    few, many = _chain(100), _chain(400)
    assert 400 == len(many.functions)
    hold(few)  # once beforehand: what is loaded at first use does not count
    assert seconds(lambda: hold(many)) < 2 * (400 / 100) ** 2 * seconds(lambda: hold(few))


@pytest.mark.parametrize("privileged", [True, False])
def test_a_whole_machine_holds_as_it_is(privileged: bool) -> None:  # noqa: FBT001 - a column of the table
    """The laws hold for good machines, or they would be no laws."""
    whole = build(bench_1({"SLOT1": [carrier((3, 16), [reel_3("A")])], "SLOT2": display(), "M2_1": [folio("F")]}))
    for tree in (whole, SMALL, PAIR):
        hold_soon(TreeReads(tree, privileged=privileged))
