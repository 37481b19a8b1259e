"""``python -m viewer`` is ``grainlight``."""

from viewer.cli import main

raise SystemExit(main())
