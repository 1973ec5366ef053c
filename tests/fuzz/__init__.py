"""Coverage-guided fuzzing of all that reads what others made; what was found once is replayed by tests/test_fuzz.py."""
