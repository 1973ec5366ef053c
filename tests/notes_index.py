"""Makes knowledge/notes/index.py: which shipped file of notes asks for which numbers. `python -m tests.notes_index`."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from knowledge.fieldnotes import ANY_DEVICE
from knowledge.notes import FILES, shipped

PLACE: Final = Path(__file__).parent.parent / "knowledge" / "notes" / "index.py"
HEAD: Final = '''"""Which files of notes ask for which numbers. Made by `python -m tests.notes_index`, not by hand."""

from __future__ import annotations

from typing import Final

# Vendor and device (the vendor in the upper 16 bits), and vendors of which any device is asked for.
'''


def made() -> str:
    """The module as it should be."""
    cards: dict[int, list[str]] = {}
    vendors: dict[int, list[str]] = {}
    for name in FILES:
        for note in shipped(name):
            assert note.when.card, f"{note.id} names no card, so the index cannot find it"
            for pair in note.when.card:
                vendor, device = pair.split(":")
                if device == ANY_DEVICE:
                    _add(vendors, int(vendor, 16), name)
                else:
                    _add(cards, int(vendor, 16) << 16 | int(device, 16), name)
    return f"{HEAD}{_table('CARDS', cards, 8)}{_table('VENDORS', vendors, 4)}"


def _add(table: dict[int, list[str]], number: int, name: str) -> None:
    files = table.setdefault(number, [])
    if name not in files:
        files.append(name)


def _table(name: str, table: dict[int, list[str]], digits: int) -> str:
    rows = "".join(
        f"    0x{number:0{digits}X}: ({''.join(f'{chr(34)}{one}{chr(34)}, ' for one in files).rstrip()}),\n"
        if len(files) == 1
        else f"    0x{number:0{digits}X}: ({', '.join(f'{chr(34)}{one}{chr(34)}' for one in files)}),\n"
        for number, files in sorted(table.items())
    )
    return f"{name}: Final[dict[int, tuple[str, ...]]] = {{\n{rows}}}\n"


if __name__ == "__main__":
    PLACE.write_text(made(), encoding="utf-8")
