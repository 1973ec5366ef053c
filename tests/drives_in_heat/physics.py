"""Where the heat of a drive goes: four bodies that warm each other, two of them losing heat to the air around.

The controller and the flash are heated, each on the board and under a cover (a label, a heatsink, a case). Board and
cover lose heat in three ways that no sum of exponentials describes: by contact and moved air (in proportion to the
difference), by the air that rises along a warm surface (with the power 1.25 of it), and by radiation (with the fourth
power of the absolute temperature). Temperatures are degrees Celsius, heat watts, capacities J/K, conductances W/K.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct, structs
from scipy.optimize import root

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

STEFAN_BOLTZMANN: Final = 5.670374419e-8  # W/(m2 K4), CODATA 2018
ZERO_CELSIUS: Final = 273.15  # K, the definition of the Celsius scale
RISING: Final = 0.25  # laminar free convection: h goes with dT^(1/4); textbooks of heat transfer, from memory

Bodies = list[float]  # temperatures of controller, flash, board and cover, in this order
Watts = tuple[float, float]  # of the controller and of the flash


class Surface(Struct, frozen=True):
    """How a body loses heat.

    `contact` W/K goes through connector and screws, `blown` W/K goes with the flow of air (1 is that at the start),
    `rising` is W/K^1.25, `radiating` is area times emissivity, m2.
    """

    contact: float = 0.0
    blown: float = 0.0
    rising: float = 0.0
    radiating: float = 0.0

    def loss(self, celsius: float, air: float, flow: float) -> float:
        """The heat lost at this temperature, W; below 0 where the air is warmer."""
        above = celsius - air
        risen = above * float(abs(above) ** RISING)
        warm, cold = (celsius + ZERO_CELSIUS) ** 2, (air + ZERO_CELSIUS) ** 2
        radiated = (warm - cold) * (warm + cold)
        return (
            (self.contact + self.blown * flow) * above
            + self.rising * risen
            + STEFAN_BOLTZMANN * self.radiating * radiated
        )

    def times(self, factor: float) -> Surface:
        """A surface that loses so many times as much; how it radiates stays."""
        return Surface(self.contact * factor, self.blown * factor, self.rising * factor, self.radiating)


class Body(Struct, frozen=True, kw_only=True):
    """A drive's four bodies: capacities J/K, what conducts between them W/K, and the two surfaces."""

    controller: float
    flash: float
    board: float
    cover: float
    controller_to_board: float
    flash_to_board: float
    controller_to_cover: float
    flash_to_cover: float
    board_to_cover: float
    under: Surface  # of the board
    over: Surface  # of the cover

    def flows(self, bodies: Bodies, watts: Watts, air: float, flow: float) -> tuple[float, float, float, float, float]:
        """The heat that each body gains, W, and last what all of them together lose to the air."""
        controller, flash, board, cover = bodies
        to_board = self.controller_to_board * (controller - board)
        to_cover = self.controller_to_cover * (controller - cover)
        flash_to_board = self.flash_to_board * (flash - board)
        flash_to_cover = self.flash_to_cover * (flash - cover)
        across = self.board_to_cover * (board - cover)
        under, over = self.under.loss(board, air, flow), self.over.loss(cover, air, flow)
        return (
            watts[0] - to_board - to_cover,
            watts[1] - flash_to_board - flash_to_cover,
            to_board + flash_to_board - across - under,
            to_cover + flash_to_cover + across - over,
            under + over,
        )

    def warm(self, bodies: Bodies, watts: Watts, air: float, flow: float, seconds: float) -> float:
        """Go on by a step that is short against the quickest body; the joules that the air gained in it."""
        controller, flash, board, cover, lost = self.flows(bodies, watts, air, flow)
        bodies[0] += controller * seconds / self.controller
        bodies[1] += flash * seconds / self.flash
        bodies[2] += board * seconds / self.board
        bodies[3] += cover * seconds / self.cover
        return lost * seconds

    def stored(self, bodies: Bodies) -> float:
        """The heat in it, J above 0 degrees Celsius."""
        capacities = (self.controller, self.flash, self.board, self.cover)
        return sum(capacity * celsius for capacity, celsius in zip(capacities, bodies, strict=True))

    def settled(self, watts: Callable[[Bodies], Watts], air: float, flow: float = 1.0) -> Bodies:
        """Where the temperatures stay with a heat that may depend on them."""

        def unbalanced(values: NDArray[np.float64], /) -> list[float]:
            bodies = [float(value) for value in values]
            return list(self.flows(bodies, watts(bodies), air, flow)[:4])

        found = root(unbalanced, [air + 30.0, air + 28.0, air + 25.0, air + 22.0], tol=1e-9)
        if not found.success:
            raise ArithmeticError(f"the temperatures settle nowhere: {found.message}")
        return [float(value) for value in found.x]

    def cooled(self, factor: float) -> Body:
        """The same drive with surfaces that lose so many times as much."""
        return structs.replace(self, under=self.under.times(factor), over=self.over.times(factor))


class Heat(Struct, frozen=True, kw_only=True):
    """What work turns into: watts at rest, and watts a GB/s of reading, of writing and of folding the cache.

    `to_flash` is the share of the flash, `leak` the share by which the heat at rest grows a kelvin above 25 C.
    """

    resting: float
    read: float
    write: float
    fold: float
    to_flash: float
    leak: float

    def watts(self, bodies: Bodies, read: float, write: float, fold: float) -> Watts:
        """The heat of controller and flash at these rates, MB/s."""
        work = (self.read * read + self.write * write + self.fold * fold) / 1000.0
        resting = self.resting * (1.0 + self.leak * (bodies[0] - 25.0))
        return 0.8 * resting + (1.0 - self.to_flash) * work, 0.2 * resting + self.to_flash * work
