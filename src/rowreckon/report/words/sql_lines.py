"""SQL in lines of a given width that still can be copied: broken only where white space stands between two tokens."""

from __future__ import annotations

from rowreckon.sql.grammar import NotSql, Token, scan

_FURTHER = "  "


def wrapped_sql(text: str, width: int) -> str:
    """The statements in lines of at most `width` columns, where their tokens permit; its own line ends stay.

    What PostgreSQL's grammar does not read as tokens, such as a command of psql, stays as it is.
    """
    try:
        runs = _runs(text, scan(text))
    except NotSql:
        return text
    out: list[str] = []
    column = end = 0
    for start, stop in runs:
        gap, run = text[end:start], text[start:stop]
        if "\n" not in gap and gap and column + len(gap) + len(run.split("\n", 1)[0]) > width:
            gap = f"\n{_FURTHER}"
        out += [gap, run]
        written = f"{gap}{run}"
        column = len(written.rsplit("\n", 1)[-1]) + (0 if "\n" in written else column)
        end = stop
    return "".join((*out, text[end:]))


def _runs(text: str, tokens: tuple[Token, ...]) -> list[tuple[int, int]]:
    """Where tokens stand together without white space between them: from, to."""
    runs: list[tuple[int, int]] = []
    for token in tokens:
        if runs and runs[-1][1] == token.start:
            runs[-1] = (runs[-1][0], token.end)
        else:
            runs.append((token.start, token.end))
    return runs
