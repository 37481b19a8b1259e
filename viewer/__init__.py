"""Grainlight: look at, sort, measure and publish multi-channel element maps of rocks."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("grainlight")
except PackageNotFoundError:  # run from a source tree that was never installed
    __version__ = "0+unknown"

__all__ = ["__version__"]
