"""A real kernel on emulated hardware: Debian's own kernel under QEMU, with ports, switches and drives of our choosing.

`kernel` fetches and unpacks the kernel, `boot` runs a guest and commands in it, `racks` describes guests, `edits`
changes what a guest's kernel shows, `record` writes captures of guests to files. `faults` makes readings fail one by
one, and `injection` judges what is then said.
"""
