"""SQL text, read by PostgreSQL's own grammar: tokens, statements, clauses, literals, masking, fingerprints.

In comes text from anywhere; out come tokens with their places, trees, and text that was printed anew from a tree.
Ground floor: it imports no other part of the package.  Open `grammar.py` first, the one module that calls the library.
"""
