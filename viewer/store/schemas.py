"""JSON schemas of the documents, made from the structs that read them."""

from __future__ import annotations

from typing import Any

import msgspec

from viewer.store.documents import DOCUMENTS

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def schema_of(name: str) -> dict[str, Any]:
    """JSON schema (draft 2020-12) of a document of ``/state``.

    Raises
    ------
    KeyError
        No document has that name.
    """
    return {"$schema": DRAFT, "title": f"Grainlight document «{name}»", **msgspec.json.schema(DOCUMENTS[name])}
