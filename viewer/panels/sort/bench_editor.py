"""Edits of one map's scheme on the desk: each is one step of undo, or says why it cannot be."""

from __future__ import annotations

from collections.abc import Callable

from msgspec.structs import replace

from viewer.desk.desk import Desk
from viewer.desk.measuring import new_id
from viewer.errors import GrainlightError, InputError
from viewer.panels.sort import phase_edits as edits
from viewer.panels.sort.population_words import first_name
from viewer.science.sort.scheme import Cleaning, Gate, InUnit, Mixed, Phase, Population, Scheme, Term


class Editor:
    """Edits the scheme of the map in hand.

    Attributes
    ----------
    map_id : str or None
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.map_id: str | None = None

    @property
    def scheme(self) -> Scheme:
        """As it is now."""
        return Scheme() if self.map_id is None else self.desk.sorting.scheme(self.map_id)

    def phase(self, phase_id: str | None) -> Phase | None:
        """The phase of an id, None where it is gone."""
        return edits.find_phase(self.scheme, phase_id)

    def population(self, population_id: str | None) -> Population | None:
        """The population of an id, None where it is gone."""
        return edits.find_population(self.scheme, population_id)

    def edit(
        self, label: str, change: Callable[[Scheme], Scheme], merge: str | None = None
    ) -> bool:
        """Change the scheme; True where that worked, else it was said why not."""
        map_id = self.map_id
        if map_id is None:
            return False
        return self.attempt(
            lambda: self.desk.sorting.set_scheme(label, map_id, change(self.scheme), merge=merge)
        )

    def attempt(self, work: Callable[[], object]) -> bool:
        """Do something that may be refused; True where it was not."""
        try:
            work()
        except InputError as error:
            self.desk.said.emit("caution", str(error))
            return False
        except GrainlightError as error:
            self.desk.say(error)
            return False
        return True

    # -- phases ---------------------------------------------------------------------------------

    def add_phase(self) -> str | None:
        """Make a phase without a rule; its id, None where that did not work."""
        name = edits.free_name("New phase", (p.name for p in self.scheme.phases))
        phase = Phase(id=new_id(), name=name)
        done = self.edit(f"New phase {name}", lambda s: edits.add_phase(s, phase))
        return phase.id if done else None

    def duplicate_phase(self, phase_id: str | None) -> str | None:
        """Copy a phase; the id of the copy."""
        old, made = self.phase(phase_id), new_id()
        if old is None:
            return None
        done = self.edit(
            f"Duplicate {old.name}", lambda s: edits.duplicate_phase(s, old.id, made)
        )
        return made if done else None

    def delete_phase(self, phase_id: str) -> bool:
        """Delete a phase; its populations stay."""
        old = self.phase(phase_id)
        return old is not None and self.edit(
            f"Delete phase {old.name}", lambda s: edits.delete_phase(s, old.id)
        )

    def move_phase(self, phase_id: str, to: int) -> None:
        """Bring a phase to a place in the order."""
        if self.scheme.phases.index(self.scheme.phase(phase_id)) != to:
            self.edit("Reorder phases", lambda s: edits.move_phase(s, phase_id, to))

    def rename_phase(self, phase_id: str, name: str) -> None:
        """Rename a phase on every map, and in the key."""
        map_id, other = self.map_id, edits.named(self.scheme, name)
        if other is not None and other.id != phase_id:
            self.desk.said.emit(
                "caution", f"There is a phase «{other.name}» already: choose another name."
            )
        elif map_id is not None:
            self.attempt(lambda: self.desk.sorting.rename_phase(map_id, phase_id, name))

    def set_rules(self, phase_id: str | None, rules: edits.Rules) -> None:
        """Give a phase other rules."""
        phase = self.phase(phase_id)
        if phase is not None:
            self.edit(
                f"Change the rule of {phase.name}",
                lambda s: edits.change_phase(s, phase.id, rules=rules),
            )

    def join(self, population_id: str, phase_id: str, how: edits.Join) -> None:
        """Let a population join the rules of a phase."""
        phase = self.phase(phase_id)
        if phase is not None:
            self.set_rules(phase_id, edits.joined(phase.rules, population_id, how))

    def add_unit(self, phase_id: str | None, group: int, unit: str, *, negated: bool) -> None:
        """Put a rock unit into a rule, as a population that is made for it where there is none."""
        phase = self.phase(phase_id)
        if phase is None:
            return
        gate = InUnit(unit=unit)
        found = next(
            (p for p in self.scheme.populations if p.gate == gate and not p.inverted), None
        )
        population = found or Population(id=new_id(), name=self.free_population(unit), gate=gate)

        def change(scheme: Scheme) -> Scheme:
            if found is None:
                scheme = edits.add_population(scheme, population)
            term = Term(population=population.id, negated=negated)
            return edits.change_phase(
                scheme, phase.id, rules=edits.with_term(phase.rules, group, term)
            )

        self.edit(f"Change the rule of {phase.name}", change)

    def set_cleaning(self, phase_id: str | None, cleaning: Cleaning) -> None:
        """Clean a phase otherwise; what is turned in a row is one step."""
        phase = self.phase(phase_id)
        if phase is not None:
            self.edit(
                f"Clean {phase.name}",
                lambda s: edits.change_phase(s, phase.id, cleaning=cleaning),
                merge=f"clean {phase.id}",
            )

    def set_mixed(self, mixed: Mixed) -> None:
        """Treat mixed edge pixels otherwise."""
        self.edit("Treat mixed pixels", lambda s: replace(s, mixed=mixed), merge="mixed pixels")

    # -- populations ----------------------------------------------------------------------------

    def free_population(self, wanted: str, but: str = "") -> str:
        """A name that no population has, but for one."""
        return edits.free_name(wanted, (p.name for p in self.scheme.populations if p.id != but))

    def first_population(self, gate: Gate) -> str:
        """A name for a population that has none yet: numbered from the first on."""
        return edits.numbered(first_name(gate), (p.name for p in self.scheme.populations))

    def rename_population(self, population_id: str, name: str) -> None:
        """Rename a population."""
        old = self.population(population_id)
        if old is not None:
            self.edit(
                f"Rename {old.name} to {name}",
                lambda s: edits.change_population(s, old.id, name=name),
            )

    def invert(self, population_id: str) -> None:
        """Take what a population leaves out in place of what it holds."""
        old = self.population(population_id)
        if old is not None:
            self.edit(
                f"Invert {old.name}",
                lambda s: edits.change_population(s, old.id, inverted=not old.inverted),
            )

    def redraw(self, label: str, population_id: str, gate: Gate) -> bool:
        """Give a population another gate; `label` ends in its name."""
        old = self.population(population_id)
        return old is not None and self.edit(
            f"{label} {old.name}", lambda s: edits.change_population(s, old.id, gate=gate)
        )

    def duplicate_population(self, population_id: str | None) -> str | None:
        """Copy a population; the id of the copy."""
        old, made = self.population(population_id), new_id()
        if old is None:
            return None
        done = self.edit(
            f"Duplicate {old.name}", lambda s: edits.duplicate_population(s, old.id, made)
        )
        return made if done else None

    def delete_population(self, population_id: str) -> None:
        """Delete a population, out of every rule too, which is said."""
        old = self.population(population_id)
        if old is None:
            return
        users = edits.users(self.scheme, old.id)
        done = self.edit(
            f"Delete population {old.name}", lambda s: edits.delete_population(s, old.id)
        )
        if done and users:
            names = ", ".join(f"«{p.name}»" for p in users)
            self.desk.said.emit(
                "info", f"«{old.name}» is gone from the rule of {names} too. Undo brings it back."
            )
