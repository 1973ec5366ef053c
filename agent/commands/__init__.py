"""Commands that are modules of their own: their options, and what they do in which order."""
