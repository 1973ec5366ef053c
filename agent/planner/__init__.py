"""The planner: which part goes into which slot, proved best. A sheet becomes a problem, and its answer a plan."""
