"""Judgement and words: topology, verdicts, rules, advice, reports, commands."""

__version__ = "0.1.0"
