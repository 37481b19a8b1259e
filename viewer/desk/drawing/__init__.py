"""Every edit of what is drawn on a map for measuring: rock units, contacts and traverses.

The edits are pure functions: they take the project's `State` and give the new documents, as `Edit`,
which goes to the desk whole by `apply`, so that one undo takes back all of it. Names are
unique on a map: requests ask by name.
"""

from viewer.desk.drawing.any import remove, rename
from viewer.desk.drawing.contacts import contact_between
from viewer.desk.drawing.edit import (
    Edit,
    apply,
    line_by_id,
    lines_of,
    unit_by_id,
    units_of,
    units_up,
)
from viewer.desk.drawing.lines import add_line, move_line, rename_line, set_width, turn_line
from viewer.desk.drawing.names import checked_name, free_name
from viewer.desk.drawing.units import (
    add_band,
    add_unit,
    merge_units,
    rename_unit,
    reshape_unit,
    split_unit,
    to_split,
    unit_between,
)

__all__ = [
    "Edit",
    "add_band",
    "add_line",
    "add_unit",
    "apply",
    "checked_name",
    "contact_between",
    "free_name",
    "line_by_id",
    "lines_of",
    "merge_units",
    "move_line",
    "remove",
    "rename",
    "rename_line",
    "rename_unit",
    "reshape_unit",
    "set_width",
    "split_unit",
    "to_split",
    "turn_line",
    "unit_between",
    "unit_by_id",
    "units_of",
    "units_up",
]
