"""The program without a screen: from the device to the result."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("suprathresh")
except PackageNotFoundError:  # a source tree that was never installed
    __version__ = "0+unknown"

__all__ = ["__version__"]
