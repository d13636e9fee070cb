"""Checks of every way a plan's text arrives."""
