"""Soaks of drives in heat, drawn by chance, with what is true of them. Knows nothing of the analysis that it judges.

`drawn(kind, seed)` gives a `Case`: its `log` (a `Soak` in memory, the first drive is the judged one) and its `truth`.
`KINDS` are the kinds by name. The physics are in `physics`, how drives slow themselves in `policies`, what is asked of
them in `loads`, a drive at work in `running`, what is drawn for each kind in `kinds`.
"""

from __future__ import annotations

from tests.drives_in_heat.drawing import Case, drawn
from tests.drives_in_heat.kinds import KINDS
from tests.drives_in_heat.truth import Truth

__all__ = ["KINDS", "Case", "Truth", "drawn"]
