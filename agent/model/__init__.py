"""The machine as it is, and what can be told of it: topology, verdicts, throughput. Rules and forms read it."""
