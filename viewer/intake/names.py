"""Element and line from the names that files, pages and datasets carry.

A name is cut into words, each word gets a *reading* (an element with its line, an element by its
atomic number, a bare symbol, a signal such as ``BSE``), and the strongest reading wins. Symbols
that are everyday words or letters (``In``, ``As``, ``At``, ``No``, ``I``, ``B``) weigh little and
count only where the name ends with them. Where two elements would win equally, none is guessed:
the user can name a channel, but may not notice a wrong guess.

In a list of names, a word that all of them share names the sample, not the element.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from viewer.intake.periodic import NUMBERS, SYMBOLS


@dataclass(frozen=True)
class Named:
    """What a name says.

    Attributes
    ----------
    name : str
        Short name for the channel, unique within a list.
    element, line : str or None
        ``'Fe'``, and ``'K'`` or ``'Ka1'`` where told.
    number : int or None
        Atomic number of the element.
    unit : str
        ``'wt%'``, ``'at%'``, ``'counts'``, ``'cps'`` where the name tells, else ``''``.
    note : str or None
        Why the name is not what the file says.
    """

    name: str
    element: str | None = None
    line: str | None = None
    number: int | None = None
    unit: str = ""
    note: str | None = None


#: The heaviest element found in rocks; beyond it a symbol is a word (No, Es, Am, Md).
_HEAVIEST: Final = 92


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


_NOT_IN_ROCKS: Final = _set("Tc Pm Po At Rn Fr Ra Ac Pa He Ne Kr Xe")
#: Symbols that are also everyday words or abbreviations in names of files.
_WORDS: Final = _set("In As Be Se La Os Er Ho Sc Sm Pr Eu Re Lu") | _NOT_IN_ROCKS
#: Two-letter symbols so usual in maps of rocks that they are known in lower case too.
_USUAL: Final = _set(
    "Na Mg Al Si Cl Ca Ti Cr Mn Fe Co Ni Cu Zn Rb Sr Zr Nb Ba Ce Pb Pt Pd Rh Ru Ir Au Ag Hf Th Bi "
    "Mo Sn Sb Te As Se La Nd Ga Ge"
)
_SIGNALS: Final = {
    "BSE": "BSE", "BEI": "BSE", "SE": "SE", "SEI": "SE", "CL": "CL", "PPL": "PPL", "XPL": "XPL",
    "SUM": "Sum", "TOTAL": "Total",
}  # fmt: skip
#: Words that say nothing about which channel this is.
_NOISE: Final = _set(
    "map maps image images img channel channels ch page band series line lines intensity net raw "
    "element signal counts count cps wt at pct percent norm quant norm window layer data nr"
)
#: A letter that follows one of these numbers a thing: face B, section K.
_LETTERED: Final = _set(
    "face side slab section sample part area run panel block site hole core piece half plate cut "
    "field region zone spot chip stub mount position row column core"
)
_OXIDES: Final = {
    text: element
    for element, texts in {
        "Si": "SiO2", "Ti": "TiO2", "Al": "Al2O3", "Cr": "Cr2O3", "V": "V2O3 V2O5",
        "Fe": "FeO Fe2O3 FeOt FeOT", "Mn": "MnO MnO2", "Mg": "MgO", "Ca": "CaO", "Na": "Na2O",
        "K": "K2O", "P": "P2O5", "S": "SO3 SO2", "Ni": "NiO", "Co": "CoO", "Zn": "ZnO",
        "Ba": "BaO", "Sr": "SrO", "Zr": "ZrO2", "Hf": "HfO2", "Nb": "Nb2O5", "Ta": "Ta2O5",
        "Th": "ThO2", "U": "UO2 UO3 U3O8", "Ce": "Ce2O3 CeO2", "La": "La2O3", "Y": "Y2O3",
        "Rb": "Rb2O", "Pb": "PbO", "Cu": "CuO Cu2O", "Sn": "SnO2",
    }.items()
    for text in texts.split()
}  # fmt: skip

# Lightest elements whose K, L and M lines a detector for rocks can see (common practice).
_LIGHTEST: Final = {"K": 4, "L": 19, "M": 55}

_SUFFIX = re.compile(
    r"(\.ome)?\.(tiff?|btf|png|bmp|jpe?g|csv|txt|tsv|asc|npy|npz|h5|hdf5?|nxs|xml|hmsa|dat)$",
    re.IGNORECASE,
)
_SPLIT = re.compile(r"[\s_\-.,;:()\[\]{}+/\\=|#~]+")
_LINE = re.compile(r"^([KLM])(?:(a|b|g|alpha|beta|gamma)(\d{0,2}))?$")
_GLUED = re.compile(r"^([A-Z][a-z]?)([KLM])(?:(a|b|g|alpha|beta|gamma)(\d{0,2}))?$")
_NUMBERED = re.compile(r"^(?:(\d{1,3})([A-Z][a-z]?)|([A-Z][a-z]?)(\d{1,3}))$")
_UNITS: Final = (
    (re.compile(r"(?<![a-z])(wt|mass)[\s_.-]*(%|pct|percent)", re.IGNORECASE), "wt%"),
    (re.compile(r"(?<![a-z])at[\s_.-]*(%|pct|percent)", re.IGNORECASE), "at%"),
    (re.compile(r"(?<![a-z])cps(?![a-z])", re.IGNORECASE), "cps"),
    (re.compile(r"(?<![a-z])counts(?![a-z])", re.IGNORECASE), "counts"),
)

# How strong a reading is.
_WITH_LINE, _BY_NUMBER, _SYMBOL, _SIGNAL, _CASELESS, _WORDLIKE = 6, 5, 4, 3, 2, 1


@dataclass(frozen=True)
class _Word:
    text: str
    common: bool = False  # shared by all names of the list


@dataclass(frozen=True)
class _Reading:
    strength: int
    name: str
    element: str | None
    line: str | None


def name(text: str) -> Named:
    """Read one name.

    Parameters
    ----------
    text : str
        A file's, page's or dataset's name, or a label from metadata.

    Returns
    -------
    Named

    Examples
    --------
    >>> name('slab3-Fe-K.tif').element, name('slab3-Fe-K.tif').line
    ('Fe', 'K')
    """
    return name_all([text])[0]


def name_all(texts: Sequence[str]) -> list[Named]:
    """Read the names of channels that belong together.

    Parameters
    ----------
    texts : sequence of str

    Returns
    -------
    list of Named
        One for each name, in their order; the short names are unique.
    """
    split = [_words(text) for text in texts]
    marked = _mark_common(split)
    capitals = _all_capitals(marked)
    read = [_read(words, capitals) for words in marked]
    if len(texts) > 1 and not any(_strong(reading) for reading in read):
        # The shared word may be the element after all: 'Fe face A', 'Fe face B'.
        plain = [[_Word(word) for word in words] for words in split]
        again = [_strong(_read(words, capitals=False)) for words in plain]
        if sum(map(bool, again)) > sum(map(bool, read)):
            read = again
    named = [
        _named(text, words, reading) for text, words, reading in zip(texts, marked, read, strict=True)
    ]
    return _distinct(_tell_lines_apart(named))


def _words(text: str) -> list[str]:
    """Cut a name into words, Greek letters and spelt-out lines made plain."""
    text = unicodedata.normalize("NFKC", text).strip()
    text = re.split(r"[\\/]", text)[-1] or text
    text = _SUFFIX.sub("", text)
    text = text.replace("α", "a").replace("β", "b").replace("γ", "g")
    # 'Ka1,2' is the unresolved doublet: the line is Ka.
    text = re.sub(r"(?<=[KLM][abg])1[,+]2", "", text)
    # 'K-alpha', 'K_alpha1', 'K alpha' are one word; so is 'K-L3' the K line in IUPAC's notation.
    text = re.sub(r"(?<![A-Za-z])([A-Z][a-z]?)?([KLM])[\s_-]?(alpha|beta|gamma)", r"\1 \2\3", text)
    text = re.sub(r"(?<![A-Za-z])([KLM])-[LMN][1-7](?!\w)", r"\1", text)
    # 'FeKline' and 'Kaseries' are two words, 'proline' and 'saline' are one.
    text = re.sub(r"(?<![a-z])([A-Z][a-z]?)?([KLM][abg]?\d*)(series|line)\b", r"\1\2 \3", text)
    return [word for word in _SPLIT.split(text) if word]


def _mark_common(names: list[list[str]]) -> list[list[_Word]]:
    """Mark the words that all names share, each as often as all of them hold it.

    A shared ending or beginning is marked where it stands, so that of ``K-K`` beside ``Fe-K`` it
    is the second K, the line, that is shared.
    """
    if len(names) < 2:
        return [[_Word(word) for word in words] for words in names]
    shared: Counter[str] = Counter(names[0])
    for words in names[1:]:
        shared &= Counter(words)
    tail = _same_start([words[::-1] for words in names])
    head = min(_same_start(names), min(len(words) for words in names) - tail)
    marked = []
    for words in names:
        left = shared.copy()
        flags = [False] * len(words)
        edges = [*range(len(words) - tail, len(words)), *range(head)]
        for at in [*edges, *range(len(words))]:
            if not flags[at] and left[words[at]] > 0:
                left[words[at]] -= 1
                flags[at] = True
        marked.append([_Word(word, flag) for word, flag in zip(words, flags, strict=True)])
    return marked


def _same_start(names: list[list[str]]) -> int:
    n = 0
    for column in zip(*names, strict=False):
        if len(set(column)) > 1:
            break
        n += 1
    return n


def _all_capitals(names: list[list[_Word]]) -> bool:
    """Whether a list spells its symbols FE, SI, MG: then CO is cobalt and CL chlorine."""
    upper = {
        word.text
        for words in names
        for word in words
        if not word.common and len(word.text) == 2 and word.text.isupper()
        and word.text.capitalize() in _USUAL and word.text not in _SIGNALS and word.text != "CO"
    }  # fmt: skip
    mixed = any(
        not word.common and len(word.text) == 2 and word.text in _USUAL
        for words in names
        for word in words
    )
    return len(upper) >= 2 and not mixed


def _read(words: list[_Word], capitals: bool) -> _Reading | None:
    """The strongest reading of a name, or None where none or several win."""
    last = max((i for i, w in enumerate(words) if not _says_nothing(w)), default=-1)
    readings = []
    for at, word in enumerate(words):
        if word.common:
            continue
        before = words[at - 1] if at else _Word("")
        after = words[at + 1] if at + 1 < len(words) else _Word("")
        reading = _reading(word.text, before, after, at == last, capitals)
        if reading is not None:
            readings.append((at, reading))
    # 'Fe La': La was the line of Fe, and is not lanthanum as well.
    taken = {
        at + 1
        for at, r in readings
        if r.strength == _WITH_LINE and at + 1 < len(words) and _line(words[at + 1].text)
        and not _GLUED.match(words[at].text)
    }  # fmt: skip
    kept = [r for at, r in readings if at not in taken]
    if not kept:
        return None
    best = max(r.strength for r in kept)
    winners = {(r.name, r.element): r for r in kept if r.strength == best}
    return next(iter(winners.values())) if len(winners) == 1 else None


def _says_nothing(word: _Word) -> bool:
    """Digits, noise words and lines do not stop a symbol from being the last word."""
    return word.text.isdigit() or word.text.lower() in _NOISE or word.text == "%" or word.common


def _reading(word: str, before: _Word, after: _Word, is_last: bool, capitals: bool) -> _Reading | None:
    if capitals and len(word) == 2 and word.isupper() and word != "SE":  # SE is no selenium
        symbol = word.capitalize()
        if symbol in _USUAL:
            line = _line_of(symbol, after)
            return _Reading(_WITH_LINE if line else _SYMBOL, symbol, symbol, line)
    if word in _OXIDES:
        return _Reading(_BY_NUMBER, word, _OXIDES[word], None)
    if word in _SIGNALS:
        return _Reading(_SIGNAL, _SIGNALS[word], None, None)
    if match := _GLUED.match(word):
        line = _line(word[match.end(1) :])
        if line and match.group(1) in NUMBERS and _has_line(match.group(1), line):
            return _Reading(_WITH_LINE, match.group(1), match.group(1), line)
    if match := _NUMBERED.match(word):
        symbol, digits = match.group(2) or match.group(3), match.group(1) or match.group(4)
        return _numbered(symbol, int(digits))
    if word in NUMBERS:
        return _bare(word, before, after, is_last)
    if len(word) == 2 and word.islower() and word.capitalize() in _USUAL:
        symbol = word.capitalize()
        if symbol in _WORDS:
            return _Reading(_WORDLIKE, symbol, symbol, None) if not before.text and is_last else None
        return _Reading(_CASELESS, symbol, symbol, _line_of(symbol, after))
    if len(word) == 2 and word.isupper() and word.capitalize() in _USUAL - _WORDS and word != "CO":
        symbol = word.capitalize()
        return _Reading(_CASELESS, symbol, symbol, _line_of(symbol, after))
    return None


def _bare(symbol: str, before: _Word, after: _Word, is_last: bool) -> _Reading | None:
    """A symbol that stands alone, judged by the words beside it."""
    number = NUMBERS[symbol]
    line = _line_of(symbol, after)
    lettered = len(symbol) == 1 and before.text.lower() in _LETTERED
    if line and not lettered:
        return _Reading(_WITH_LINE, symbol, symbol, line)
    if number > 4 and str(number) in (before.text.lstrip("0"), after.text.lstrip("0")):
        return _Reading(_BY_NUMBER, symbol, symbol, None)
    if number > _HEAVIEST or symbol in _NOT_IN_ROCKS:
        return None
    if len(symbol) == 1:
        coded = _is_letter(before) or _is_letter(after)
        if lettered or coded or not is_last:
            return None
        return _Reading(_WORDLIKE, symbol, symbol, None)
    if symbol in _WORDS:
        return _Reading(_WORDLIKE, symbol, symbol, None) if is_last else None
    return _Reading(_SYMBOL, symbol, symbol, None)


def _is_letter(word: _Word) -> bool:
    """One capital beside another is a code, unless it is the symbol of a line: A-B, but not S-K."""
    text = word.text
    return len(text) == 1 and "A" <= text <= "Z" and text not in "KLM" and not word.common


def _numbered(symbol: str, digits: int) -> _Reading | None:
    """``26Fe``, ``Fe26`` and isotopes (``57Fe``, ``Si29``); else a code such as B12 or Fe3."""
    number = NUMBERS.get(symbol)
    if number is None or number > _HEAVIEST or symbol in _NOT_IN_ROCKS:
        return None
    if len(symbol) == 1:
        # B12, K4 and S33 are names of samples far more often than isotopes or numbered elements.
        return None
    if digits == number or 1.9 * number <= digits <= 2.7 * number:
        return _Reading(_BY_NUMBER, symbol, symbol, None)
    return _Reading(_WORDLIKE if symbol in _WORDS else _CASELESS, symbol, symbol, None)


def _line_of(symbol: str, after: _Word) -> str | None:
    """The line that the following word names, if the element has it."""
    line = _line(after.text)
    return line if line and _has_line(symbol, line) else None


def _line(word: str) -> str | None:
    """A line in Siegbahn's notation, without spelt-out Greek: ``'Kalpha1'`` is ``'Ka1'``."""
    match = _LINE.match(word)
    if match is None:
        return None
    shell, letter, digit = match.groups()
    if digit == "12":
        digit = ""
    return shell + (letter[0] + digit if letter else "")


def line_name(text: str) -> str | None:
    """A line in plain Siegbahn notation (``'Kα1'`` is ``'Ka1'``), or None if it is none."""
    words = _words(text)
    return _line(words[0]) if words and all(w.lower() in _NOISE for w in words[1:]) else None


def _has_line(symbol: str, line: str) -> bool:
    number = NUMBERS[symbol]
    return _LIGHTEST[line[0]] <= number <= _HEAVIEST


def _strong(reading: _Reading | None) -> _Reading | None:
    return reading if reading and reading.strength >= _SIGNAL else None


def _named(text: str, words: list[_Word], reading: _Reading | None) -> Named:
    unit = next((unit for pattern, unit in _UNITS if pattern.search(text)), "")
    if reading is None:
        own = [word.text for word in words if not word.common]
        telling = [word for word in own if not word.isdigit()]
        # Without a telling word of its own, a channel keeps its whole name: 'scene band 2'.
        kept = own if telling and len(own) < len(words) else [word.text for word in words]
        return Named(" ".join(kept) or text.strip() or "channel", unit=unit)
    if reading.name in _OXIDES and not unit:
        unit = "wt%"
    number = NUMBERS[reading.element] if reading.element else None
    return Named(reading.name, reading.element, reading.line, number, unit)


def _tell_lines_apart(named: list[Named]) -> list[Named]:
    """``Pb La`` and ``Pb Ma`` where one element was mapped on several lines."""
    lines: dict[str, set[str | None]] = {}
    for item in named:
        if item.element == item.name and item.element:
            lines.setdefault(item.element, set()).add(item.line)
    return [
        replace(item, name=f"{item.name} {item.line}")
        if item.line and item.name == item.element and len(lines[item.element]) > 1
        else item
        for item in named
    ]


def _distinct(named: list[Named]) -> list[Named]:
    """Number the names that occur again; a numbered name never meets one that is there already."""
    taken = {item.name for item in named}
    seen: set[str] = set()
    out = []
    for item in named:
        if item.name not in seen:
            seen.add(item.name)
            out.append(item)
            continue
        n = 2
        while f"{item.name} ({n})" in taken:
            n += 1
        fresh = f"{item.name} ({n})"
        taken.add(fresh)
        seen.add(fresh)
        note = f"Another channel is named {item.name} too; this one became {fresh}."
        out.append(replace(item, name=fresh, note=note))
    return out


def known_elements(texts: Sequence[str]) -> list[str]:
    """Check symbols given by the user, in any case.

    Raises
    ------
    InputError
        Naming the first that is no element.
    """
    from viewer.errors import InputError

    by_case = {symbol.lower(): symbol for symbol in SYMBOLS}
    out = []
    for text in texts:
        symbol = by_case.get(text.strip().lower())
        if symbol is None:
            raise InputError(f"There is no element {text!r}.", where="elements")
        out.append(symbol)
    return out
