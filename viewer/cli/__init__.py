"""The command line: parse, call, print.

Every verb takes ``--json`` (one JSON document on standard output, nothing else), shows its progress
on a terminal and works without a display. The work itself is done by `viewer.desk`.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

from viewer.cli.parser import parser
from viewer.cli.parts import Out, printable
from viewer.errors import CancelledError, GrainlightError, ResourceError, UsageError

__all__ = ["main", "parser"]


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; return its exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    as_json = "--json" in words
    out = Out(as_json)
    try:
        # A project named alone, or nothing at all, means the window.
        if not words or (not words[0].startswith("-") and words[0].endswith(".h5")):
            words = ["window", *words]
        args = parser().parse_args(words)
        if getattr(args, "run", None) is None:
            raise UsageError("A verb is needed.", hint="See grainlight --help.")
        args.run(args, out)
        out.end()
        sys.stdout.flush()
    except GrainlightError as error:
        _complain(error, out)
        return error.exit_code
    except KeyboardInterrupt:
        _complain(CancelledError(), out)
        return CancelledError.exit_code
    except MemoryError:
        _complain(ResourceError("There is not enough memory for this."), out)
        return ResourceError.exit_code
    except BrokenPipeError:
        # The reader of a pipe has seen enough; pointing the stream elsewhere keeps Python quiet.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    return 0


def _complain(error: GrainlightError, out: Out) -> None:
    """Say what is wrong; in JSON, beside what was answered before it went wrong."""
    out.put(error=error.what, where=error.where, hint=error.hint, exit_code=error.exit_code)
    out.end()
    print(f"grainlight: {printable(str(error))}", file=sys.stderr)
