"""A good build sheet that uses every table: a tower of the Harrow Lane Archive before its refit."""

from __future__ import annotations

from typing import Final

# bench-1: two card slots at the processor, two behind the chipset's shared uplink, two M.2 sockets, one of them behind
# that uplink too. A display card stays; one drive on a passive carrier and the boot drive are fitted; a switch carrier
# and four drives are new.
BENCH_1: Final = """\
# Harrow Lane Archive, bench-1: refit for the film scanner's scratch space
format = "lanewright-sheet"
version = 1

[machine]
name = "bench-1"
product = "Harrow Tower B"
board = "HL-440"
payload_bytes = 256

[[uplink]]
name = "chipset"
lanes = 4
generation = 3

[[slot]]
label = "SLOT1"
connector = 16
lanes = 16
generation = 4
splits = ["8+8", "4+4+4+4"]
power_watts = 75
covers = ["SLOT2"]

[[slot]]
label = "SLOT2"
connector = 4
open_end = true
lanes = 4
generation = 3
uplink = "chipset"
power_watts = 25

[[slot]]
label = "SLOT3"
connector = 16
lanes = 8
generation = 4
power_watts = 75
longest_mm = 260

[[slot]]
label = "SLOT4"
connector = 8
lanes = 4
generation = 3
uplink = "chipset"
power_watts = 25

[[slot]]
label = "M2-A"
kind = "m.2"
lanes = 4
generation = 4
lengths = ["2242", "2260", "2280"]

[[slot]]
label = "M2-B"
kind = "m.2"
lanes = 4
generation = 3
uplink = "chipset"
lengths = ["2280", "22110"]

[[card]]
name = "preview display"
kind = "display-x16-gen3"
slot = "SLOT1"
stays = true

[[card]]
name = "single carrier"
kind = "carrier-1-x4-gen3"
slot = "SLOT4"

[[card]]
name = "scratch carrier"
kind = "switch-carrier-4-x8-gen4"

[[drive]]
name = "boot"
kind = "nvme-gen3"
slot = "M2-B"

[[drive]]
name = "archive"
kind = "nvme-gen3"
card = "single carrier"
bay = 1
write_mbps = 1800

[[drive]]
name = "scratch-1"
kind = "nvme-gen4"

[[drive]]
name = "scratch-2"
kind = "nvme-gen4"

[[drive]]
name = "scratch-3"
kind = "nvme-gen4"

[[drive]]
name = "scratch-4"
kind = "nvme-gen4"

[[stripe]]
name = "scratch"
raid = 0
drives = ["scratch-1", "scratch-2", "scratch-3", "scratch-4"]

[[need]]
name = "scanner to scratch"
stripe = "scratch"
read_mbps = 6000
write_mbps = 5000

[[need]]
name = "start without a split slot"
drives = ["boot"]
not_on_split = true

[[need]]
name = "display where its cables reach"
cards = ["preview display"]
in_slot = "SLOT1"
"""
