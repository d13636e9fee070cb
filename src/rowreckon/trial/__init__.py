"""Trials of remedies, the pure part: what to try, what measurements mean, how remedies rank once they are measured."""
