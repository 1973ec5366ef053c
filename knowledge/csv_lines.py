"""Tables for other programs: lines of CSV (RFC 4180), made one by one as they are asked for."""

from __future__ import annotations

import csv
from itertools import chain
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence


class _Echo:
    """What the csv writer writes to: it hands each line back."""

    @staticmethod
    def write(line: str) -> str:
        """The line."""
        return line


def csv_lines(columns: Iterable[str], rows: Iterable[Sequence[object]]) -> Iterator[str]:
    """Each line with its end; the first names the columns. Foreign text has passed `knowledge.phrasing.cell`."""
    write = csv.writer(_Echo()).writerow
    for row in chain((columns,), rows):
        yield str(write(row))
