"""What a label's text says: its plain words, and whether they are the call."""


def plain(text: str) -> str:
    """Lower-case words without punctuation."""
    return " ".join("".join(c if c.isalnum() or c in "'-" else " " for c in text.lower()).split())


def times_said(text: str, phrase: str) -> int:
    """How often the phrase is said, when nothing else is; otherwise 0."""
    words, one = text.split(), phrase.split()
    times, rest = divmod(len(words), len(one))
    return times if times and not rest and words == one * times else 0
