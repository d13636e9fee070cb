"""The order in which a report tells things, once for all formats.

In comes the audit document; out come sections, each with its sentences and drawings.  Open `story.py` first.
"""
