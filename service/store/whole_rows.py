"""Rows put into a table by the driver itself, as tuples.

What SQLAlchemy does for a row of an INSERT takes several times what the database does, and a check
has some twenty rows. Tables, columns and how their values are kept are still the models' own.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache
from operator import itemgetter
from typing import Any, Final

from sqlalchemy import Connection, Dialect, Float

from service.store.tables import Base

# Position of a column, and what its values become for the driver.
_Kept = tuple[tuple[int, Callable[[Any], Any]], ...]


class WholeRows:
    """INSERT of rows with a value for each column of the table, in the order of the columns."""

    def __init__(self, model: type[Base]) -> None:
        self._model = model
        self._of_mapping: Final = itemgetter(*(column.name for column in model.__table__.columns))

    def insert(self, connection: Connection, rows: Iterable[Sequence[Any]]) -> None:
        """Raises what the database raises, as `Connection.execute` does; no row is no question."""
        statement, kept = _for_driver(self._model, connection.dialect)
        values = rows if not kept else (_as_kept(row, kept) for row in rows)
        if parameters := list(map(tuple, values)):
            connection.exec_driver_sql(statement, parameters)

    def insert_mappings(self, connection: Connection, rows: Iterable[Mapping[str, Any]]) -> None:
        """The same, of rows by name of column."""
        self.insert(connection, map(self._of_mapping, rows))


def _as_kept(row: Sequence[Any], kept: _Kept) -> list[Any]:
    values = list(row)
    for place, keep in kept:
        values[place] = keep(values[place])
    return values


@cache
def _for_driver(model: type[Base], dialect: Dialect) -> tuple[str, _Kept]:
    """The statement, and the columns whose values the driver cannot take as they are."""
    quote = dialect.identifier_preparer.quote
    columns = list(model.__table__.columns)
    mark = "?" if dialect.paramstyle == "qmark" else "%s"
    statement = (
        f"INSERT INTO {quote(model.__tablename__)}"  # noqa: S608 - names are our own
        f" ({', '.join(quote(column.name) for column in columns)})"
        f" VALUES ({', '.join([mark] * len(columns))})"
    )
    kept = (
        (place, column.type.dialect_impl(dialect).bind_processor(dialect))
        for place, column in enumerate(columns)
        if not isinstance(column.type, Float)  # every store makes a float of what comes
    )
    return statement, tuple((place, keep) for place, keep in kept if keep is not None)
