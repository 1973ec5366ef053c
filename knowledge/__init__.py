"""Facts as data, each with its source: registers, rates, classes, steps. Imports nothing of ours."""
