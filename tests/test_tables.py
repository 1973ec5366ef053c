"""Laws that every row of the register tables obeys."""

from __future__ import annotations

import re
from typing import Final

import pytest

from knowledge import nvme, pcie
from knowledge.layout import Field, Layout, Reserved

MODULES: Final = (pcie, nvme)
LAYOUTS: Final = (*pcie.ALL_LAYOUTS, *nvme.ALL_LAYOUTS)
# How many bytes from its start a home may reach. Sources: PCI Express Base (256 bytes of configuration space, the
# header 64 of them, 4,096 with the extended space); NVM Express Base (data structures of 4,096, 512 and 32 bytes).
SIZES: Final = {
    "header": 64,
    "capability": 192,
    "extended": 3840,
    "identify controller": nvme.IDENTIFY_CONTROLLER_SIZE,
    "log": nvme.LOG_SIZE,
    "power state": nvme.POWER_STATE_SIZE,
}


def layouts_of(module: object) -> list[tuple[str, Layout]]:
    """The layouts of a module by the names of its constants, those in tuples included."""
    found = []
    for name, thing in vars(module).items():
        if isinstance(thing, Layout):
            found.append((name, thing))
        elif isinstance(thing, tuple) and name not in {"ALL_LAYOUTS", "ALL_TEXTS"}:
            found += [(name, one) for one in thing if isinstance(one, Layout)]
    return found


@pytest.mark.parametrize("layout", LAYOUTS, ids=repr)
def test_every_register_names_its_source(layout: Layout) -> None:
    """A register names the standard that defines it and an open text where its bits can be looked up."""
    standard, _, open_text = layout.source.partition("; ")
    assert re.match(r"(PCI Express Base|PCI-to-PCI Bridge Architecture 1\.2|NVM Express Base), \w", standard), standard
    assert re.match(r"(Linux (include|drivers)/|EDK II MdePkg/)", open_text), open_text


@pytest.mark.parametrize("layout", LAYOUTS, ids=repr)
def test_every_bit_is_claimed_once(layout: Layout) -> None:
    """Fields and reserved bits cover a register from bit 0 to its last bit, in order, without gap or overlap."""
    expected = 0
    for part in layout.fields:
        assert (expected, True) == (part.bit, part.width > 0), part
        expected += part.width
    assert expected == 8 * layout.size


@pytest.mark.parametrize("layout", LAYOUTS, ids=repr)
def test_every_field_has_a_name_of_its_own(layout: Layout) -> None:
    """Names of registers and fields are lower-case words, and no register has a name twice."""
    names = [part.name for part in layout.fields if isinstance(part, Field)]
    assert names, "a register of reserved bits only"
    assert sorted(names) == sorted(set(names))
    assert [name for name in (layout.name, *names) if not re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)*", name)] == []
    assert list(layout.index) == names


@pytest.mark.parametrize("layout", LAYOUTS, ids=repr)
def test_every_reserved_bit_has_a_reason(layout: Layout) -> None:
    """Reserved bits say why nothing reads them."""
    assert [part for part in layout.fields if isinstance(part, Reserved) and not part.why] == []


@pytest.mark.parametrize("layout", LAYOUTS, ids=repr)
def test_every_register_lies_inside_its_home(layout: Layout) -> None:
    """A register ends within the structure that it counts its offset from."""
    size = SIZES.get(layout.home) or SIZES[layout.home.split()[0]]
    assert layout.offset + layout.size <= size


@pytest.mark.parametrize("layout", LAYOUTS, ids=repr)
def test_every_home_is_written_in_one_way(layout: Layout) -> None:
    """Capabilities are named with two hexadecimal digits, extended ones with four, in capitals."""
    pattern = r"header|capability [0-9A-F]{2}|extended [0-9A-F]{4}|identify controller|power state|log 0[23]"
    assert re.fullmatch(pattern, layout.home), layout.home


@pytest.mark.parametrize("module", MODULES)
def test_no_register_is_forgotten(module: object) -> None:
    """Each register of a module is in its list of all, once."""
    expected = [layout for _, layout in layouts_of(module)]
    listed: tuple[Layout, ...] = module.ALL_LAYOUTS  # type: ignore[attr-defined]
    assert sorted(map(repr, expected)) == sorted(map(repr, listed))
    assert len(set(listed)) == len(listed)


def test_registers_of_configuration_space_are_named_as_their_constants() -> None:
    """A constant of `knowledge.pcie` is the register's name in capitals."""
    assert [(name, layout) for name, layout in layouts_of(pcie) if name != layout.name.upper()] == []


def test_names_are_unique() -> None:
    """No two registers of a home have one name."""
    names = [(layout.home, layout.name) for layout in LAYOUTS]
    assert sorted(names) == sorted(set(names))


def test_registers_do_not_overlap() -> None:
    """No two numbers or texts of a home share a byte."""
    taken: dict[tuple[str, int], str] = {}
    revisions = set(nvme.FIRMWARE_SLOT_REVISIONS)
    places = [(layout.home, layout.name, layout.offset, layout.size) for layout in LAYOUTS]
    places += [
        ("log 03" if text in revisions else "identify controller", text.name, text.offset, text.size)
        for text in nvme.ALL_TEXTS
    ]
    for home, name, offset, size in places:
        for byte in range(offset, offset + size):
            assert taken.setdefault((home, byte), name) == name, (home, byte, name)


def test_texts_have_sources_and_places() -> None:
    """Each text of a drive names its source and lies inside its structure."""
    for text in nvme.ALL_TEXTS:
        assert text.source.startswith("NVM Express Base, ")
        assert text.size > 0
        assert text.offset + text.size <= nvme.IDENTIFY_CONTROLLER_SIZE
    assert len({text.name for text in nvme.ALL_TEXTS}) == len(nvme.ALL_TEXTS)


def test_power_states_lie_inside_identify_controller() -> None:
    """The power state descriptors end before the vendor-specific part, which begins at byte 3,072.

    Source: NVM Express Base, Identify Controller data structure.
    """
    assert nvme.POWER_STATES_OFFSET + nvme.POWER_STATE_COUNT * nvme.POWER_STATE_SIZE == 3072


# --- Tables of configuration space -----------------------------------------------------------------------------


def test_kinds_of_registers_belong_to_the_capability() -> None:
    """Link, slot and root registers are distinct registers of the PCI Express capability, named for what they are."""
    for word, registers in (
        ("link", pcie.LINK_REGISTERS),
        ("slot", pcie.SLOT_REGISTERS),
        ("root", pcie.ROOT_REGISTERS),
    ):
        expected = {
            layout
            for layout in pcie.ALL_LAYOUTS
            if layout.home == "capability 10" and layout.name.startswith(f"{word}_")
        }
        assert expected == registers


def test_second_generation_registers_are_those_past_the_first_version() -> None:
    """The registers that version 2 of the capability added are those from 24h on.

    Source: Linux include/uapi/linux/pci_regs.h, the comment above PCI_EXP_DEVCAP2.
    """
    expected = {layout for layout in pcie.ALL_LAYOUTS if layout.home == "capability 10" and layout.offset >= 0x24}
    assert expected == pcie.SECOND_GENERATION_REGISTERS


def test_port_types_with_registers_have_names() -> None:
    """Every port type that has a link, a slot or root registers is a named port type."""
    assert set(pcie.PORT_TYPES) >= pcie.TYPES_WITH_LINK | pcie.TYPES_WITH_SLOT | pcie.TYPES_WITH_ROOT
    assert pcie.TYPES_WITH_SLOT < pcie.TYPES_WITH_LINK
    assert list(pcie.PORT_TYPES) == sorted(pcie.PORT_TYPES)


def test_registers_bound_to_a_header_are_header_registers() -> None:
    """Only registers of the header depend on its layout, which is 0, 1 or 2.

    Source: PCI Express Base, Header Type Register; PCI_HEADER_TYPE_* of Linux include/uapi/linux/pci_regs.h.
    """
    assert {"header"} == {layout.home for layout in pcie.HEADER_LAYOUTS}
    assert {0, 1, 2} == set().union(*pcie.HEADER_LAYOUTS.values())


def test_payload_sizes_double() -> None:
    """Each code of a payload size stands for twice the bytes of the one before, from 128 to 4,096.

    Source: PCI Express Base, Device Control Register; PCI_EXP_DEVCTL_PAYLOAD_128B ... _4096B.
    """
    assert {code: 128 * 2**code for code in range(6)} == pcie.PAYLOAD_BYTES


@pytest.mark.parametrize(
    ("errors", "register"),
    [
        (pcie.CORRECTABLE_ERRORS, pcie.CORRECTABLE_ERROR_STATUS),
        (pcie.UNCORRECTABLE_ERRORS, pcie.UNCORRECTABLE_ERROR_STATUS),
    ],
)
def test_counted_errors_are_bits_of_the_status_register(
    errors: dict[str, tuple[int, str, bool]], register: Layout
) -> None:
    """Each error that the kernel counts is the bit of that name in the status register, and none is left out."""
    named = {
        bit: re.sub(r"\W", "_", name.lower()) + "_status" for bit, name, _ in errors.values() if name != "Undefined"
    }
    assert {part.bit: part.name for part in register.fields if isinstance(part, Field)} == named
    bits = [bit for bit, _, _ in errors.values()]
    assert bits == sorted(set(bits))


def test_link_errors_are_those_of_the_lower_layers() -> None:
    """Errors of the link are those of the physical and the data link layer.

    Source: PCI Express Base, Error Listing and Rules, tables of physical and data link layer errors.
    """
    both = {**pcie.CORRECTABLE_ERRORS, **pcie.UNCORRECTABLE_ERRORS}
    assert {name for _, name, is_link_error in both.values() if is_link_error} == {
        "Receiver Error",
        "Bad TLP",
        "Bad DLLP",
        "Replay Timer Timeout",
        "REPLAY_NUM Rollover",
        "Data Link Protocol Error",
        "Surprise Down Error",
    }


@pytest.mark.parametrize(
    ("aliases", "errors"),
    [
        (pcie.CORRECTABLE_ERROR_ALIASES, pcie.CORRECTABLE_ERRORS),
        (pcie.UNCORRECTABLE_ERROR_ALIASES, pcie.UNCORRECTABLE_ERRORS),
    ],
)
def test_other_names_of_errors_lead_to_the_kernels(
    aliases: dict[str, str], errors: dict[str, tuple[int, str, bool]]
) -> None:
    """Each name of the interface document stands for one counted error and is not itself a name the kernel writes."""
    assert set(aliases.values()) <= set(errors)
    assert len(set(aliases.values())) == len(aliases)
    assert set() == set(aliases) & set(errors)


def test_slot_power_steps_are_even() -> None:
    """The special codes at scale 0 run from 250 W to 600 W in steps of 25 W and end before the reserved code.

    Source: Linux drivers/pci/of.c of_pci_get_slot_power_limit.
    """
    assert list(range(250, 601, 25)) == list(pcie.SLOT_POWER_STEPS)
    assert pcie.SLOT_POWER_STEPS_FROM + len(pcie.SLOT_POWER_STEPS) == pcie.SLOT_POWER_ABOVE
