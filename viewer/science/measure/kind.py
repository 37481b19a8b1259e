"""What there is to know about one kind of measurement."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of measurement.

    Attributes
    ----------
    name : str
        As the command line and the ledger write it.
    title : str
        As the window shows it.
    question : str
        The petrologist's question that it answers.
    method : str
        How, in one or two sentences.
    sources : tuple of str
        Published sources of the method.
    caution : str
        What the number could wrongly be taken for, or when it fails.
    inputs : tuple of str
        What is placed or chosen, in order.
    unit : str
        Unit of the value.
    drawn : bool
        It is read off a mark of a few points that is drawn on the map; else it is asked for by a
        request (`viewer.store.requests`) or off the sorted pixels of a region.
    figure : str
        What its figures show; empty where it has none.
    """

    name: str
    title: str
    question: str
    method: str
    sources: tuple[str, ...]
    caution: str
    inputs: tuple[str, ...]
    unit: str
    drawn: bool = True
    figure: str = ""
