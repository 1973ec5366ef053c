"""Field notes on a machine: which of them hold for which of its parts, and which contradict each other."""
