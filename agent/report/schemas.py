"""The JSON Schemas of all forms, by the names that `schema` takes."""

from __future__ import annotations

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


def schema(name: str) -> dict[str, Any]:
    """The JSON Schema of a form, or of a capture file."""
    if name == "capture":
        return msgspec.json.schema(capture.CaptureFile)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **msgspec.json.schema(FORMS[name])}
