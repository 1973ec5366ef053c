"""How words become a sentence: for every page, form and screen alike."""


def begun(words: str) -> str:
    """The words with a capital at their beginning."""
    return f"{words[:1].upper()}{words[1:]}"


def sentence(words: str) -> str:
    """The words with a capital and one full stop."""
    return f"{begun(words).rstrip('.')}."
