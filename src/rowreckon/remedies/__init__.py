"""What a change is made of: its SQL, undo, lock and cautions, for a subject that a cause names. Pure.

In comes a `subject.CauseFinding`, out go `draft.Draft`s; which cause asks for which stands with the cause. Open
`draft.py` first, then `statistics.py`. `change` reads a statement back by the grammar, `readable` a text that goes
into one.
"""
