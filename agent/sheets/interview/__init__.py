"""The dialogue that asks for a first sheet, in the words of a board's manual. Asks nobody itself; yields questions."""
