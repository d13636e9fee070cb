"""Tests of `rowreckon.learned`."""
