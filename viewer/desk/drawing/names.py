"""Names of what is drawn: unique on a map, whatever the case of their letters."""

from __future__ import annotations

import re
from collections.abc import Iterable

from viewer.errors import InputError

LONGEST_NAME = 200
"""Letters that a name has at most."""


def checked_name(name: str, taken: Iterable[str], what: str) -> str:
    """A name without spaces at its ends.

    Raises
    ------
    InputError
        It is empty, too long or taken.
    """
    name = name.strip()
    if not name:
        raise InputError(f"A {what} needs a name.")
    if len(name) > LONGEST_NAME:
        raise InputError(f"A name has at most {LONGEST_NAME} letters; this one has {len(name)}.")
    if name.casefold() in {t.strip().casefold() for t in taken}:
        raise InputError(
            f"«{name}» is taken.", hint="Names on a map differ, since measurements ask by name."
        )
    return name


def free_name(word: str, taken: Iterable[str], *, first: int = 1, bare: bool = False) -> str:
    """A name that none has yet: the word, and one more than the highest number so far.

    Parameters
    ----------
    first : int
        Lowest number.
    bare : bool
        The word alone will do where none has it.
    """
    word = word.strip()[: LONGEST_NAME - 8]
    names = {t.strip().casefold() for t in taken}
    if bare and word.casefold() not in names:
        return word
    lowest = max(first, 2) if bare else first
    found = (re.fullmatch(rf"{re.escape(word.casefold())} (\d{{1,6}})", n) for n in names)
    return f"{word} {max((int(f[1]) + 1 for f in found if f), default=lowest)}"
