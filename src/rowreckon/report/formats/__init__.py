"""One module a format: terminal, Markdown, HTML, JUnit XML, a notebook's frame, a comparison's text.

In comes the audit document; out comes a finished report.  Open `markdown.py` first.
"""
