"""``python -m demo_maps OUT``: write the demo slab into a folder."""

import argparse
import sys
from pathlib import Path

from demo_maps import make


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return its exit code."""
    parser = argparse.ArgumentParser(prog="python -m demo_maps", description=__doc__)
    parser.add_argument("out", type=Path, help="folder to write into")
    parser.add_argument("--seed", type=int, default=20, help="chooses the rock (20)")
    parser.add_argument("--scale", type=float, default=1.0, help="length over 48 mm (1.0)")
    options = parser.parse_args(arguments)

    def show(share: float, what: str) -> None:
        print(f"{100 * share:4.0f} %  {what}", file=sys.stderr)

    try:
        slab = make(options.out, seed=options.seed, scale=options.scale, progress=show)
    except ValueError as error:
        parser.error(str(error))
    for name, folder in slab.faces.items():
        print(f"{name}: {folder}")
    print(f"Truth: {slab.truth}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
