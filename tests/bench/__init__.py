"""Measurements, run by hand as `python -m tests.bench.start`, `.live` and `.growth`; no test depends on timing."""
