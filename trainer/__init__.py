"""A practice partner for blues bass: the band, the ears, and the practice plan."""

from trainer._version import __version__

__all__ = ["__version__"]
