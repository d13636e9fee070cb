"""What a condition consists of: clauses, and the columns that they name."""

from __future__ import annotations

from rowreckon.frozen import frozen


@frozen
class ColumnReference:
    """A column as a condition names it; `table` is the alias, or None where EXPLAIN left it out."""

    table: str | None
    column: str

    def __str__(self) -> str:
        return f"{self.table}.{self.column}" if self.table else self.column


@frozen
class Clause:
    """One conjunct of a condition.

    `operator` is SQL's spelling ("=", "<", "LIKE", "IS NULL", "= ANY", "OR", …), or "" for a bare expression.
    `left_column` and `right_column` are set where that side is a plain column, casts and collations looked through
    (`left_cast`/`right_cast` tell of the casts); `functions` are the function names anywhere in the clause.
    """

    text: str
    operator: str
    columns: tuple[ColumnReference, ...]
    left_column: ColumnReference | None = None
    right_column: ColumnReference | None = None
    left_columns: tuple[ColumnReference, ...] = ()
    right_columns: tuple[ColumnReference, ...] = ()
    functions: tuple[str, ...] = ()
    subplans: tuple[str, ...] = ()
    parameters: tuple[str, ...] = ()
    constant: str | None = None
    left_text: str = ""
    right_text: str = ""

    @property
    def tables(self) -> frozenset[str]:
        """Aliases that the clause refers to."""
        return frozenset(c.table for c in self.columns if c.table is not None)

    @property
    def is_equality(self) -> bool:
        """An equality of two expressions that each hold at least one column."""
        return self.operator == "=" and bool(self.left_columns) and bool(self.right_columns)

    @property
    def is_plain_column(self) -> bool:
        """One side is a bare column and the other holds no column."""
        return (self.left_column is not None and not self.right_columns) or (
            self.right_column is not None and not self.left_columns
        )


@frozen
class Condition:
    """A condition as a conjunction of clauses; `parsed` is False where the text could not be read as SQL."""

    text: str
    clauses: tuple[Clause, ...]
    parsed: bool

    @property
    def columns(self) -> tuple[ColumnReference, ...]:
        """All column references, each once, in the order of the text."""
        return tuple(dict.fromkeys(c for clause in self.clauses for c in clause.columns))
