"""Text as a workbook can hold it: characters alone, not too long, never a command."""

from __future__ import annotations

import re

LONGEST = 32_767  # UTF-16 units of a cell, as the format counts them
CUT = " … (shortened)"
LINE_ENDS = re.compile("\r\n?")
UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)
"""What XML or a reader's eye cannot have: controls, half characters, turns of the writing's way."""
COMMANDS = ("=", "+", "-", "@", "\t", "\n")  # a text that begins so is marked as a text
MOST_IN_MARGIN = 110  # UTF-16 units of one text above or below a page; the format takes 255 in all
JOINER = "\u2060"  # takes no room
PICTURE = re.compile(r"&(?=G|\[Picture\])")
"""What the writing library takes for a picture, though another ampersand stands before it."""


def plain_text(value: object) -> str:
    r"""A text that a cell can hold: nothing that is not a character, and not too long.

    Examples
    --------
    >>> plain_text("a\x07b\r\nc")
    'a�b\nc'
    """
    return shortened(UNPRINTABLE.sub("\ufffd", LINE_ENDS.sub("\n", str(value))), LONGEST)


def shortened(text: str, most: int) -> str:
    """Text of at most so many UTF-16 units; one that was cut says so."""
    if len(text) <= most // 2 or units_of(text) <= most:
        return text
    kept = text.encode("utf-16-le")[: 2 * (most - len(CUT))].decode("utf-16-le", "ignore")
    return kept + CUT


def units_of(text: str) -> int:
    """Length of a text in UTF-16 units."""
    return len(text.encode("utf-16-le")) // 2


def is_command(text: str) -> bool:
    """Whether a spreadsheet could take a text for a formula where it is typed in again."""
    return text.startswith(COMMANDS)


def is_markup(text: str) -> bool:
    """Whether the writing library would take a text for marked-up text and write it as it is."""
    return text.startswith("<r>") and text.endswith("</r>")


def margin_text(value: object) -> str:
    """A text above or below the page, in which an ampersand is one and nothing else.

    Examples
    --------
    >>> margin_text("Mill & Main")
    'Mill && Main'
    """
    text = " ".join(plain_text(value).split())
    whole = _escaped(text)
    while units_of(whole) > MOST_IN_MARGIN:
        text = text[: len(text) * MOST_IN_MARGIN // units_of(whole) - 1]
        whole = _escaped(text) + "…"
    return whole


def _escaped(text: str) -> str:
    return PICTURE.sub(f"&{JOINER}", text.replace("&", "&&"))
