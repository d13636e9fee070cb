"""Mutants of the core, drawn by lot: whether the tests notice a change of it."""
