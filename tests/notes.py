"""Field notes for tests: the text of a file, a note from a few words. Test help only."""

from __future__ import annotations

from typing import Any, Final

import msgspec

from knowledge.fieldnotes import Note

HEAD: Final = 'format = "lanewright-notes"\nversion = 1\n'
GOOD: Final = """
[[note]]
id = "reel-in-short-socket"
title = "it runs at half width in this socket"
confidence = "reported"
advises = ["update-firmware", "reseat"]
text = "Seen twice in the studio."

[note.when]
card = ["f1c4:4210"]
firmware = { below = "RL4B3" }

[note.seen]
verdict = "narrow"
firmware_needed = "RL4B3"

[[note.evidence]]
source = "own bench"
date = 2026-03-02
capture = "~0123456789abcdef"
"""


def note(**more: Any) -> Note:  # noqa: ANN401 - keys of a note as its file has them
    """A note of the drives of bench-1 that has seen a full link, but for what is given."""
    usual = {
        "id": "reel-is-full",
        "title": "it trains in full",
        "confidence": "reported",
        "text": "Seen in the studio.",
        "when": {"card": ["f1c4:4210"]},
        "seen": {"verdict": "full"},
        "evidence": [{"source": "own bench", "date": "2026-03-02"}],
    }
    return msgspec.convert({**usual, **more}, Note)
