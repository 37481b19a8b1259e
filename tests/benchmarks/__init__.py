"""Speed, as ratios to a reference in the same run: ``python -m tests.benchmarks`` or ``make bench``."""
