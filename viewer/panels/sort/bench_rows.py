"""What the lists of the sort bench show, read from the desk."""

from __future__ import annotations

from viewer.desk.desk import Desk
from viewer.desk.phase_image import PhaseImage
from viewer.desk.phases_picture import UNSORTED_COLOUR
from viewer.panels.sort import phase_edits as edits
from viewer.panels.sort.phase_list import UNSORTED, PhaseRow
from viewer.panels.sort.population_counts import PopulationCounts
from viewer.panels.sort.population_list import PopulationRow
from viewer.panels.sort.population_words import axes_of, described, icon_of
from viewer.science.sort.scheme import Painted, Scheme

Rgb = tuple[int, int, int]


def phase_rows(desk: Desk, scheme: Scheme, image: PhaseImage | None, *, stale: bool) -> list[PhaseRow]:
    """Rows of the list of phases; what is left comes last.

    Parameters
    ----------
    image : PhaseImage or None
        What the map was last sorted into.
    stale : bool
        The scheme has changed since.
    """
    total = 0 if image is None else image.inside
    rows = []
    for phase in scheme.phases:
        pixels = None
        if image is not None and phase.id in image.ids:
            pixels = int(image.pixels[image.label(phase.id)])
        rule = rule_words(scheme, phase.rules)
        rows.append(
            PhaseRow(
                phase.id,
                phase.name,
                desk.sorting.colour(phase.name),
                pixels,
                total,
                stale,
                "" if phase.rules else "no rule",
                f"Rule: {rule}" if rule else "It has no rule, so it holds no pixel",
            )
        )
    if rows:
        left = None if image is None else image.unsorted
        rows.append(PhaseRow(UNSORTED, "Unsorted", UNSORTED_COLOUR, left, total, stale))
    return rows


def population_rows(
    desk: Desk,
    map_id: str,
    scheme: Scheme,
    counts: PopulationCounts | None,
    *,
    shown: str | None,
    edited: str | None,
) -> list[PopulationRow]:
    """Rows of the list of populations.

    Parameters
    ----------
    counts : PopulationCounts or None
        None where nobody looks, so that nothing is counted.
    shown, edited : str or None
        Id of the population that is kept lit, and of the one whose outline has handles.
    """
    rows = []
    for population in scheme.populations:
        gate = population.gate
        users = edits.users(scheme, population.id)
        trouble = "" if counts is None else counts.trouble(map_id, gate)
        pixels = None if counts is None or trouble else counts.of(map_id, population)
        rows.append(
            PopulationRow(
                population.id,
                population.name,
                icon_of(gate),
                axes_of(gate),
                described(gate),
                pixels,
                population.inverted,
                population.id == shown,
                population.id == edited,
                tuple(desk.sorting.colour(p.name) for p in users),
                ", ".join(p.name for p in users),
                trouble,
            )
        )
    return rows


def painted_groups(desk: Desk, map_id: str | None, scheme: Scheme) -> tuple[tuple[Painted, Rgb], ...]:
    """What is painted on a map, each population in the colour of the first phase that uses it."""
    groups = []
    for population in scheme.populations:
        if isinstance(population.gate, Painted) and population.gate.map == map_id:
            users = edits.users(scheme, population.id)
            groups.append((population.gate, desk.sorting.colour(users[0].name if users else "")))
    return tuple(groups)


def rule_words(scheme: Scheme, rules: edits.Rules) -> str:
    """Rules as a sentence, with the names of the populations."""
    names = {p.id: p.name for p in scheme.populations}
    return edits.words(rules, lambda i: names.get(i, "?"))
