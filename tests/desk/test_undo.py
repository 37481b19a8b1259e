"""Undo gives back the very same state, redo the state after it, whatever was done."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from tests.desk.conftest import MAP, PIXEL, TRIANGLE
from viewer.desk.desk import UNDO_DEPTH, Desk
from viewer.desk.measuring import add_mark, move_mark, new_id, remove_marks, rename_mark
from viewer.errors import ProjectReadOnlyError
from viewer.science.look.orient import Orientation
from viewer.science.look.stretch import Stretch
from viewer.store.documents import Composite, MapLook, MapSetup, Mark, Panel
from viewer.store.project import Project

Command = Callable[[Desk], None]


def state(desk: Desk) -> bytes:
    return msgspec.json.encode(desk.state)


def orient(turns: int, mirror: bool) -> Command:
    made = Orientation(quarter_turns=turns, mirror=mirror)
    return lambda desk: desk.set_setup(
        "Turn", MAP, replace(desk.setup(MAP), orientation=made)
    )


def outline(shift: float) -> Command:
    moved = tuple((x + shift, y) for x, y in TRIANGLE)
    return lambda desk: desk.set_setup("Outline", MAP, replace(desk.setup(MAP), outline=(moved,)))


def stretch(low: float, drag: str | None) -> Command:
    def run(desk: Desk) -> None:
        look = MapLook(mode="single", layer="Fe", stretches={"Fe": Stretch(low=low)})
        desk.set_look("Stretch", MAP, look, merge=drag)

    return run


def save(name: str, layer: str) -> Command:
    return lambda desk: desk.save_composite(Composite(name=name, red=Panel(layer=layer)))


def delete(name: str) -> Command:
    return lambda desk: desk.delete_composite(name)


def rule(x: float) -> Command:
    def run(desk: Desk) -> None:
        mark = Mark(id=new_id(), map=MAP, kind="distance", points=((0.0, 0.0), (x, 40.0)))
        marks, ledger = add_mark(desk.state, mark, PIXEL)
        desk.apply("Measure", marks=marks, ledger=ledger)

    return run


def _newest(desk: Desk) -> Mark | None:
    return desk.state.marks.marks[-1] if desk.state.marks.marks else None


def drag_end(x: float) -> Command:
    def run(desk: Desk) -> None:
        if (mark := _newest(desk)) is not None:
            moved = replace(mark, points=((0.0, 0.0), (x, 40.0)))
            marks, ledger = move_mark(desk.state, moved, PIXEL)
            desk.apply("Move end", merge=f"move {mark.id}", marks=marks, ledger=ledger)

    return run


def drop(desk: Desk) -> None:
    desk.end_merge()


def rename(label: str) -> Command:
    def run(desk: Desk) -> None:
        if (mark := _newest(desk)) is not None:
            marks, ledger = rename_mark(desk.state, mark.id, label)
            desk.apply("Rename", marks=marks, ledger=ledger)

    return run


def remove(desk: Desk) -> None:
    if (mark := _newest(desk)) is not None:
        marks, ledger = remove_marks(desk.state, [mark.id])
        desk.apply("Remove", marks=marks, ledger=ledger)


NUMBERS = st.floats(1, 90).map(lambda x: round(x, 1))
COMMANDS: st.SearchStrategy[Command] = st.one_of(
    st.builds(orient, st.integers(0, 3), st.booleans()),
    st.builds(outline, NUMBERS),
    st.builds(stretch, NUMBERS, st.sampled_from([None, "low edge", "low edge", "other"])),
    st.builds(save, st.sampled_from(["a", "b"]), st.sampled_from(["Fe", "Mg"])),
    st.builds(delete, st.sampled_from(["a", "b"])),
    st.builds(rule, NUMBERS),
    st.builds(drag_end, NUMBERS),
    st.just(drop),
    st.builds(rename, st.sampled_from(["Dyke", "Seam"])),
    st.just(remove),
)


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory, rock_file: Path) -> Iterator[Project]:
    path = tmp_path_factory.mktemp("undo") / "rock.maps.h5"
    path.write_bytes(rock_file.read_bytes())
    with Project.open(path) as opened:
        yield opened


@settings(max_examples=60, deadline=None, derandomize=True)
@given(commands=st.lists(COMMANDS, max_size=12), back=st.integers(0, 12), more=COMMANDS)
def test_undo_and_redo_give_every_state_again(
    project: Project, commands: list[Command], back: int, more: Command
) -> None:
    desk = Desk(project, inline=True)  # Not closed: it has no jobs, and the project goes on.
    start = state(desk)
    forward: list[bytes] = []
    for command in commands:
        command(desk)
        forward.append(state(desk))
    end = state(desk)

    backward = [end]
    while desk.undo_label is not None:
        desk.undo()
        backward.append(state(desk))
    assert backward[-1] == start
    # Each undo shows a state that was there before, in the opposite order.
    seen = iter([start, *forward][::-1])
    assert all(any(now == then for then in seen) for now in backward)

    again = [state(desk)]
    while desk.redo_label is not None:
        desk.redo()
        again.append(state(desk))
    assert again == backward[::-1]

    for _ in range(back):
        desk.undo()
    before = state(desk)
    more(desk)
    if state(desk) != before:
        assert desk.redo_label is None
        desk.undo()
        assert state(desk) == before
    while desk.undo_label is not None:
        desk.undo()
    assert state(desk) == start


def test_a_drag_is_one_step(desk: Desk) -> None:
    labels: list[str] = []
    desk.changed.connect(labels.append)
    rule(10.0)(desk)
    measured = state(desk)
    for x in (20.0, 30.0, 40.0):
        drag_end(x)(desk)
    moved = state(desk)
    desk.end_merge()
    drag_end(50.0)(desk)
    desk.undo()
    assert state(desk) == moved
    desk.undo()
    assert state(desk) == measured
    assert (desk.undo_label, desk.redo_label) == ("Measure", "Move end")
    desk.redo()
    assert state(desk) == moved
    assert set(labels) == {"marks", "ledger"}


def test_a_drag_after_an_undo_is_a_step_of_its_own(desk: Desk) -> None:
    stretch(5.0, "edge")(desk)
    first = state(desk)
    stretch(6.0, None)(desk)
    desk.undo()
    stretch(7.0, "edge")(desk)
    desk.undo()
    assert state(desk) == first


def test_what_changes_nothing_is_no_step(desk: Desk) -> None:
    told: list[None] = []
    desk.history_changed.connect(lambda: told.append(None))
    desk.set_setup("Nothing", MAP, MapSetup())
    assert desk.undo_label == "Nothing"  # An entry for the map is new, though it says nothing.
    desk.set_setup("Nothing more", MAP, MapSetup())
    assert desk.undo_label == "Nothing"
    assert len(told) == 1


def test_the_oldest_steps_are_forgotten(desk: Desk) -> None:
    for n in range(UNDO_DEPTH + 5):
        desk.set_look("Stretch", MAP, MapLook(stretches={"Fe": Stretch(low=n / 100)}))
    undone = 0
    while desk.undo_label is not None:
        desk.undo()
        undone += 1
    assert undone == UNDO_DEPTH


def test_edits_and_undos_are_there_after_opening_again(desk: Desk) -> None:
    rule(10.0)(desk)
    orient(1, True)(desk)
    save("a", "Fe")(desk)
    desk.undo()
    told, path = state(desk), desk.path
    desk.close()
    with Desk.open(path) as again:
        assert state(again) == told
        assert again.undo_label is None


def test_nothing_is_edited_or_forgotten_when_reading_only(desk: Desk) -> None:
    path = desk.path
    desk.close()
    with Desk.open(path, write=False) as again:
        before = state(again)
        with pytest.raises(ProjectReadOnlyError):
            orient(1, False)(again)
        assert state(again) == before
        assert again.undo_label is None
