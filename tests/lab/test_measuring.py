"""Measuring drives in a guest: real driver and block layer, a rate that the emulator caps, a drive that is pulled.

The cap is QEMU's own (docs/throttle.txt of QEMU); 323 K and 343 K are what its drives give (hw/nvme/ctrl.c).
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.lab.boot import Guest, Rack, lanewright
from tests.lab.kernel import Missing, missing
from tests.lab.need import cannot
from tests.lab.racks import GIBIBYTE, NATIVE_HOT_PLUG

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.lab

CAP: Final = 4_000_000  # bytes a second
RACK: Final = Rack(
    name="measured",
    devices=(
        "pcie-root-port,id=one,bus=pcie.0,addr=4.0,chassis=1,slot=1,x-speed=16,x-width=4",
        "pcie-root-port,id=two,bus=pcie.0,addr=5.0,chassis=2,slot=2,x-speed=16,x-width=4",
        "nvme,id=first,bus=one,drive=capped,serial=HLA-SERIAL-0006",
        "nvme,id=second,bus=two,drive=free,serial=HLA-SERIAL-0007",
    ),
    disks=(("free", GIBIBYTE), ("behind", GIBIBYTE)),
    arguments=(
        *NATIVE_HOT_PLUG,
        *("-object", f"throttle-group,id=cap,x-bps-read={CAP}"),
        *("-blockdev", "driver=throttle,node-name=capped,throttle-group=cap,file=behind"),
    ),
)


@pytest.fixture(scope="module")
def guest() -> Iterator[Guest]:
    """The guest, booted once."""
    reason = missing()
    if reason is not None:
        cannot(reason)
    try:
        with Guest(RACK) as running:
            yield running
    except Missing as problem:
        cannot(str(problem))


def measured(guest: Guest, arguments: str, code: int = 0) -> dict[str, Any]:
    """The JSON form of a measurement in the guest."""
    result = guest.run(lanewright(f"measure {arguments} --format json"))
    assert (code, "") == (result.code, result.stderr), result.stdout
    sent = json.loads(result.stdout)
    assert isinstance(sent, dict)
    return sent


def test_a_capped_drive_is_measured_as_capped(guest: Guest) -> None:
    """A drive by its name is read at the rate that the emulator caps it at, within 10 %, with its temperature."""
    one = measured(guest, "nvme0 --for 8 --block 64K")["measured"][0]
    assert ("drive", "nvme0", "/dev/nvme0n1", GIBIBYTE) == (one["what"], one["drive"], one["path"], one["bytes"])
    assert one["page_cache_bypassed"]
    assert CAP / 1e6 == pytest.approx(one["spread_mbps"]["median"], rel=0.1)
    assert CAP / 1e6 == pytest.approx(one["mean_mbps"], rel=0.1)
    assert 323 - 273.15 == pytest.approx(one["highest_celsius"], abs=0.01)
    assert 343 - 273.15 == pytest.approx(one["warning_celsius"], abs=0.01)


def test_an_emulated_link_predicts_nothing(guest: Guest) -> None:
    """A link that is not made of wires gives no range, and so no verdict."""
    delivery = measured(guest, "/dev/nvme1n1 --for 1")["measured"][0]["delivery"]
    assert ("none", None) == (delivery["verdict"], delivery["expected_mbps"])
    assert delivery["why"]


def test_an_ordinary_user_may_not(guest: Guest) -> None:
    """Without rights one sentence says which is missing, exit 2."""
    result = guest.run(lanewright("measure nvme0 --for 1"), ordinary=True)
    assert (2, "") == (result.code, result.stdout)
    assert "only root may read the whole device" in result.stderr
    assert 1 == len(result.stderr.splitlines())


def test_a_limit_in_bytes_is_what_the_kernel_counts(guest: Guest) -> None:
    """With --max-bytes the kernel counts as many sectors as the measurement says (Documentation/block/stat.rst)."""
    count = "cut -c1- /sys/block/nvme1n1/stat"
    before = int(guest.run(count).stdout.split()[2])
    one = measured(guest, "nvme1 --max-bytes 10M --for 60")["measured"][0]
    after = int(guest.run(count).stdout.split()[2])
    assert ("bytes", 10 * 1024 * 1024) == (one["ended"], one["read_bytes"])
    assert one["read_bytes"] == (after - before) * 512


def test_a_pulled_drive_leaves_what_was_measured(guest: Guest) -> None:
    """A drive that is taken away while it is read ends its run; what was measured until then is shown."""
    command = lanewright("measure nvme1 --for 60 --format json >pulled 2>errors; echo $? >status")
    guest.run(f"mkdir -p /tmp/pulled && cd /tmp/pulled && ( {command} ) >/dev/null 2>&1 </dev/null & sleep 12")
    guest.unplug("second")
    done = guest.run(
        "cd /tmp/pulled; for n in $(seq 60); do [ -s status ] && break; sleep 1; done; cat status errors pulled"
    )
    status, _, rest = done.stdout.partition("\n")
    assert "1" == status, done.stdout
    one = json.loads(rest)["measured"][0]
    assert "gone" == one["ended"]
    assert one["read_bytes"] > 0
    assert one["words"].startswith("the drive went away while it was read")
