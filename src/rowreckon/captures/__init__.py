"""Captures on disk, and captures without literals, for passing on."""
