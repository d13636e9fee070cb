"""All that the files have told so far, and the steps that keep its parts in agreement."""

from __future__ import annotations

from dataclasses import dataclass, field

from .working import (
    DEEPEST,
    MOST_COLUMNS,
    MOST_INDEXES,
    MOST_INDEXES_OF_A_TABLE,
    MOST_REFERRING,
    MOST_TABLES,
    Budget,
    CannotApply,
    Column,
    ForeignKey,
    Function,
    Index,
    Name,
    StatisticsObject,
    Table,
)

_MOST_COLUMNS_OF_A_TABLE = 1_600
"""Source: MaxHeapAttributeNumber in PostgreSQL's access/htup_details.h."""


@dataclass(slots=True)
class Schema:
    """Tables, indexes, statistics objects and functions by their names; `search_path` is that of the session."""

    tables: dict[Name, Table] = field(default_factory=dict)
    indexes: dict[Name, tuple[Table, Index]] = field(default_factory=dict)
    statistics: dict[Name, StatisticsObject] = field(default_factory=dict)
    functions: dict[Name, dict[str, Function]] = field(default_factory=dict)
    """By name, and by the types of the input arguments."""
    search_path: list[str] = field(default_factory=lambda: ["public"])
    numbers: dict[tuple[str, str, str, str], int] = field(default_factory=dict)
    """From which number on names are free that are made for indexes; forgotten where one becomes free."""
    columns: int = 0
    budget: Budget = field(default_factory=Budget)
    doubted: set[str] = field(default_factory=set)
    """Names of tables and indexes that something unread may have changed."""
    all_doubted: bool = False
    _of_schema: dict[str, dict[int, Table]] = field(default_factory=dict)
    _calling: dict[str, dict[int, tuple[Table, Index]]] = field(default_factory=dict)
    _referring: dict[Name, dict[int, Table]] = field(default_factory=dict)

    def home(self) -> str:
        """The schema in which an unqualified name is made."""
        return self.search_path[0] if self.search_path else "public"

    def name_of(self, schema: str, name: str) -> Name:
        """Where a relation or an index of this name is, or where it would be made; `schema` may be empty."""
        if schema:
            return schema, name
        for each in self.search_path:
            if (each, name) in self.tables or (each, name) in self.indexes:
                return each, name
        return self.home(), name

    def doubt(self, names: frozenset[str] | None) -> None:
        """Something that could not be read may have changed what these names stand for; None for anything at all."""
        if names is None:
            self.all_doubted = True
        else:
            self.doubted |= names

    def found_table(self, schema: str, name: str) -> Table | None:
        """A table that the files told of, None where they did not."""
        return self.tables.get(self.name_of(schema, name))

    def table(self, schema: str, name: str) -> Table:
        """A table that a statement is about. One that no file made is taken to be there, with nothing else known.

        Raises CannotApply where the name is an index's.
        """
        found = self.name_of(schema, name)
        if found in self.indexes:
            raise CannotApply("what it names is an index")
        if found not in self.tables:
            self.add_table(Table(*found))
        return self.tables[found]

    def of_schema(self, name: str) -> list[Table]:
        """The tables of a schema."""
        return list(self._of_schema.get(name, {}).values())

    def calling(self, function: str) -> list[tuple[Table, Index]]:
        """The indexes whose expressions call a function of this name."""
        return list(self._calling.get(function, {}).values())

    def add_table(self, table: Table) -> None:
        """Take a table in; one of the same name gives way. Raises CannotApply where there are too many."""
        before = self.tables.get((table.schema, table.name))
        if before is not None:
            self.drop_table(before)
        if len(self.tables) >= MOST_TABLES:
            raise CannotApply("there are too many tables")
        table.budget = self.budget
        self.tables[(table.schema, table.name)] = table
        self._of_schema.setdefault(table.schema, {})[id(table)] = table

    def add_column(self, table: Table, column: Column) -> None:
        """Take a column in. Raises CannotApply where a table, or all of them, would have too many."""
        if len(table.columns) >= _MOST_COLUMNS_OF_A_TABLE or self.columns >= MOST_COLUMNS:
            table.columns_whole = False
            raise CannotApply("there are too many columns")
        self.columns += 1
        table.columns[column.name] = column

    def add_index(self, table: Table, index: Index) -> None:
        """Take an index in; one of the same name gives way. Raises CannotApply where there are too many."""
        before = self.indexes.get((index.schema, index.name))
        if before is not None:
            self.drop_index(*before)
        self.require_room(table)
        table.indexes[index.name] = index
        self.indexes[(index.schema, index.name)] = (table, index)
        for function in index.calls:
            self._calling.setdefault(function, {})[id(index)] = (table, index)

    def require_room(self, table: Table) -> None:
        """Raises CannotApply where a table, or all of them, can have no more indexes."""
        if len(table.indexes) >= MOST_INDEXES_OF_A_TABLE or len(self.indexes) >= MOST_INDEXES:
            table.whole = False
            raise CannotApply("there are too many indexes")

    def drop_index(self, table: Table, index: Index) -> None:
        """Take an index out, with the partitions' indexes that are parts of it."""
        table.indexes.pop(index.name, None)
        self._forget(index)
        for child in table.heirs():
            for part in [i for i in child.indexes.values() if i.parent is index]:
                self.drop_index(child, part)

    def rename_index(self, table: Table, index: Index, name: str) -> None:
        """Give an index another name, and its constraint with it. Raises CannotApply where the name is taken."""
        if self._taken(index.schema, name, index):
            raise CannotApply("the new name is taken")
        del table.indexes[index.name], self.indexes[(index.schema, index.name)]
        self.numbers.clear()
        if index.constraint is not None:
            index.constraint = name
        index.name = name
        table.indexes[name] = index
        self.indexes[(index.schema, name)] = (table, index)

    def drop_table(self, table: Table) -> None:
        """Take a table out, with its partitions and everything that belongs to it."""
        for child in list(table.children.values()):
            child.parents.remove(table)
            if child.is_partition:
                self.drop_table(child)
        for parent in table.parents:
            parent.children.pop(id(table), None)
        for index in table.indexes.values():
            self._forget(index)
        for name in table.statistics:
            self.statistics.pop(name, None)
        self.columns -= len(table.columns)
        gone = (table.schema, table.name)
        self.tables.pop(gone, None)
        self._of_schema.get(table.schema, {}).pop(id(table), None)
        for other in self._referring.pop(gone, {}).values():
            other.foreign_keys = {n: k for n, k in other.foreign_keys.items() if k.referenced != gone}

    def add_foreign_key(self, table: Table, key: ForeignKey) -> None:
        """Take a foreign key in. Raises CannotApply where too many tables refer to one."""
        referring = self._referring.setdefault(key.referenced, {})
        if len(referring) >= MOST_REFERRING:
            raise CannotApply("there are too many foreign keys")
        table.foreign_keys[key.name] = key
        referring[id(table)] = table

    def move(self, table: Table, schema: str, name: str) -> None:
        """Give a table another schema or name; its indexes go to the schema with it.

        Raises CannotApply where a name is taken there.
        """
        before, after = (table.schema, table.name), (schema, name)
        if self._taken(schema, name, table) or any(self._taken(schema, i.name, i) for i in table.indexes.values()):
            raise CannotApply("the new name is taken")
        if table.name in self.doubted:
            self.doubted.add(name)
        self.tables.pop(before, None)
        self.numbers.clear()
        for index in table.indexes.values():
            self.indexes.pop((index.schema, index.name), None)
            index.schema = schema
            self.indexes[(schema, index.name)] = (table, index)
        self._of_schema.get(table.schema, {}).pop(id(table), None)
        self._of_schema.setdefault(schema, {})[id(table)] = table
        table.schema, table.name = after
        self.tables[after] = table
        referring = self._referring.pop(before, {})
        for other in referring.values():
            for key in other.foreign_keys.values():
                if key.referenced == before:
                    key.referenced = after
        self._referring.setdefault(after, {}).update(referring)

    def inherit(self, child: Table, parent: Table) -> None:
        """Make a table the heir or the partition of another.

        Raises CannotApply where it would be its own heir, or heirs would be too many levels deep.
        """
        above, below = _levels(parent, child, up=True), _levels(child, parent, up=False)
        if above + below > DEEPEST:
            raise CannotApply("heirs are too many levels deep")
        if parent not in child.parents:
            child.parents.append(parent)
        parent.children[id(child)] = child

    def disown(self, child: Table, parent: Table) -> None:
        """The converse of `inherit`."""
        if parent in child.parents:
            child.parents.remove(parent)
        parent.children.pop(id(child), None)
        child.is_partition = False

    def _taken(self, schema: str, name: str, own: Table | Index) -> bool:
        """Whether something else than `own` has this name."""
        index = self.indexes.get((schema, name))
        return self.tables.get((schema, name), own) is not own or (index is not None and index[1] is not own)

    def _forget(self, index: Index) -> None:
        self.numbers.clear()
        self.indexes.pop((index.schema, index.name), None)
        for function in index.calls:
            self._calling.get(function, {}).pop(id(index), None)

    def references(self, table: Table) -> list[ForeignKey]:
        """The foreign keys of other tables (and its own) that refer to a table."""
        name = (table.schema, table.name)
        others = self._referring.get(name, {}).values()
        return [key for other in others for key in other.foreign_keys.values() if key.referenced == name]

    def drop_references(self, table: Table, column: str) -> None:
        """Take out the foreign keys that refer to a column of a table."""
        name = (table.schema, table.name)
        for other in self._referring.get(name, {}).values():
            other.foreign_keys = {
                n: k
                for n, k in other.foreign_keys.items()
                if k.referenced != name or column not in (k.referenced_columns or ())
            }


def _levels(table: Table, never: Table, *, up: bool) -> int:
    """How many levels of tables stand above or below one. Raises CannotApply where `never` is among them."""
    here, found = {id(table): table}, 0
    while here and found <= DEEPEST:
        if id(never) in here:
            raise CannotApply("it would be its own heir")
        table.budget.spend(len(here))
        following = [other for each in here.values() for other in (each.parents if up else each.children.values())]
        here = {id(other): other for other in following}
        found += 1
    return found
