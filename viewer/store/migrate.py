"""Steps from each version of the format to the next.

A step takes the documents of a project as JSON bytes and returns them as the next version has them.
`STEPS` must hold one for every version below `SCHEMA_VERSION`, which a test checks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

SCHEMA_VERSION = 3
"""1: looking and measuring. 2: schemes, key, units, calibrations, and the phase map as a look.
3: contacts and traverses, and the request that a row of the ledger answers."""

Documents = Mapping[str, bytes]


def _same(documents: Documents) -> Documents:
    """Every document of the older version means the same in the newer."""
    return documents


STEPS: dict[int, Callable[[Documents], Documents]] = {1: _same, 2: _same}


def migrate(documents: Documents, version: int) -> Documents:
    """Bring documents of format `version` to `SCHEMA_VERSION`; newer ones are left as they are."""
    for step in range(version, SCHEMA_VERSION):
        documents = STEPS[step](documents)
    return documents
