"""Text from outside: the one rule that makes titles, kinds and names fit to be shown anywhere.

It is applied where text enters: by `hexterra.brief`, and where maps, catalogues and the names of
files are read. What comes after may write it into any file and need not look at it again.
"""

from __future__ import annotations

import unicodedata
from typing import Final

#: They join letters into one sign, as several scripts and many emoji need.
_JOINERS: Final = "\u200c\u200d"
#: Stands for what is no character, as The Unicode Standard 15.0, section 23.8, wants.
REPLACEMENT: Final = "\ufffd"


def cleaned(text: str) -> str:
    r"""Return text as one line of characters that can be seen.

    Line breaks, tabs and other white space become single blanks. Control characters and those
    that only steer how text is laid out, as bidirectional marks do, are left out, but for joiners
    inside words. Lone surrogates and noncharacters become U+FFFD. Letters and their accents are
    composed (Unicode Standard Annex 15, form NFC), so that equal words are equal texts.

    Returns
    -------
    str
        Valid in UTF-8 and in XML 1.0. Cleaning it again changes nothing.

    >>> cleaned("High\x00 road\n \u202eto the ford")
    'High road to the ford'
    """
    words = "".join(map(_cleaned, text)).split()
    return unicodedata.normalize("NFC", " ".join(words)).strip(f" {_JOINERS}")


def cleaned_kind(text: str) -> str:
    """Return what a feature is as `cleaned` does, fit for the lists of kinds in tables.

    Those have semicolons between kinds, so inside one a semicolon before a blank becomes a comma.
    """
    return cleaned(text).replace("; ", ", ")


def _cleaned(letter: str) -> str:
    if letter.isspace():
        return " "
    code, category = ord(letter), unicodedata.category(letter)
    if category == "Cs" or code & 0xFFFE == 0xFFFE or 0xFDD0 <= code <= 0xFDEF:
        return REPLACEMENT
    return "" if category in {"Cc", "Cf"} and letter not in _JOINERS else letter
