"""The JSON Schemas of all forms, by the names that `schema` takes."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

import msgspec

from agent.report import (
    compare_data,
    data,
    explain_data,
    measure_data,
    note_data,
    plan_data,
    soak_data,
    soak_pairs_data,
    tally_data,
)
from probes import capture

if TYPE_CHECKING:
    from msgspec import Struct

FORMS: Final[dict[str, type[Struct]]] = {
    "candidates": plan_data.CandidatesData,
    "check": data.CheckData,
    "compare": compare_data.CompareData,
    "compare-soaks": soak_pairs_data.SoakPairData,
    "explain": explain_data.ExplainData,
    "inventory": data.InventoryData,
    "measure": measure_data.MeasureData,
    "note": note_data.NoteData,
    "note-test": note_data.TestData,
    "notes": note_data.ListData,
    "notes-learned": note_data.LearnData,
    "notes-lint": note_data.LintData,
    "plan": plan_data.PlanData,
    "soak": soak_data.SoakData,
    "soaks": soak_data.LogsData,
    "tally": tally_data.TallyData,
}


UNITS: Final = {
    "bytes": "bytes",
    "celsius": "degrees Celsius",
    "gtps": "GT/s",
    "hours": "h",
    "mbps": "MB/s",
    "minutes": "min",
    "percent": "%",
    "seconds": "s",
    "watts": "W",
}
WRITTEN: Final = {"id": "ID", "numa": "NUMA", "raid": "RAID"}
# Titles that a key does not give by itself.
TITLES: Final = {
    "against": "Build sheet it was held against",
    "answer": "What people read first",
    "best": "Best that both ends of the link can do",
    "bytes": "Size, bytes",
    "celsius": "Temperature, degrees Celsius",
    "copies_read": "What the range of reading rests on",
    "device_can": "What the device can do",
    "doubts": "What one side could not read",
    "gain_mbps": "What it should bring at most, MB/s",
    "gtps": "Transfer rate of a lane, GT/s",
    "headline": "What was found, in one sentence",
    "looks": "Later looks",
    "mbps": "Rate, MB/s",
    "narrowest_hop": "Hop that decides the drive's share",
    "now": "What the link runs at",
    "path": "Hops from the drive to the processor",
    "platform": "Platform, as sys.platform names it",
    "port_can": "What the port can do",
    "raid": "RAID level",
    "read": "Value as read",
    "subject": "What it is about: an address, a slot or a drive",
    "taken_at": "When it was read (RFC 3339)",
    "unread": "What could not be read",
    "verify": "How to see that it helped",
    "what": "What it is",
    "width": "Lanes",
    "worst": "Worst severity",
}


def schema(name: str) -> dict[str, Any]:
    """The JSON Schema of a form, or of a capture file, with a title for each object and key."""
    made = msgspec.json.schema(capture.CaptureFile if name == "capture" else FORMS[name])
    for part in made["$defs"].values():
        part["title"] = _sentence(part["description"])
        for key, value in part.get("properties", {}).items():
            value["title"] = title(key)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **made}


def title(key: str) -> str:
    """What a key stands for, in words, with its unit."""
    if key in TITLES:
        return TITLES[key]
    *words, last = key.split("_")
    unit = UNITS.get(last) if words else None
    if unit is None:
        words.append(last)
    elif last == "celsius":
        words.append("temperature")
    told = " ".join(WRITTEN.get(word, word) for word in words)
    return f"{told[0].upper()}{told[1:]}" + ("" if unit is None else f", {unit}")


def _sentence(description: str) -> str:
    """The beginning of a description that says what it is of."""
    return re.split(r"[.;:](?:\s|$)", description, maxsplit=1)[0]
