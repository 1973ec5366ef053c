"""Bad build sheets, each the good one of tests/sheets.py with a few lines changed, and what must be said of it.

A case is a key, what is said of it, and the lines taken out (-) and put in (+). Where the complaint names a line, that
line ends in "#!". Whole lines are compared; changes are in the order of the sheet.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tests.sheets import BENCH_1

if TYPE_CHECKING:
    from collections.abc import Iterator

MARK: Final = "#!"

CASES: Final = r"""
machine.payload_bytes: 300 is not a size that a packet's data can have: 128, 256, 512, 1024, 2048 or 4096 bytes
- payload_bytes = 256
+ payload_bytes = 300 #!

version: the sheet is of version 2, and this lanewright reads version 1
- version = 1
+ version = 2 #!

version: true is not 1
- version = 1
+ version = true #!

format: "shopping-list" is not "lanewright-sheet"
- format = "lanewright-sheet"
+ format = "shopping-list" #!

machine.prodct: this key is not known; did you mean product
- product = "Harrow Tower B"
+ prodct = "Harrow Tower B" #!

machine: a list of 1 stands where a heading [machine] should be
- [machine]
+ [[machine]] #!

machines: this key is not known; did you mean machine
- [machine]
+ [machines] #!

uplink: a table stands where a heading [[uplink]] should be
- [[uplink]]
+ [uplink] #!

uplink[0]: a date or time stands where a heading [[uplink]] should be
- version = 1
+ version = 1
+ uplink = [2024-02-29] #!
- [[uplink]]
- name = "chipset"
- lanes = 4
- generation = 3
+ # no other

uplink[0]: a list of 2 stands where a heading [[uplink]] should be
- version = 1
+ version = 1
+ uplink = [["chipset", 4]] #!
- [[uplink]]
- name = "chipset"
- lanes = 4
- generation = 3
+ # no other

machine: 7 stands where a heading [machine] should be
- version = 1
+ version = 1
+ machine = 7 #!
- [machine]
- name = "bench-1"
- product = "Harrow Tower B"
- board = "HL-440"
- payload_bytes = 256
+ # no other

uplink[0]: name is missing: a name of 1 to 100 characters in quotes
- [[uplink]]
- name = "chipset"
+ [[uplink]] #!

slot[2].lanes: -8 is not a number of lanes that a link can have: 1, 2, 4, 8, 12, 16 or 32
- lanes = 8
+ lanes = -8 #!

slot[2].lanes: 7 is not a number of lanes
- lanes = 8
+ lanes = 7 #!

slot[2].lanes: 8.0 is not a number of lanes
- lanes = 8
+ lanes = 8.0 #!

slot[2].lanes: 3333333333333333333333333333333333333... is not a number of lanes
- lanes = 8
+ lanes = 3333333333333333333333333333333333333333333333333333333333333333333 #!

slot[2].lanes: true is not a number of lanes
- lanes = 8
+ lanes = true #!

slot[2].lanes: a date or time is not a number of lanes
- lanes = 8
+ lanes = 2024-02-29T12:00:00Z #!

slot[2].lanes: a list of 1 is not a number of lanes
- lanes = 8
+ lanes = [ #!
+   8,
+ ]

slot[2].lanes: a table is not a number of lanes
- lanes = 8
+ lanes = {x = 8} #!

slot[2].lanes: "8" is not a number of lanes
- lanes = 8
+ lanes = "8" #!

slot[2].longest_mm: 26000 is not a length from 10 to 1,000 mm, a whole number
- longest_mm = 260
+ longest_mm = 26_000 #!

slot[2].longest_mm: inf is not a length
- longest_mm = 260
+ longest_mm = inf #!

slot[2].longest_nm: this key is not known; did you mean longest_mm
- longest_mm = 260
+ longest_nm = 260 #!

slot[2].zzz: this key is not known; known here are label, kind, connector, open_end,
- longest_mm = 260
+ zzz = 260 #!

slot[2].zz"z.y: this key is not known; known here are
- longest_mm = 260
+ 'zz"z.y' = 260 #!

slot[0].splits[0]: "x8x8" does not belong here; splits takes a list of up to 16 ways to split the lanes in quotes
- splits = ["8+8", "4+4+4+4"]
+ splits = ["x8x8"] #!

slot[0].splits: "8+8" is not a list of up to 16 ways to split the lanes
- splits = ["8+8", "4+4+4+4"]
+ splits = "8+8" #!

slot[0].splits[1]: a slot cannot be split into a group of 6 lanes; groups have 1, 2, 4, 8 or 16
- splits = ["8+8", "4+4+4+4"]
+ splits = ["8+8",
+   "6+6", #!
+ ]

slot[0].splits[2]: the groups have 24 lanes together, and the slot is wired with 16
- splits = ["8+8", "4+4+4+4"]
+ splits = ["8+8", "4+4+4+4",
+
+   # a dream
+   "8+8+8"] #!

slot[0].splits[1]: "8+8" stands here twice
- splits = ["8+8", "4+4+4+4"]
+ splits = ["8+8", "8+8"] #!

slot[3].power_watts: 0 is not a power above 0 and up to 600 W
- label = "SLOT4"
- connector = 8
- lanes = 4
- generation = 3
- uplink = "chipset"
- power_watts = 25
+ label = "SLOT4"
+ connector = 8
+ lanes = 4
+ generation = 3
+ uplink = "chipset"
+ power_watts = 0 #!

slot[3].generation: 8 is not a generation from 1 (2.5 GT/s) to 7 (128 GT/s), a whole number
- label = "SLOT4"
- connector = 8
- lanes = 4
- generation = 3
+ label = "SLOT4"
+ connector = 8
+ lanes = 4
+ generation = 8 #!

stripe[0].raid: 6 is not a kind of stripe set: 0, 1, 5 or 10
- raid = 0
+ raid = 6 #!

drive[1].write_mbps: -1 is not a rate above 0 and up to 1,000,000 MB/s
- write_mbps = 1800
+ write_mbps = -1 #!

drive[1].write_mbps: 0 is not a rate above 0
- write_mbps = 1800
+ write_mbps = 0 #!

drive[1].write_mbps: nan is not a rate above 0
- write_mbps = 1800
+ write_mbps = nan #!

drive[1].write_mbps: 1e+300 is not a rate above 0
- write_mbps = 1800
+ write_mbps = 1e300 #!

drive[1].write_mbps: -inf is not a rate above 0
- write_mbps = 1800
+ write_mbps = -inf #!

drive[1].write_mbps: "fast" is not a rate above 0
- write_mbps = 1800
+ write_mbps = "fast" #!

drive[1].write_mbps: "`$.slot[9]` - at `$.x` ..." is not a rate above 0
- write_mbps = 1800
+ write_mbps = "`$.slot[9]` - at `$.x` ..." #!

drive[1].power_watts: 0 is not a power above 0 and up to 100 W
- write_mbps = 1800
+ power_watts = 0 #!

drive[1].power_watts: 400 is not a power above 0 and up to 100 W
- write_mbps = 1800
+ power_watts = 400 #!

drive[1].length: "2281" is not a length code in quotes: 2230, 2242, 2260, 2280 or 22110
- write_mbps = 1800
+ length = "2281" #!

drive[1].length: 2280 is not a length code in quotes
- write_mbps = 1800
+ length = 2280 #!

drive[0].kind: the part kind "nvme-gen33" is not known; did you mean "nvme-gen3"
- kind = "nvme-gen3"
- slot = "M2-B"
+ kind = "nvme-gen33" #!
+ slot = "M2-B"

drive[0].kind: "network-1g" is a kind of card, and a drive is wanted here
- kind = "nvme-gen3"
- slot = "M2-B"
+ kind = "network-1g" #!
+ slot = "M2-B"

card[1].kind: "nvme-gen3" is a kind of drive, and a card is wanted here
- kind = "carrier-1-x4-gen3"
+ kind = "nvme-gen3" #!

card[1].kind: the part kind "carrier-1-x4-gen9" is not known; did you mean "carrier-1-x4-gen
- kind = "carrier-1-x4-gen3"
+ kind = "carrier-1-x4-gen9" #!

card[1]: connector is missing: the size of a connector in lanes: 1, 4, 8 or 16 (or give a kind of part)
- [[card]]
- name = "single carrier"
- kind = "carrier-1-x4-gen3"
+ [[card]] #!
+ name = "single carrier"
+ lanes = 4

drive[0]: generation is missing: a generation from 1 (2.5 GT/s) to 7 (128 GT/s), a whole number (or give a kind
- [[drive]]
- name = "boot"
- kind = "nvme-gen3"
+ [[drive]] #!
+ name = "boot"

drive[0]: name is missing
- [[drive]]
- name = "boot"
+ [[drive]] #!

slot[2]: connector is missing: the size of a connector in lanes: 1, 4, 8 or 16
- [[slot]]
- label = "SLOT3"
- connector = 16
+ [[slot]] #!
+ label = "SLOT3"

drive[0].name: "" is not a name of 1 to 100 characters in quotes
- name = "boot"
+ name = "" #!

drive[0].name: "boot\x1b[31m" holds characters that cannot be shown
- name = "boot"
+ name = "boot\u001b[31m" #!

drive[0].name: " boot" holds characters that cannot be shown, or begins or ends with a blank
- name = "boot"
+ name = " boot" #!

stripe[0].drives[3]: "a\nb" holds characters that cannot be shown
- drives = ["scratch-1", "scratch-2", "scratch-3", "scratch-4"]
+ drives = ["scratch-1", "scratch-2", "scratch-3",
+   "a\nb" #!
+ ]

need[1].drives[0]: 1 does not belong here; drives takes a list of up to 256 drive names in quotes
- drives = ["boot"]
+ drives = [1] #!

card[1].slot: an edge of x16 cannot be in "SLOT4", a closed slot of x8; if its end is open, write open_end = true there
- kind = "carrier-1-x4-gen3"
- slot = "SLOT4"
+ kind = "split-carrier-4-x16-gen3"
+ slot = "SLOT4" #!

slot[1].label: "SLOT1" is the label of another slot, in line
- label = "SLOT2"
+ label = "SLOT1" #!

card[2].name: "single carrier" is the name of another card, in line
- name = "scratch carrier"
+ name = "single carrier" #!

drive[3].name: "scratch-1" is the name of another drive, in line
- name = "scratch-2"
+ name = "scratch-1" #!

uplink[1].name: "chipset" is the name of another uplink, in line
- [[uplink]]
+ [[uplink]]
+ name = "chipset"
+ lanes = 8
+ generation = 3
+ [[uplink]]
- name = "chipset"
+ name = "chipset" #!

need[1].name: "scanner to scratch" is the name of another need, in line
- name = "start without a split slot"
+ name = "scanner to scratch" #!

stripe[1].name: "scratch" is the name of another stripe, in line
- [[stripe]]
+ [[stripe]]
+ name = "scratch"
+ raid = 1
+ drives = ["boot", "archive"]
+ [[stripe]]
- name = "scratch"
+ name = "scratch" #!

slot[5].port: "0000:00:1c.0" is the port of another slot, in line
- lengths = ["2242", "2260", "2280"]
+ port = "0000:00:1c.0"
- lengths = ["2280", "22110"]
+ port = "0000:00:1c.0" #!

slot[4].port: "third from above" is not an address such as "0000:00:01.0"
- lengths = ["2242", "2260", "2280"]
+ port = "third from above" #!

card[1].pci_id: "1B36" is not an identifier such as "1b36:0010"
- kind = "carrier-1-x4-gen3"
+ kind = "carrier-1-x4-gen3"
+ pci_id = "1B36" #!

slot[5].uplink: no uplink is called "chip set"; did you mean "chipset"
- uplink = "chipset"
- lengths = ["2280", "22110"]
+ uplink = "chip set" #!

uplink[0].above: no uplink is called "hub"; the sheet has "chipset"
- [[uplink]]
+ [[uplink]]
+ above = "hub" #!

uplink[0].above: uplinks must lead to the processor, and this leads back to itself by way of "chipset"
- [[uplink]]
+ [[uplink]]
+ above = "chipset" #!

uplink[1].above: this leads back to itself by way of "b", "c"
- [[uplink]]
+ [[uplink]]
+ name = "a"
+ lanes = 4
+ generation = 3
+ above = "b"
+ [[uplink]]
+ name = "b"
+ lanes = 4
+ generation = 3
+ above = "c" #!
+ [[uplink]]
+ name = "c"
+ lanes = 4
+ generation = 3
+ above = "b"
+ [[uplink]]

slot[0].covers[0]: no slot is called "SLOT9"; did you mean "SLOT
- covers = ["SLOT2"]
+ covers = ["SLOT9"] #!

slot[0].covers[0]: "SLOT1" cannot cover itself: a card always takes its own slot
- covers = ["SLOT2"]
+ covers = ["SLOT1"] #!

slot[0].covers[1]: "SLOT2" stands here twice
- covers = ["SLOT2"]
+ covers = ["SLOT2",
+   "SLOT2"] #!

slot[0].lanes_while: "SLOT2" is not a list of up to 16 tables such as {filled = ["SLOT2"], lanes = 8}
- covers = ["SLOT2"]
+ lanes_while = "SLOT2" #!

slot[0].lanes_while[0]: "SLOT2" does not belong here; lanes_while takes a list of up to 16 tables
- covers = ["SLOT2"]
+ lanes_while = ["SLOT2"] #!

slot[0].lanes_while[0]: lanes is missing: the lanes that are left: 0 (the slot does not work), 1, 2, 4
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT2"]}] #!

slot[0].lanes_while[0]: filled is missing: a list of 1 to 8 slot labels in quotes
- covers = ["SLOT2"]
+ lanes_while = [{lanes = 8}] #!

slot[0].lanes_while[0].lanes: 3 is not the lanes that are left: 0 (the slot does not work), 1, 2, 4
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT2"], lanes = 3}] #!

slot[0].lanes_while[0].filled: a list of 0 is not a list of 1 to 8 slot labels in quotes
- covers = ["SLOT2"]
+ lanes_while = [{filled = [], lanes = 8}] #!

slot[0].lanes_while[0].filed: this key is not known; did you mean filled
- covers = ["SLOT2"]
+ lanes_while = [{filed = ["SLOT2"], lanes = 8}] #!

slot[0].lanes_while[0].filled[0]: "SLOT2 " holds characters that cannot be shown, or begins or ends with a blank
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT2 "], lanes = 8}] #!

slot[0].lanes_while[0].filled[0]: no slot is called "SLOT9"; did you mean "SLOT
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT9"], lanes = 8}] #!

slot[0].lanes_while[0].filled[1]: "SLOT1" cannot take lanes from itself; name the slots that take them
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT2", "SLOT1"], lanes = 8}] #!

slot[0].lanes_while[0].filled[1]: "SLOT2" stands here twice
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT2", "SLOT2"], lanes = 8}] #!

slot[0].lanes_while[0].lanes: "SLOT1" has 16 lanes, and no more can be left of them
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT2"], lanes = 32}] #!

slot[0].lanes_while[0].lanes: "SLOT1" has 16 lanes anyway; write what is left, or leave this out
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT2"], lanes = 16}] #!

slot[0].lanes_while[0].splits[0]: the groups have 16 lanes together, and only 8 are left
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT2"], lanes = 8, splits = ["4+4+4+4"]}] #!

slot[0].lanes_while[0].splits[1]: "4+4" stands here twice
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT2"], lanes = 8, splits = ["4+4", "4+4"]}] #!

slot[0].lanes_while[0].splits[0]: a slot cannot be split into a group of 3 lanes
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT2"], lanes = 8, splits = ["3+3"]}] #!

slot[0].lanes_while[1].filled: the lanes that are left beside "SLOT2" stand here twice
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT2"], lanes = 8}, {filled = ["SLOT2"], lanes = 4}] #!

slot[0].lanes_while[1].lanes: 8 lanes can be left beside "SLOT2" alone, so beside "SLOT2" and "SLOT3" it must be fewer
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT2"], lanes = 8}, {filled = ["SLOT2", "SLOT3"], lanes = 8}] #!

slot[0].lanes_while[1].lanes: 8 lanes can be left beside "SLOT2" alone, so beside "SLOT3" and "SLOT2" it must be fewer
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT3", "SLOT2"], lanes = 8}, {filled = ["SLOT2"], lanes = 8}] #!

slot[0].lanes_while[1].lanes: 8 lanes are left beside "SLOT2" too; write the same splits at both
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT2"], lanes = 8, splits = ["4+4"]}, {filled = ["SLOT3"], lanes = 8}] #!

slot[4].lanes_while[0].splits: only slots for cards have this, and "M2-A" takes a drive
- lengths = ["2242", "2260", "2280"]
+ lanes_while = [{filled = ["SLOT4"], lanes = 2, splits = ["1+1"]}] #!

slot[0].lanes_while[0].lanes: "SLOT1" and "SLOT3" would leave each other without lanes; write 0 only at the one
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT3"], lanes = 0}] #!
- longest_mm = 260
+ lanes_while = [{filled = ["SLOT1"], lanes = 0}]

slot[0].lanes_while[1].lanes: "SLOT1", "SLOT3" and "M2-A" would leave each other without lanes
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["SLOT2"], lanes = 8},
+   {filled = ["SLOT3"], lanes = 0}] #!
- longest_mm = 260
+ lanes_while = [{filled = ["M2-A", "SLOT4"], lanes = 0}]
- lengths = ["2242", "2260", "2280"]
+ lanes_while = [{filled = ["SLOT1"], lanes = 0}]

slot[0].lanes_while[0].lanes: "preview display" stays here without lanes, as "boot" stays too; let one of them move
- covers = ["SLOT2"]
+ lanes_while = [{filled = ["M2-B"], lanes = 0}] #!
- slot = "M2-B"
+ slot = "M2-B"
+ stays = true

drive[0].slot: no slot is called "M2-C"; did you mean "M2-
- slot = "M2-B"
+ slot = "M2-C" #!

card[1].slot: no slot is called "window sill"; the sheet has "SLOT1", "SLOT2", "SLOT3", "SLOT4", "M2-A", "M2-B"
- slot = "SLOT4"
+ slot = "window sill" #!

drive[1].card: no card is called "single carier"; did you mean "single carrier"
- card = "single carrier"
+ card = "single carier" #!

stripe[0].drives[3]: no drive is called "scratch-5"; did you mean "scratch-
- drives = ["scratch-1", "scratch-2", "scratch-3", "scratch-4"]
+ drives = ["scratch-1", "scratch-2", "scratch-3", "scratch-5"] #!

need[0].stripe: no stripe is called "scratches"; did you mean "scratch"
- stripe = "scratch"
+ stripe = "scratches" #!

need[1].drives[0]: no drive is called "boots"; did you mean "boot"
- drives = ["boot"]
+ drives = ["boots"] #!

need[2].cards[0]: no card is called "display"; did you mean "preview display"
- cards = ["preview display"]
+ cards = ["display"] #!

need[2].in_slot: no slot is called "SLOT 1"; did you mean "SLOT1"
- in_slot = "SLOT1"
+ in_slot = "SLOT 1" #!

slot[3].lanes: 16 lanes cannot be wired to a connector of 8
- connector = 8
- lanes = 4
+ connector = 8
+ lanes = 16 #!

slot[4].splits: only slots for cards have this, and "M2-A" takes a drive
- lengths = ["2242", "2260", "2280"]
+ splits = ["2+2"] #!

slot[4].covers: only slots for cards have this, and "M2-A" takes a drive
- lengths = ["2242", "2260", "2280"]
+ covers = ["SLOT2"] #!

slot[2].lengths: only M.2 sockets have this, and "SLOT3" is none
- longest_mm = 260
+ lengths = ["2280"] #!

card[1].lanes: 8 lanes do not fit on a card's edge of size 4
- kind = "carrier-1-x4-gen3"
+ kind = "carrier-1-x4-gen3"
+ lanes = 8 #!

card[1].connector: 4 lanes do not fit on a card's edge of size 1
- kind = "carrier-1-x4-gen3"
+ kind = "carrier-1-x4-gen3"
+ connector = 1 #!

card[1].bays: a carrier has at least one bay; write bays too
- kind = "carrier-1-x4-gen3"
+ kind = "carrier-1-x4-gen3"
+ bays = 0 #!

card[0].carrier: a carrier has at least one bay; write bays too
- kind = "display-x16-gen3"
+ kind = "display-x16-gen3"
+ carrier = "switch" #!

card[1].bays: 2 bays of 4 lanes without a switch need more than the card's 4 lanes
- kind = "carrier-1-x4-gen3"
+ kind = "carrier-1-x4-gen3"
+ bays = 2 #!

card[1].wants_mbps: a carrier wants what its drives want; leave this out
- kind = "carrier-1-x4-gen3"
+ kind = "carrier-1-x4-gen3"
+ wants_mbps = 100 #!

card[1].wants_assumed: no wants_mbps is given that could be assumed; write it, or leave this out
- kind = "carrier-1-x4-gen3"
+ kind = "carrier-1-x4-gen3"
+ wants_assumed = true #!

card[1].bay_lengths: only bays for M.2 drives have this, and these are for U.2 drives
- kind = "carrier-1-x4-gen3"
+ kind = "carrier-1-x4-gen3"
+ bay_form = "u.2"
+ bay_lengths = ["2280"] #!

card[0].bays: bays are on carriers; write carrier = "passive" or "switch" too
- kind = "display-x16-gen3"
+ kind = "display-x16-gen3"
+ bays = 2 #!

card[0].bay_form: bays are on carriers
- kind = "display-x16-gen3"
+ kind = "display-x16-gen3"
+ bay_form = "u.2" #!

card[0].wants_mbps: 20,000 MB/s are more than its own link carries (15,754 MB/s at 8 GT/s (Gen 3) x16)
- kind = "display-x16-gen3"
+ kind = "display-x16-gen3"
+ wants_mbps = 20000 #!

card[2].stays: "scratch carrier" is in no slot where it could stay; write slot too
- kind = "switch-carrier-4-x8-gen4"
+ kind = "switch-carrier-4-x8-gen4"
+ stays = true #!

card[2].slot: "SLOT4" holds "single carrier" already, and a slot takes one card
- kind = "switch-carrier-4-x8-gen4"
+ kind = "switch-carrier-4-x8-gen4"
+ slot = "SLOT4" #!

card[2].slot: "M2-A" takes a drive (m.2), not a card
- kind = "switch-carrier-4-x8-gen4"
+ kind = "switch-carrier-4-x8-gen4"
+ slot = "M2-A" #!

card[0].slot: "preview display" is 2 places wide and hides "SLOT2", where "single carrier" is
- kind = "display-x16-gen3"
- slot = "SLOT1"
+ kind = "display-wide-x16-gen3"
+ slot = "SLOT1" #!
- slot = "SLOT4"
+ slot = "SLOT2"

drive[0].slot: "SLOT3" takes cards; write the card and bay that the drive is in
- slot = "M2-B"
+ slot = "SLOT3" #!

drive[0].slot: "M2-B" takes M.2 drives, not U.2
- slot = "M2-B"
+ slot = "M2-B" #!
+ form = "u.2"

drive[0].slot: "boot" cannot be in a slot and on the card "single carrier" at once
- slot = "M2-B"
+ slot = "M2-B" #!
+ card = "single carrier"

drive[0].bay: a bay is one of a card; write card too
- slot = "M2-B"
+ bay = 1 #!

drive[0].stays: "boot" has no place where it could stay; write slot, or card and bay
- slot = "M2-B"
+ stays = true #!

drive[0].card: "preview display" has no bays
- slot = "M2-B"
+ card = "preview display" #!
+ bay = 1

drive[0].length: only M.2 drives have a length code, and this is a U.2 drive
- slot = "M2-B"
+ form = "u.2"
+ length = "2280" #!

drive[1].write_mbps: 3,939 MB/s are more than its own link carries (3,938 MB/s at 8 GT/s (Gen 3) x4)
- write_mbps = 1800
+ write_mbps = 3939 #!

drive[1].bay: there is no bay 2: "single carrier" has one bay
- bay = 1
+ bay = 2 #!

drive[1].bay: 0 is not a bay's number from 1 to 64
- bay = 1
+ bay = 0 #!

drive[1].card: the bays of "single carrier" take M.2 drives, not U.2
- card = "single carrier"
+ form = "u.2"
+ card = "single carrier" #!

drive[2].slot: "M2-B" holds "boot" already
- name = "scratch-1"
+ name = "scratch-1"
+ slot = "M2-B" #!

drive[2].bay: bay 1 of "single carrier" holds "archive" already
- name = "scratch-1"
+ name = "scratch-1"
+ card = "single carrier"
+ bay = 1 #!

drive[2].card: "single carrier" has one bay, and more drives are said to be on it
- name = "scratch-1"
+ name = "scratch-1"
+ card = "single carrier" #!

stripe[0].drives: RAID 0 takes at least 2 drives, and 1 is named
- drives = ["scratch-1", "scratch-2", "scratch-3", "scratch-4"]
+ drives = ["scratch-1"] #!

stripe[0].drives: RAID 5 takes at least 3 drives, and 2 are named
- raid = 0
- drives = ["scratch-1", "scratch-2", "scratch-3", "scratch-4"]
+ raid = 5
+ drives = ["scratch-1", "boot"] #!

stripe[0].drives: RAID 10 takes drives in pairs, and 5 are named
- raid = 0
- drives = ["scratch-1", "scratch-2", "scratch-3", "scratch-4"]
+ raid = 10
+ drives = ["scratch-1", "scratch-2", "scratch-3", "scratch-4", "boot"] #!

stripe[0].drives[2]: "scratch-1" stands here twice
- drives = ["scratch-1", "scratch-2", "scratch-3", "scratch-4"]
+ drives = ["scratch-1", "scratch-2", "scratch-1", "scratch-4"] #!

need[1]: the need asks for nothing; write one of read_mbps, write_mbps, not_on_split, not_behind_switch
- [[need]]
- name = "start without a split slot"
- drives = ["boot"]
- not_on_split = true
+ [[need]] #!
+ name = "start without a split slot"
+ drives = ["boot"]
+ not_on_split = false

need[2]: the need asks for nothing; write in_slot, the slot that the card must be in
- [[need]]
- name = "display where its cables reach"
+ [[need]] #!
+ name = "display where its cables reach"
- in_slot = "SLOT1"

need[1]: a need is one of either stripe, drives or cards; write one of these three
- [[need]]
- name = "start without a split slot"
- drives = ["boot"]
+ [[need]] #!
+ name = "start without a split slot"
+ drives = []

need[1].drives: a need is one of either stripe, drives or cards
- drives = ["boot"]
+ stripe = "scratch"
+ drives = ["boot"] #!

need[1].cards: a need is one of either stripe, drives or cards
- drives = ["boot"]
+ cards = ["single carrier"] #!
+ drives = ["boot"]

need[1].in_slot: this is for cards
- drives = ["boot"]
+ drives = ["boot"]
+ in_slot = "SLOT1" #!

need[1].drives[1]: "boot" stands here twice
- drives = ["boot"]
+ drives = [
+   "boot",
+   "boot", #!
+ ]

need[1].not_behind_switch: "boot" stays on "scratch carrier", which is a packet switch
- slot = "M2-B"
+ card = "scratch carrier"
+ stays = true
- not_on_split = true
+ not_behind_switch = true #!

need[0].not_behind_switch: "scratch-3" stays on "scratch carrier", which is a packet switch
- name = "scratch-3"
+ name = "scratch-3"
+ card = "scratch carrier"
+ bay = 4
+ stays = true
- write_mbps = 5000
+ not_behind_switch = true #!

need[2].read_mbps: this is asked of drives; for a card, write wants_mbps where the card is
- in_slot = "SLOT1"
+ in_slot = "SLOT1"
+ read_mbps = 100 #!

need[2].not_behind_switch: this is asked of drives
- in_slot = "SLOT1"
+ in_slot = "SLOT1"
+ not_behind_switch = true #!

need[2].in_slot: "M2-A" takes a drive (m.2), not a card
- in_slot = "SLOT1"
+ in_slot = "M2-A" #!

need[2].in_slot: "preview display" cannot be in "SLOT3", as it must be in "SLOT1": it stays where it is
- in_slot = "SLOT1"
+ in_slot = "SLOT3" #!

need[2].cards: 2 cards cannot all be in "SLOT1"
- cards = ["preview display"]
+ cards = ["single carrier", "scratch carrier"] #!

need[2].in_slot: "single carrier" cannot be in "SLOT1", as "preview display" must be there: it stays where it is
- cards = ["preview display"]
- in_slot = "SLOT1"
+ cards = ["single carrier"]
+ in_slot = "SLOT1" #!

need[3].in_slot: "single carrier" cannot be in "SLOT4", as it must be in "SLOT3": the need "display where its cables
- cards = ["preview display"]
- in_slot = "SLOT1"
+ cards = ["single carrier"]
+ in_slot = "SLOT3"
+ [[need]]
+ name = "another"
+ cards = ["single carrier"]
+ in_slot = "SLOT4" #!

need[3].in_slot: "scratch carrier" cannot be in "SLOT3", as "single carrier" must be there: the need "display where
- cards = ["preview display"]
- in_slot = "SLOT1"
+ cards = ["single carrier"]
+ in_slot = "SLOT3"
+ [[need]]
+ name = "another"
+ cards = ["scratch carrier"]
+ in_slot = "SLOT3" #!

need[2].in_slot: "preview display" must be in "SLOT1" and hides "SLOT2" there, where "single carrier" must be
- kind = "display-x16-gen3"
+ kind = "display-wide-x16-gen3"
- cards = ["preview display"]
- in_slot = "SLOT1"
+ cards = ["single carrier"]
+ in_slot = "SLOT2" #!

need[3].in_slot: "preview display" must be in "SLOT1" and hides "SLOT2" there, where "single carrier" must be
- kind = "display-x16-gen3"
- slot = "SLOT1"
- stays = true
+ kind = "display-wide-x16-gen3"
- cards = ["preview display"]
- in_slot = "SLOT1"
+ cards = ["single carrier"]
+ in_slot = "SLOT2"
+ [[need]]
+ name = "another"
+ cards = ["preview display"]
+ in_slot = "SLOT1" #!
"""


def cases() -> Iterator[tuple[str, str, str, int]]:
    """Text, key, what is said, and the line at fault counted without any TOML reader, of each case."""
    for case in CASES.strip().split("\n\n"):
        head, *changes = case.splitlines()
        key, _, said = head.partition(": ")
        text = _changed(changes)
        lines = [number for number, line in enumerate(text.splitlines(), 1) if line.endswith(MARK)]
        assert len(lines) == 1, head
        yield text, key, said, lines[0]


def _changed(changes: list[str]) -> str:
    """The good sheet with lines taken out and put in; blank lines and comments of it are dropped first."""
    lines = [line for line in BENCH_1.splitlines() if line and not line.startswith("#")]
    at = begin = 0
    while at < len(changes):
        out = [line[2:] for line in _run(changes, at, "-")]
        at += len(out)
        new = [line[2:] for line in _run(changes, at, "+")]
        at += len(new)
        assert out, changes
        place = next(place for place in range(begin, len(lines)) if lines[place : place + len(out)] == out)
        lines[place : place + len(out)] = new
        begin = place + len(new)
    return "\n".join(lines) + "\n"


def _run(changes: list[str], at: int, sign: str) -> Iterator[str]:
    """The changes of one sign from a place on."""
    for line in changes[at:]:
        if not line.startswith(sign):
            return
        yield line
