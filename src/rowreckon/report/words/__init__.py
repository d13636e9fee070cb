"""Sentences, figures and names as every format writes them, made harmless for whatever displays them.

In comes the audit document; out come strings.  Open `sentences.py` first; `escape.py` guards foreign text.
"""
