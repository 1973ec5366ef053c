"""A machine whose drives work, show one sign of trouble, and one of whose readings fails at a time. Test help only.

Its first drive does as a `Sign` says; a question that begins as the key of a `Fault` is answered as the fault says, for
as long as it lasts. Time is that of a clock that obeys.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct, json

from probes.answers import failed
from probes.unread import Unread
from tests.build import Nvme
from tests.drives import health_log
from tests.watched import FIRST, FakeClock, WatchedReads, two_drives

if TYPE_CHECKING:
    from collections.abc import Callable

SENSOR: Final = "/sys/class/hwmon/hwmon1/temp1_input"
LINK: Final = f"{FIRST}/current_link_speed"
ERRORS: Final = f"{FIRST}/aer_dev_correctable"
LOG: Final = "log-02 /dev/nvme0"
TABLE: Final = "disk_io_counters"
SHORT: Final = "short"
HOWS: Final = ("EIO", "EACCES", "ENODEV", SHORT)
MBPS: Final = 500
SLOWED_MBPS: Final = 200


class Sign(Struct, frozen=True):
    """What is wrong with the first drive from one second to another; "" for a drive of which all is well.

    "counters": it slows itself by its own count alone; "temperature": it is above its warning limit; "rates": it is
    slower, at its limit; "link": its link has one lane at 2.5 GT/s; "errors": its link counts errors.
    """

    what: str = ""
    start: float = 0.0
    end: float = 0.0


class Fault(Struct, frozen=True):
    """Questions that begin so, or as one of several, fail with `how` (an errno name, or a short answer) in a time."""

    key: str | tuple[str, ...] = "none"
    how: str = "EIO"
    start: float = -1e9
    end: float = 1e9


class Failing(WatchedReads):
    """Answers as the machine would, at the time of its clock."""

    def __init__(self, sign: Sign, fault: Fault, *, privileged: bool = True) -> None:
        """The clock begins with the soak; whatever is asked before is asked at its start."""
        super().__init__(two_drives(), privileged=privileged)
        self.clock = FakeClock()
        self.begin = self.clock.time
        self._sign = sign
        self._fault = fault
        self.failures = 0

    @property
    def seconds(self) -> float:
        """The time since the start."""
        return self.clock.time - self.begin

    def _over(self) -> float:
        """For how many seconds the sign has been there; 0 before it is."""
        return max(0.0, min(self.seconds, self._sign.end) - self._sign.start)

    def _shows(self, what: str) -> bool:
        return self._sign.what == what and self._sign.start <= self.seconds < self._sign.end

    def _failure(self, key: str) -> Unread | str | None:
        """Why a question fails now, SHORT where its answer is cut; None where all is well."""
        fault = self._fault
        if not (key.startswith(fault.key) and fault.start <= self.seconds < fault.end):
            return None
        self.failures += 1
        return SHORT if fault.how == SHORT else failed(key, fault.how)

    def text(self, path: str) -> str | Unread:
        """See `Reads`."""
        failure = self._failure(f"text {path}")
        if failure is not None:
            return "" if isinstance(failure, str) else failure
        made = self._made.get(path)
        answer = super().text(path)
        return answer if made is None else made(self)

    def data(self, path: str) -> bytes | Unread:
        """See `Reads`."""
        failure = self._failure(f"bytes {path}")
        answer = super().data(path)
        if failure is None or isinstance(answer, Unread):
            return answer
        return answer[:64] if isinstance(failure, str) else failure

    def names(self, path: str) -> tuple[str, ...] | Unread:
        """See `Reads`."""
        failure = self._failure(f"list {path}")
        return failure if isinstance(failure, Unread) else super().names(path)

    def target(self, path: str) -> str | Unread:
        """See `Reads`."""
        failure = self._failure(f"link {path}")
        return failure if isinstance(failure, Unread) else super().target(path)

    def psutil(self, subject: str) -> str | Unread:
        """See `Reads`."""
        failure = self._failure(f"psutil {subject}")
        if failure is not None:
            return "{}" if isinstance(failure, str) else failure
        return self._table() if subject == TABLE else super().psutil(subject)

    def nvme(self, subject: str) -> bytes | Unread:
        """See `Reads`."""
        failure = self._failure(f"nvme {subject}")
        if isinstance(failure, Unread):
            return failure
        page = self._log() if subject == LOG and self._privileged else super().nvme(subject)
        return page[:200] if failure is not None and isinstance(page, bytes) else page

    # --- What the drive does -----------------------------------------------------------------------------------

    def _table(self) -> str:
        slow = self._over() if self._sign.what == "rates" else 0.0
        read = int(1e6 * (MBPS * self.seconds - (MBPS - SLOWED_MBPS) * slow))
        counts = {"read_bytes": read, "write_bytes": 0, "read_count": read >> 20, "write_count": 0}
        busy = int(970 * self.seconds)
        idle = dict.fromkeys(("read_bytes", "write_bytes", "read_count", "write_count", "busy_time"), 0)
        return json.encode({"nvme0n1": {**counts, "busy_time": busy}, "nvme1n1": idle}).decode()

    def _log(self) -> bytes:
        slowed = self._sign.what == "counters" and self.seconds >= self._sign.start
        return health_log(Nvme(log={"light_throttles": 3 + slowed, "light_throttle_seconds": 50 + 20 * slowed}))

    def _celsius(self) -> str:
        if self._sign.what == "rates":
            return "68850"  # a degree below its warning limit of 343 K
        return "71850" if self._shows("temperature") else "45850"

    def _speed(self) -> str:
        return "2.5 GT/s PCIe" if self._shows("link") else "16.0 GT/s PCIe"

    def _width(self) -> str:
        return "1" if self._shows("link") else "4"

    def _errors(self) -> str:
        count = int(10 * self._over()) if self._sign.what == "errors" else 0
        return f"RxErr {count}\nTOTAL_ERR_COR {count}"

    _made: Final[dict[str, Callable[[Failing], str]]] = {
        SENSOR: _celsius,
        LINK: _speed,
        f"{FIRST}/current_link_width": _width,
        ERRORS: _errors,
    }
