"""How drives slow themselves down: the share of their work that they allow at a temperature.

A policy is told the temperature that it watches at each step, and says what share it allows in that step. `held` is
the same without pulses shorter than a second: 1.0 where it does not slow anything.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Sequence


class Policy(Protocol):
    """What all of them have. `light` and `heavy` are [transitions, seconds], counted by those that count."""

    held: float
    light: list[float]
    heavy: list[float]

    def share(self, celsius: float, seconds: float) -> float:
        """The share of its work that the drive allows itself in the step of so many seconds that begins now."""


class _Counting:
    """A policy that is not slowing anything yet and counts nothing."""

    def __init__(self) -> None:
        self.held = 1.0
        self.light = [0.0, 0.0]
        self.heavy = [0.0, 0.0]


class Never(_Counting):
    """Slows nothing: throttling switched off."""

    def share(self, celsius: float, seconds: float) -> float:  # noqa: ARG002 - asked as any policy
        """All of it."""
        return 1.0


class Switched(_Counting):
    """On and off: at `onset` it allows `low`, until it is at `back`; either holds for `dwell` seconds at least."""

    def __init__(self, onset: float, back: float, low: float, dwell: float = 0.0) -> None:
        """It is off."""
        super().__init__()
        self._onset, self._back, self._low, self._dwell = onset, back, low, dwell
        self._since = dwell

    def share(self, celsius: float, seconds: float) -> float:
        """See `Policy`."""
        self._since += seconds
        if self._since >= self._dwell:
            slowing = self.held < 1.0
            if not slowing and celsius >= self._onset:
                self.held, self._since = self._low, 0.0
            elif slowing and celsius <= self._back:
                self.held, self._since = 1.0, 0.0
        return self.held


class Stepped(_Counting):
    """Several steps: from the first onset on one step down for each `dwell` seconds at or above the onset of that step.

    It goes one step up after each `dwell` seconds below that onset by `below`.
    """

    def __init__(self, onsets: Sequence[float], lows: Sequence[float], below: float, dwell: float) -> None:
        """`onsets` rise, `lows` fall, one a step."""
        super().__init__()
        self._onsets, self._lows, self._below, self._dwell = tuple(onsets), (1.0, *lows), below, dwell
        self._step = 0
        self._since = dwell

    def share(self, celsius: float, seconds: float) -> float:
        """See `Policy`."""
        self._since += seconds
        if self._since >= self._dwell:
            step = self._step
            if step < len(self._onsets) and celsius >= self._onsets[step]:
                self._step, self._since = step + 1, 0.0
            elif step and celsius <= self._onsets[step - 1] - self._below:
                self._step, self._since = step - 1, 0.0
            self.held = self._lows[self._step]
        return self.held


class Holding(_Counting):
    """Holds a temperature: takes `gain` of its work away a kelvin above, and `summing` a kelvin and second."""

    def __init__(self, onset: float, gain: float, summing: float, floor: float) -> None:
        """With `summing` 0 it is in proportion alone."""
        super().__init__()
        self._onset, self._gain, self._summing, self._most = onset, gain, summing, 1.0 - floor
        self._sum = 0.0

    def share(self, celsius: float, seconds: float) -> float:
        """See `Policy`."""
        above = celsius - self._onset
        self._sum = min(self._most, max(0.0, self._sum + self._summing * above * seconds))
        self.held = 1.0 - min(self._most, max(0.0, self._gain * above + self._sum))
        return self.held


class Pulsed:
    """Another policy whose share is a share of time: all work, then nearly none, several times a second or so."""

    def __init__(self, inner: Policy, period: float) -> None:
        """`period` in seconds."""
        self._inner, self._period = inner, period
        self._time = 0.0
        self.held = inner.held
        self.light, self.heavy = inner.light, inner.heavy

    def share(self, celsius: float, seconds: float) -> float:
        """See `Policy`."""
        self.held = self._inner.share(celsius, seconds)
        self._time = (self._time + seconds) % self._period
        if self.held >= 1.0:
            return 1.0
        return 1.0 if self._time < self.held * self._period else 0.02


class HostManaged(_Counting):
    """Host controlled thermal management: lightly from TMT1 on, heavily from TMT2 on, until `below` under each.

    Source: NVM Express Base Specification 2.0, "Host Controlled Thermal Management" (both hold for the composite
    temperature; light is to cost as little performance as can be, heavy is regardless of it), and SMART / Health
    Information (02h), Thermal Management Temperature 1 and 2 Transition Count and Total Time. That a drive comes back
    some kelvin lower is common practice.
    """

    def __init__(self, first: float, second: float, lows: tuple[float, float], below: float) -> None:
        """`first` and `second` are TMT1 and TMT2, degrees Celsius; `lows` what is allowed from each on."""
        super().__init__()
        self._first, self._second, self._lows, self._below = first, second, lows, below
        self._state = 0

    def share(self, celsius: float, seconds: float) -> float:
        """See `Policy`."""
        state = self._state
        if celsius >= self._second:
            state = 2
        elif celsius >= self._first:
            state = max(state, 1) if state < 2 or celsius > self._second - self._below else 1
        elif celsius <= self._first - self._below:
            state = 0
        elif celsius <= self._second - self._below:
            state = min(state, 1)
        if state != self._state:
            if state:
                (self.light if state == 1 else self.heavy)[0] += 1.0
            self._state = state
        if state:
            (self.light if state == 1 else self.heavy)[1] += seconds
        self.held = (1.0, *self._lows)[state]
        return self.held
