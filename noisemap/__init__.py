"""Where a retarder restriction helps, whom, by how much, and what the brakes do.

The package is a chain of floors; see DEVELOPERS.md.  Importing it loads nothing
heavy: every part is imported by the module that needs it.
"""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("noisemap")
except PackageNotFoundError:  # running from a checkout that was never installed
    __version__ = "0+unknown"

__all__ = ["__version__"]
