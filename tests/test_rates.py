"""Speeds, widths, line rates and packet costs, held against published tables and the Linux kernel's own."""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knowledge import rates
from tests.two_way import ACK_LESS, ACK_LIMITS

HEADERS: Final = tuple(Path("/usr/include/linux").glob("pci_regs.h"))
needs_header = pytest.mark.skipif(not HEADERS, reason="the kernel's header linux/pci_regs.h is not installed here")

# GB/s one way at x1, x2, x4, x8 and x16. Generations 1 to 5: published link-rate tables (encyclopedia article
# "PCI Express" and others, which give two digits; the third from the same formula). Generations 6 and 7: transfer
# rate times 242/256, published as the share of a flit that is neither CRC nor error correction.
PUBLISHED_GBPS: Final = {
    1: (0.250, 0.500, 1.000, 2.000, 4.000),
    2: (0.500, 1.000, 2.000, 4.000, 8.000),
    3: (0.985, 1.969, 3.938, 7.877, 15.754),
    4: (1.969, 3.938, 7.877, 15.754, 31.508),
    5: (3.938, 7.877, 15.754, 31.508, 63.015),
    6: (7.563, 15.125, 30.250, 60.500, 121.000),
    7: (15.125, 30.250, 60.500, 121.000, 242.000),
}


@pytest.mark.parametrize("generation", PUBLISHED_GBPS)
def test_line_rates_are_the_published_ones(generation: int) -> None:
    """The rate of a lane, times lanes, is the published rate to the last published digit."""
    for width, expected in zip((1, 2, 4, 8, 16), PUBLISHED_GBPS[generation], strict=True):
        assert abs(rates.lane_mbps(generation) * width / 1000 - expected) <= 0.0005 + 1e-12, width


@pytest.mark.parametrize("generation", rates.GTPS)
def test_the_rate_of_a_lane_is_speed_times_line_code(generation: int) -> None:
    """The rate is the nearest float to transfers times coded bits, computed in fractions."""
    data, bits = rates.LINE_CODES[generation]
    assert rates.lane_mbps(generation) == float(Fraction(rates.GTPS[generation]) * 1000 * data / (8 * bits))


def test_the_cost_of_line_codes_is_the_published_one() -> None:
    """8b/10b costs 20 percent, 128b/130b 1.54 percent; published with the generations that brought them."""
    cost = {generation: 100 - 100 * data / bits for generation, (data, bits) in rates.LINE_CODES.items()}
    assert {1: 20.0, 2: 20.0, 3: 1.54, 4: 1.54, 5: 1.54} == {one: round(cost[one], 2) for one in range(1, 6)}


def test_every_table_knows_every_generation_in_order() -> None:
    """Tables by generation run from 1 to 7; all speeds but the third double the one before (PCI Express Base)."""
    assert [1, 2, 3, 4, 5, 6, 7] == list(rates.GTPS) == list(rates.LINE_CODES)
    steps = [rates.GTPS[one + 1] / rates.GTPS[one] for one in range(1, 7)]
    assert steps == [2.0, 1.6, 2.0, 2.0, 2.0, 2.0]
    assert list(rates.WIDTHS) == sorted(set(rates.WIDTHS))
    assert list(rates.PAYLOADS) == [128 << code for code in range(6)]


@pytest.mark.parametrize("generation", ACK_LESS)
@pytest.mark.parametrize("width", ACK_LIMITS)
def test_acknowledgements_are_due_when_the_published_tables_say(generation: int, width: int) -> None:
    """The formula gives every cell of the tables for x1 to x16, up to generation 5. Source: tests/two_way.py."""
    expected = [cell - ACK_LESS[generation] for cell in ACK_LIMITS[width]]
    assert expected == [rates.ack_limit_bytes(generation, width, payload) for payload in rates.PAYLOADS]


def test_acknowledgements_at_other_widths_fit_in() -> None:
    """At x32 the formula gives the two cells that tell a misprint in the open model from the table; x12 is below x8.

    Source: the open model of SIGCOMM 2018, see tests/two_way.py. At 2.5 GT/s and 2048 bytes one of its two tables has
    148, the other 248; at 5 GT/s and 4096 bytes one has 327, the other 237.
    """
    assert rates.ack_limit_bytes(1, 32, 2048) == 148
    assert rates.ack_limit_bytes(2, 32, 4096) == 327
    for payload in (128, 256):
        x8, x12, x16 = (rates.ack_limit_bytes(3, width, payload) for width in (8, 12, 16))
        assert x8 > x12 > x16


def test_every_figure_names_its_source() -> None:
    """Each public table or threshold has a source, and what is only common practice says so."""
    named = {name for name in vars(rates) if re.fullmatch(r"[A-Z][A-Z_]+", name)} - {"SOURCES"}
    assert named == set(rates.SOURCES)
    assert all(rates.SOURCES.values())
    practice = {name for name, source in rates.SOURCES.items() if source.startswith("common practice")}
    assert practice == {"RULE_OF_THUMB", "NEAR_LIMIT_CELSIUS", "NEAR_CRITICAL_CELSIUS", "FEW_ERRORS"}


# --- The kernel's own ------------------------------------------------------------------------------------------


def test_the_kernels_figures_are_the_kernels() -> None:
    """Mb/s of a lane are those of the kernel's expressions. Source: Linux 6.12 drivers/pci/pci.h PCIE_SPEED2MBS_ENC."""
    expected = {
        1: 2500 * 8 // 10,
        2: 5000 * 8 // 10,
        3: 8000 * 128 // 130,
        4: 16000 * 128 // 130,
        5: 32000 * 128 // 130,
        6: 64000 * 1 // 1,
    }
    assert expected == rates.KERNEL_MBITS


@pytest.mark.parametrize("generation", [1, 2, 3, 4, 5])
def test_the_kernel_rounds_our_figures_down(generation: int) -> None:
    """Up to generation 5 the kernel's figure is the exact one without its fraction."""
    assert int(rates.lane_mbps(generation) * 8) == rates.KERNEL_MBITS[generation]


@pytest.mark.parametrize(
    ("gigabits", "speed", "width"),
    [
        ("15.752", "8.0 GT/s PCIe", 2),
        ("63.012", "16.0 GT/s PCIe", 4),
        ("31.504", "8 GT/s", 4),
        ("126.024", "16.0 GT/s PCIe", 8),
        ("31.506", "16.0 GT/s PCIe", 2),
    ],
)
def test_lines_of_public_kernel_logs_add_up(gigabits: str, speed: str, width: int) -> None:
    """Available bandwidth in kernel logs of public bug reports is lanes times the kernel's figure for that speed."""
    generation = rates.parse_speed(speed)
    assert generation is not None
    assert f"{rates.KERNEL_MBITS[generation] * width / 1000:.3f}" == gigabits


@needs_header
def test_speed_codes_are_those_of_the_kernels_header() -> None:
    """A generation number is the code of its speed in Link Status. Source: linux/pci_regs.h PCI_EXP_LNKSTA_CLS_*."""
    found = re.findall(r"#define\s+PCI_EXP_LNKSTA_CLS_(\d+)_(\d)GB\s+0x(\w+)", HEADERS[0].read_text())
    assert len(found) >= 5
    assert {int(code, 16): float(f"{whole}.{part}") for whole, part, code in found}.items() <= rates.GTPS.items()


@needs_header
def test_widths_and_payloads_are_those_of_the_kernels_header() -> None:
    """Widths and payload sizes named by the header are in the tables. Source: linux/pci_regs.h."""
    text = HEADERS[0].read_text()
    widths = {int(width) for width in re.findall(r"#define\s+PCI_EXP_LNKSTA_NLW_X(\d+)\s", text)}
    payloads = [int(size) for size in re.findall(r"#define\s+PCI_EXP_DEVCTL_PAYLOAD_(\d+)B\s", text)]
    assert {1, 2, 4, 8} <= widths <= set(rates.WIDTHS)
    assert payloads == list(rates.PAYLOADS)


# --- Words -----------------------------------------------------------------------------------------------------

# Source: Linux drivers/pci/probe.c pci_speed_string (6.12), drivers/pci/pci-sysfs.c of the 4.1x versions for the old.
SYSFS_WORDS: Final = [
    ("2.5 GT/s PCIe", 1),
    ("5.0 GT/s PCIe", 2),
    ("8.0 GT/s PCIe", 3),
    ("16.0 GT/s PCIe", 4),
    ("32.0 GT/s PCIe", 5),
    ("64.0 GT/s PCIe", 6),
    ("128.0 GT/s PCIe", 7),  # as proposed on linux-pci in February 2026
    ("2.5 GT/s", 1),
    ("5 GT/s", 2),
    ("8 GT/s", 3),
    ("16 GT/s", 4),
    ("Unknown", None),
    ("Unknown speed", None),
    ("33 MHz PCI", None),
    ("66 MHz PCI-X", None),
    ("133 MHz PCI-X 533", None),
    ("8x AGP", None),
    ("", None),
    ("8.0", None),
    ("GT/s", None),
    ("20.0 GT/s PCIe", None),
    ("-8.0 GT/s PCIe", None),
    ("nan GT/s", None),
]


@pytest.mark.parametrize(("text", "expected"), SYSFS_WORDS)
def test_speeds_are_read_in_old_and_new_words(text: str, expected: int | None) -> None:
    """A speed is read with and without the line's end; words that name no PCI Express speed give none."""
    assert rates.parse_speed(text) == expected
    assert rates.parse_speed(f"{text}\n") == expected


@given(st.text())
def test_any_words_give_a_generation_or_none(text: str) -> None:
    """Nothing that a file could hold raises."""
    assert rates.parse_speed(text) in {None, *rates.GTPS}


@pytest.mark.parametrize(
    ("generation", "expected"),
    [
        (1, "2.5 GT/s (Gen 1)"),
        (2, "5 GT/s (Gen 2)"),
        (3, "8 GT/s (Gen 3)"),
        (6, "64 GT/s (Gen 6, flit mode)"),
        (7, "128 GT/s (Gen 7, flit mode)"),
    ],
)
def test_speeds_are_said_in_one_way(generation: int, expected: str) -> None:
    """A speed is its transfer rate with the generation in brackets, and flit mode where it runs in flits."""
    assert rates.describe(generation) == expected


@pytest.mark.parametrize("generation", rates.GTPS)
def test_what_is_said_can_be_read(generation: int) -> None:
    """The first words of a description are read back as the same generation."""
    assert rates.parse_speed(rates.describe(generation).partition(" (")[0]) == generation
