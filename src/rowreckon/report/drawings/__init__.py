"""The row ruler and the cost curves: their geometry, and how they are drawn as text and as SVG.

In comes a join of the audit document; out come plain geometry, text lines, SVG.  Open `ruler.py` first.
"""
