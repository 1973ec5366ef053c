"""The temperatures that a machine can be asked for while it is watched: their names and places. Asks nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from probes.unread import Unread  # noqa: TC001 - the fields of a Struct

if TYPE_CHECKING:
    from collections.abc import Iterable


class Temperature(Struct, frozen=True):
    """A temperature: what it is called, the file to read, and the one that tells whether its device sleeps.

    `alias` is what it is called as long as its label cannot be read.
    """

    label: str
    path: str
    state: str
    alias: str = ""


class LostTemperature(Struct, frozen=True):
    """A part of the list of temperatures that could not be read; `drive` is whose it is, None where nothing tells.

    `is_name` tells that it is only what a temperature is called.
    """

    drive: str | None
    unread: Unread
    is_name: bool = False


class Temperatures(Struct, frozen=True):
    """All temperatures there are: those of each drive by its name, those of everything else, and what was lost."""

    drives: dict[str, tuple[Temperature, ...]]
    others: tuple[Temperature, ...]
    lost: tuple[LostTemperature, ...] = ()

    def why(self, drive: str | None) -> Unread | None:
        """Why a temperature of a drive (None: of anything else) may be missing here; None where nothing is."""
        mine = (None, drive) if drive is not None else (None,)
        return next(
            (
                lost_temperature.unread
                for lost_temperature in self.lost
                if not lost_temperature.is_name and lost_temperature.drive in mine
            ),
            None,
        )


def by_name(found: Iterable[Temperature]) -> dict[str, Temperature]:
    """Temperatures by what they are called, and by what they are called where their label cannot be read."""
    all_found = tuple(found)
    return {
        **{temperature.alias: temperature for temperature in all_found},
        **{temperature.label: temperature for temperature in all_found},
    }
