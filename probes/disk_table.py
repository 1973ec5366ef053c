"""The Linux kernel's table of what it counts of block devices. Opens nothing itself.

Source: Documentation/admin-guide/iostats.rst of the Linux kernel.
"""

from __future__ import annotations

from typing import Final

from probes.answers import MOST_DIGITS

TABLE: Final = "/proc/diskstats"
SECTOR: Final = 512  # bytes, whatever the device's own blocks are
# Where in a line each count stands, with what its unit is in ours: the fields are numbered from 1 behind the name.
NAME: Final = 2
FIELDS: Final = {
    "busy_time": (NAME + 10, 1),
    "read_bytes": (NAME + 3, SECTOR),
    "read_count": (NAME + 1, 1),
    "write_bytes": (NAME + 7, SECTOR),
    "write_count": (NAME + 5, 1),
}
LEAST: Final = NAME + 12  # words of a line: eleven fields; lines of fewer count less


def table(text: str) -> dict[str, dict[str, int]]:
    """The counts of each block device by its name, from the kernel's table; lines of another form are left out."""
    found: dict[str, dict[str, int]] = {}
    for line in text.splitlines():
        words = line.split()
        if len(words) >= LEAST and all(_is_count(words[place]) for place, _ in FIELDS.values()):
            found[words[NAME]] = {name: int(words[place]) * unit for name, (place, unit) in FIELDS.items()}
    return dict(sorted(found.items()))


def _is_count(word: str) -> bool:
    return word.isascii() and word.isdigit() and len(word) <= MOST_DIGITS
