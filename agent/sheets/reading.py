"""Build sheets from text: TOML, held to its shape, part kinds filled in, and checked as a whole.

Sheets come from anybody. Whatever is wrong with one is a `BadInput` of one sentence that names file, line and key.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from msgspec import UNSET
from msgspec.structs import asdict

from agent.model.expected import Need
from agent.model.grouping import grouped
from agent.sheets.sheet import CardSpec, DriveSpec, LanesWhile, MachineSpec, Sheet, SlotSpec, StripeSpec, Uplink
from agent.toml.tables import problem, problem_at, tables
from knowledge.parts import CardKind, DriveKind, kinds, nearest, typical_watts
from knowledge.phrasing import begun, listed, printable, quoted
from knowledge.problems import BadInput
from knowledge.slots import MODULE_LANES
from probes.files import read_standard_input, read_whole

if TYPE_CHECKING:
    from msgspec import Struct

    from agent.sheets.shape import CardEntry, DriveEntry, Fail, SheetFile, SlotEntry

KIBIBYTE: Final = 1024
LIMIT: Final = 256 * KIBIBYTE  # a sheet of 64 slots and 256 drives, every key given, has some 60 KiB
GZIP: Final = b"\x1f\x8b"  # how a compressed capture begins (RFC 1952)
MANY: Final = ("uplink", "slot", "card", "drive", "stripe", "need")  # tables of which there are several
MOST_DRIVES: Final = 64  # of one kind, in the words of drives_of

_ABOUT_KINDS: Final = frozenset({"name", "what", "sources"})


# --- Calls -----------------------------------------------------------------------------------------------------


def read(path: str) -> Sheet:
    """The sheet in a file; "-" is standard input."""
    return parse(*read_text(path))


def read_text(path: str) -> tuple[str, str]:
    """The text of a file, to be parsed, and what to call the file in messages; "-" is standard input."""
    source = "standard input" if path == "-" else path
    data = read_standard_input(LIMIT) if path == "-" else read_whole(path, LIMIT)
    if len(data) > LIMIT:
        raise BadInput(f"{printable(source)} has more than {LIMIT // KIBIBYTE} KiB, which no build sheet needs")
    if data.startswith(GZIP) or data.lstrip()[:1] == b"{":
        words = "this is no build sheet, but perhaps a capture; lanewright plan --sheet-from makes a sheet of one"
        raise BadInput(f"{printable(source)}: {words}")
    try:
        text = data.decode()
    except UnicodeDecodeError as error:
        raise problem(
            source, data.count(b"\n", 0, error.start) + 1, "this is not UTF-8 text; save it as such"
        ) from None
    return text, source


def parse(text: str, source: str) -> Sheet:
    """The sheet in a text; `source` says in messages what it was read from."""
    from agent.toml.lines import lines_of

    try:
        data = tables(text, source, MANY)
        lines = lines_of(text)
    except RecursionError:
        raise BadInput(f"{printable(source)}: lists are nested too deeply; a sheet needs two levels") from None
    return sheet_of(data, source, lines)


def sheet_of(data: dict[str, Any], source: str, lines: dict[str, int]) -> Sheet:
    """The sheet of a text's tables; `lines` has the line of each key that is given."""
    from agent.sheets.checks import check
    from agent.sheets.shape import shaped

    def fail_here(key: str, words: str) -> BadInput:
        return problem_at(source, lines, key, words)

    sheet = _sheet(shaped(data, fail_here), source, lines, fail_here)
    check(sheet)
    return sheet


def card_of(kind: str, name: str) -> CardSpec:
    """A card of a part kind, not fitted."""
    found = _kind(kind, CardKind, "card")
    if isinstance(found, str):
        raise BadInput(found)
    return CardSpec(name=name, kind=kind, **found, wants_assumed=found["wants_mbps"] is not None)


def drive_of(kind: str, name: str) -> DriveSpec:
    """A drive of a part kind, not fitted."""
    found = _kind(kind, DriveKind, "drive")
    if isinstance(found, str):
        raise BadInput(found)
    return DriveSpec(name=name, kind=kind, **found)


def drive_watts(drive: DriveSpec) -> float:
    """What a drive takes at most, watts; where the sheet does not say, that of a typical drive of its generation."""
    return typical_watts(drive.generation) if drive.power_watts is None else drive.power_watts


def drives_of(words: str) -> tuple[DriveSpec, ...]:
    """New drives from words such as "4xgen4" or "2xnvme-gen3-x2": number, "x", and a drive kind or the end of its name.

    Without a number it is one. Drives of four lanes may be called "nvme-gen3-x4".
    """
    import re

    match = re.fullmatch(r"(?:([0-9]{1,4})x)?(\S.*)", words.strip(), re.DOTALL)
    if match is None:
        raise BadInput(f'{quoted(words)} names no drives; write a number, x and a kind, such as "4xgen4"')
    count = int(match[1] or 1)
    if not 1 <= count <= MOST_DRIVES:
        raise BadInput(f"{quoted(words)} asks for {count} drives; give a number from 1 to {MOST_DRIVES}")
    names = [name for name, kind in kinds().items() if isinstance(kind, DriveKind)]
    asked = match[2]
    short = asked.removesuffix(f"-x{MODULE_LANES}")
    kind = next((name for name in (asked, f"nvme-{asked}", short, f"nvme-{short}") if name in names), asked)
    return tuple(drive_of(kind, f"new {kind} {number}") for number in range(1, count + 1))


# --- From the file's tables to the sheet -----------------------------------------------------------------------


def _sheet(file: SheetFile, source: str, lines: dict[str, int], fail_here: Fail) -> Sheet:
    return Sheet(
        source=source,
        machine=MachineSpec(**_given(file.machine)),
        uplinks=tuple(Uplink(**_given(uplink_entry)) for uplink_entry in file.uplink),
        slots=tuple(_slot(slot_entry, f"slot[{number}]", fail_here) for number, slot_entry in enumerate(file.slot)),
        cards=tuple(_card(card_kind, f"card[{number}]", fail_here) for number, card_kind in enumerate(file.card)),
        drives=tuple(_drive(drive_kind, f"drive[{number}]", fail_here) for number, drive_kind in enumerate(file.drive)),
        stripes=tuple(StripeSpec(**_given(stripe_entry)) for stripe_entry in file.stripe),
        needs=tuple(Need(**_given(need_entry)) for need_entry in file.need),
        lines=lines,
    )


def _given(entry: Struct) -> dict[str, Any]:
    """The keys that the file gives."""
    return {key: value for key, value in asdict(entry).items() if value is not UNSET}


def _slot(entry: SlotEntry, key: str, fail_here: Fail) -> SlotSpec:
    given = _given(entry)
    if "connector" not in given:
        if entry.kind == "card":
            raise _missing(key, "slot", "connector", fail_here)
        given["connector"] = MODULE_LANES
    if "splits" in given:
        given["splits"] = _splits(given["splits"])
    if entry.lanes_while is not UNSET:
        given["lanes_while"] = tuple(_lanes_while(_given(one)) for one in entry.lanes_while)
    return SlotSpec(**given)


def _lanes_while(given: dict[str, Any]) -> LanesWhile:
    if "splits" in given:
        given["splits"] = _splits(given["splits"])
    return LanesWhile(**given)


def _splits(written: tuple[str, ...]) -> tuple[tuple[int, ...], ...]:
    return tuple(tuple(int(part) for part in words.split("+")) for words in written)


def _card(entry: CardEntry, key: str, fail_here: Fail) -> CardSpec:
    given = _given(entry)
    filled = _filled(given, CardKind, "card", key, ("connector", "lanes", "generation"), fail_here)
    if "bay_lengths" not in given and filled.get("bay_form", "m.2") != "m.2":
        filled.pop("bay_lengths", None)  # those of the kind are for other bays than the sheet says
    assumed = "wants_mbps" not in given and filled.get("wants_mbps") is not None
    return CardSpec(**{"wants_assumed": assumed} | filled)


def _drive(entry: DriveEntry, key: str, fail_here: Fail) -> DriveSpec:
    given = _given(entry)
    filled = _filled(given, DriveKind, "drive", key, ("generation",), fail_here)
    if "length" not in given and filled.get("form", "m.2") != "m.2":
        filled.pop("length", None)  # that of the kind is for another form than the sheet says
    return DriveSpec(**filled)


def _filled(
    given: dict[str, Any],
    kind: type[CardKind | DriveKind],
    table: str,
    key: str,
    needed: tuple[str, ...],
    fail_here: Fail,
) -> dict[str, Any]:
    """The keys that the file gives, with those of the part kind where it gives none."""
    if "kind" in given:
        found = _kind(given["kind"], kind, table)
        if isinstance(found, str):
            raise fail_here(f"{key}.kind", found)
        return found | given
    for name in needed:
        if name not in given:
            raise _missing(key, table, name, fail_here, " (or give a kind of part)")
    return given


def _missing(key: str, table: str, name: str, fail_here: Fail, hint: str = "") -> BadInput:
    from agent.sheets.shape import takes

    return fail_here(key, f"{name} is missing: {takes(table, name)}{hint}")


def _kind(name: str, wanted: type[CardKind | DriveKind], table: str) -> dict[str, Any] | str:
    """The figures of a part kind, or why there are none."""
    known = kinds()
    found = known.get(name)
    if isinstance(found, wanted):
        return {key: value for key, value in asdict(found).items() if key not in _ABOUT_KINDS}
    if found is not None:
        return f"{quoted(name)} is a kind of {'drive' if table == 'card' else 'card'}, and a {table} is wanted here"
    near = nearest(name, [other for other, kind in known.items() if isinstance(kind, wanted)])
    meant = f"did you mean {quoted(near)}? " if near else ""
    there = f"kinds of {table} are {_families(wanted)}; lanewright plan --kinds tells what they are"
    return f"the part kind {quoted(name)} is not known; {meant}{begun(there) if meant else there}"


def _families(wanted: type[CardKind | DriveKind]) -> str:
    """All kinds, those that differ by their generation together: "nvme-gen3 to gen5"."""
    families = grouped((_family(name), name) for name, kind in kinds().items() if isinstance(kind, wanted))
    return listed(
        names[0] if len(names) == 1 else f"{names[0]} to {names[-1].rpartition('-')[2]}" for names in families.values()
    )


def _family(name: str) -> str:
    """The name of a kind without its generation, where that ends it."""
    family, _, generation = name.rpartition("-gen")
    return family if generation.isdecimal() else name
