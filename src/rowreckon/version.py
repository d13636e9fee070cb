"""The tool's version, which reports name and the package's metadata take from here."""

__version__ = "0.1.0"
