"""Tests, with what makes machines for them and holds the pages to the program. Not part of what is installed."""
