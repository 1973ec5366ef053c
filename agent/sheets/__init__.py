"""Build sheets: the machine's slots, the parts, where each part goes, and what the drives are needed for."""
