"""Everything that a person gets to see of an audit document.

Rooms from the ground: `words/` (sentences and figures), `comparing/` (two audits), `drawings/` (rulers and curves),
`story/` (what is told, in which order), `formats/` (terminal, Markdown, HTML, …).  Open `story/story.py` first.
"""
