"""Measurements that answer a request: one module a kind, found here by name.

Each module has ``measure(desk, map_id, request, progress) -> Result``. It reads what the request
names, calls the pure functions of ``science/measure`` and lays out what they give; it may run on any
thread and changes nothing. `viewer.desk.measures.keep` puts a result into the ledger.
"""

from __future__ import annotations

import importlib

from viewer.desk.desk import Desk
from viewer.desk.measures.result import Result
from viewer.science.progress import Progress, silent
from viewer.store.requests import Request

_MODULES = {
    "contact": "contact",
    "sharpness": "sharpness",
    "gradient": "gradient",
    "undulation": "undulation",
    "layer-thickness": "layer_thickness",
    "local-thickness": "local_thickness",
    "rims": "rims",
    "traverse": "traverse",
    "zoning": "zoning",
}


def run(desk: Desk, map_id: str, request: Request, progress: Progress = silent) -> Result:
    """Answer a request. Any thread.

    Raises
    ------
    InputError
        The request names what is not there, or what is there cannot be measured so.
    """
    # Imported when wanted: they bring SciPy, which start-up does not wait for.
    module = importlib.import_module(f"viewer.desk.measures.{_MODULES[request.kind]}")
    result: Result = module.measure(desk, map_id, request, progress)
    return result
