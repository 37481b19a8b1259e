"""Edits of a scheme's phases and populations: a scheme in, a new scheme out.

Nothing here knows of widgets or of the desk. A scheme that cannot be made (two phases of one name,
too many populations) is refused by `Scheme` itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Literal

from msgspec.structs import replace

from viewer.science.sort.scheme import (
    Cleaning,
    Gate,
    Phase,
    Population,
    Scheme,
    Term,
)

Rules = tuple[tuple[Term, ...], ...]
Join = Literal["or", "and", "not"]
"""How a population joins the rules of a phase: as one more way in, or as a condition on every one."""


def free_name(wanted: str, taken: Iterable[str]) -> str:
    """The wanted name, or the first of ``wanted 2``, ``wanted 3``, … that nobody has."""
    names = {t.strip().casefold() for t in taken}
    return wanted if wanted.strip().casefold() not in names else numbered(wanted, names, 2)


def numbered(wanted: str, taken: Iterable[str], first: int = 1) -> str:
    """The wanted name with the first number that makes a name that nobody has."""
    names = {t.strip().casefold() for t in taken}
    number = first
    while f"{wanted} {number}".strip().casefold() in names:
        number += 1
    return f"{wanted} {number}"


def named(scheme: Scheme, name: str) -> Phase | None:
    """The phase of a name, whatever the case of its letters."""
    wanted = name.strip().casefold()
    return next((p for p in scheme.phases if p.name.strip().casefold() == wanted), None)


def find_population(scheme: Scheme, population_id: str | None) -> Population | None:
    """The population of an id, None where it is gone."""
    return next((p for p in scheme.populations if p.id == population_id), None)


def find_phase(scheme: Scheme, phase_id: str | None) -> Phase | None:
    """The phase of an id, None where it is gone."""
    return next((p for p in scheme.phases if p.id == phase_id), None)


def users(scheme: Scheme, population_id: str) -> tuple[Phase, ...]:
    """The phases whose rules name a population."""
    return tuple(
        p for p in scheme.phases if any(t.population == population_id for r in p.rules for t in r)
    )


# -- populations --------------------------------------------------------------------------------


def add_population(scheme: Scheme, population: Population) -> Scheme:
    """Put a population at the end of the list."""
    return replace(scheme, populations=(*scheme.populations, population))


def change_population(
    scheme: Scheme,
    population_id: str,
    *,
    name: str | None = None,
    gate: Gate | None = None,
    inverted: bool | None = None,
) -> Scheme:
    """Rename, redraw or invert a population; what is left out stays."""

    def changed(p: Population) -> Population:
        return replace(
            p,
            name=p.name if name is None else name,
            gate=p.gate if gate is None else gate,
            inverted=p.inverted if inverted is None else inverted,
        )

    return replace(
        scheme,
        populations=tuple(changed(p) if p.id == population_id else p for p in scheme.populations),
    )


def duplicate_population(scheme: Scheme, population_id: str, new_id: str) -> Scheme:
    """Put a copy of a population below it."""
    old = scheme.population(population_id)
    copy = replace(old, id=new_id, name=free_name(old.name, (p.name for p in scheme.populations)))
    at = scheme.populations.index(old) + 1
    return replace(
        scheme, populations=(*scheme.populations[:at], copy, *scheme.populations[at:])
    )


def delete_population(scheme: Scheme, population_id: str) -> Scheme:
    """Take a population away, and out of every rule; a rule that it alone made goes with it."""
    phases = tuple(
        replace(p, rules=without(p.rules, lambda t: t.population == population_id))
        for p in scheme.phases
    )
    kept = tuple(p for p in scheme.populations if p.id != population_id)
    return replace(scheme, phases=phases, populations=kept)


# -- rules --------------------------------------------------------------------------------------


def without(rules: Rules, unwanted: Callable[[Term], bool]) -> Rules:
    """The rules without some terms; a rule that is left without any is no rule."""
    thinned = (tuple(t for t in rule if not unwanted(t)) for rule in rules)
    return tuple(rule for rule in thinned if rule)


def joined(rules: Rules, population_id: str, join: Join) -> Rules:
    """Let a population join the rules of a phase.

    Parameters
    ----------
    join : str
        ``or``: one more rule of it alone. ``and``, ``not``: every rule needs it, or needs not to be in
        it. Where there is no rule yet, one is made of it alone.
    """
    term = Term(population=population_id, negated=join == "not")
    if join == "or" or not rules:
        return rules if (term,) in rules else (*rules, (term,))
    return tuple(rule if term in rule else (*rule, term) for rule in rules)


def with_term(rules: Rules, group: int, term: Term) -> Rules:
    """Put one more term into a rule; one past the last makes a new rule."""
    if group >= len(rules):
        return (*rules, (term,))
    if any(t.population == term.population for t in rules[group]):
        return rules
    return (*rules[:group], (*rules[group], term), *rules[group + 1 :])


def flipped(rules: Rules, group: int, place: int) -> Rules:
    """Turn a term of a rule into its contrary."""
    rule = rules[group]
    term = rule[place]
    turned = Term(population=term.population, negated=not term.negated)
    return (*rules[:group], (*rule[:place], turned, *rule[place + 1 :]), *rules[group + 1 :])


def dropped(rules: Rules, group: int, place: int) -> Rules:
    """Take a term out of a rule."""
    rule = rules[group]
    left = (*rule[:place], *rule[place + 1 :])
    return (*rules[:group], *((left,) if left else ()), *rules[group + 1 :])


def words(rules: Rules, name: Callable[[str], str]) -> str:
    """A phase's rules as a sentence.

    Parameters
    ----------
    name : callable (population id) -> str
    """
    def said(term: Term) -> str:
        return ("not " if term.negated else "") + name(term.population)

    return "; or ".join(" and ".join(said(t) for t in rule) for rule in rules)


# -- phases -------------------------------------------------------------------------------------


def add_phase(scheme: Scheme, phase: Phase) -> Scheme:
    """Put a phase at the end of the order."""
    return replace(scheme, phases=(*scheme.phases, phase))


def change_phase(
    scheme: Scheme, phase_id: str, *, rules: Rules | None = None, cleaning: Cleaning | None = None
) -> Scheme:
    """Give a phase other rules or another cleaning; what is left out stays."""

    def changed(p: Phase) -> Phase:
        return replace(
            p,
            rules=p.rules if rules is None else rules,
            cleaning=p.cleaning if cleaning is None else cleaning,
        )

    return replace(
        scheme, phases=tuple(changed(p) if p.id == phase_id else p for p in scheme.phases)
    )


def duplicate_phase(scheme: Scheme, phase_id: str, new_id: str) -> Scheme:
    """Put a copy of a phase below it, with a name of its own."""
    old = scheme.phase(phase_id)
    copy = replace(
        old, id=new_id, name=free_name(f"{old.name} copy", (p.name for p in scheme.phases))
    )
    at = scheme.phases.index(old) + 1
    return replace(scheme, phases=(*scheme.phases[:at], copy, *scheme.phases[at:]))


def delete_phase(scheme: Scheme, phase_id: str) -> Scheme:
    """Take a phase away; the populations that it was made from stay."""
    return replace(scheme, phases=tuple(p for p in scheme.phases if p.id != phase_id))


def move_phase(scheme: Scheme, phase_id: str, to: int) -> Scheme:
    """Bring a phase to a place in the order, counted with the phase taken out."""
    phase = scheme.phase(phase_id)
    others = [p for p in scheme.phases if p.id != phase_id]
    others.insert(max(0, min(to, len(others))), phase)
    return replace(scheme, phases=tuple(others))
