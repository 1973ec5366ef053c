"""A soak: temperatures, link state and throughput logged while a workload runs, and what they say afterwards."""
