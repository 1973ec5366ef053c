"""Many captures to one table: which card kind runs how in which machine kind, and in how many machines."""
