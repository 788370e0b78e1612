"""Big letters out of blocks, five lines high, for a state that is read from two metres."""

_GLYPHS = {
    "A": (" ## ", "#  #", "####", "#  #", "#  #"),
    "B": ("### ", "#  #", "### ", "#  #", "### "),
    "C": (" ###", "#   ", "#   ", "#   ", " ###"),
    "D": ("### ", "#  #", "#  #", "#  #", "### "),
    "E": ("####", "#   ", "### ", "#   ", "####"),
    "G": (" ###", "#   ", "# ##", "#  #", " ###"),
    "H": ("#  #", "#  #", "####", "#  #", "#  #"),
    "I": ("#", "#", "#", "#", "#"),
    "L": ("#   ", "#   ", "#   ", "#   ", "####"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "P": ("### ", "#  #", "### ", "#   ", "#   "),
    "R": ("### ", "#  #", "### ", "# # ", "#  #"),
    "S": (" ###", "#   ", " ## ", "   #", "### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "Y": ("#   #", " # # ", "  #  ", "  #  ", "  #  "),
    " ": ("  ", "  ", "  ", "  ", "  "),
}
LINES = 5


def big(text: str) -> list[str]:
    """The text as five lines of blocks. Raises KeyError for a letter that no state has."""
    glyphs = [_GLYPHS[letter] for letter in text]
    return ["  ".join(glyph[line] for glyph in glyphs).replace("#", "█") for line in range(LINES)]
