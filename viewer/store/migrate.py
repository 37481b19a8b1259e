"""Steps from each version of the format to the next.

A step takes the documents of a project as JSON bytes and returns them as the next version has them.
Version 1 is the first, so there is no step yet; `STEPS` must hold one for every version below
`SCHEMA_VERSION`, which a test checks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

SCHEMA_VERSION = 1

Documents = Mapping[str, bytes]
STEPS: dict[int, Callable[[Documents], Documents]] = {}


def migrate(documents: Documents, version: int) -> Documents:
    """Bring documents of format `version` to `SCHEMA_VERSION`; newer ones are left as they are."""
    for step in range(version, SCHEMA_VERSION):
        documents = STEPS[step](documents)
    return documents
