"""Rows of the record as plain data, and copied from one database to another."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import Connection, Date, Table, delete, func, insert, select, text

from asymscreen.record.desk_models import OF_LIFTERS, OF_THIS_DESK
from asymscreen.record.models import TABLES, UtcDateTime

BATCH = 50
"""Rows read and written at a time: key frames and tracks are large."""


def tables() -> list[Table]:
    """Every table that goes into a backup, parents before children."""
    return [model.__table__ for model in TABLES + OF_LIFTERS]  # type: ignore[misc]


def desk_tables() -> list[Table]:
    """The tables that stay with this desk: accounts, sessions, links and the audit log."""
    return [model.__table__ for model in OF_THIS_DESK]  # type: ignore[misc]


def to_plain(value: Any) -> Any:
    """A cell for JSON: moments and days as ISO 8601 text."""
    return value.isoformat() if isinstance(value, date | datetime) else value


def from_plain(table: Table, row: dict[str, Any]) -> dict[str, Any]:
    """A row from JSON for a table. ValueError for a column that it lacks or a time that is none."""
    out = {}
    for name, value in row.items():
        if name not in table.columns:
            raise ValueError(f"{table.name}: no column {name!r}")
        kind = table.columns[name].type
        if isinstance(value, str) and isinstance(kind, UtcDateTime):
            moment = datetime.fromisoformat(value)
            value = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
        elif isinstance(value, str) and isinstance(kind, Date):
            value = date.fromisoformat(value)
        out[name] = value
    return out


def copy_all(source: Connection, target: Connection) -> dict[str, int]:
    """Copy every row of every table, in the caller's transactions; how many of each table."""
    counts = {}
    for table in tables():
        counts[table.name] = 0
        result = source.execution_options(yield_per=BATCH).execute(select(table))
        for part in result.mappings().partitions(BATCH):
            target.execute(insert(table), [dict(row) for row in part])
            counts[table.name] += len(part)
    return counts


def clear_all(target: Connection) -> None:
    """Delete every row, children before parents."""
    for table in reversed(tables()):
        target.execute(delete(table))


def count_all(connection: Connection, only: Sequence[Table] | None = None) -> dict[str, int]:
    """Rows by table."""
    return {
        t.name: int(connection.scalar(select(func.count()).select_from(t)) or 0) for t in only or tables()
    }


def reset_counters(connection: Connection) -> None:
    """After rows were written with their numbers: PostgreSQL's counters go on after the largest one."""
    if connection.dialect.name != "postgresql":
        return
    for table in tables():
        if "id" in table.columns and table.columns["id"].type.python_type is int:
            connection.execute(
                text(
                    f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), "
                    f"(SELECT COALESCE(MAX(id), 0) + 1 FROM {table.name}), false)"
                )
            )
